package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"decktrim/edge/calib"
	"decktrim/edge/instruments"
	"decktrim/internal/cli"
)

// calibration is what the person said on the command line.
type calibration struct {
	config, channel, by, reason, note string
	seconds                           float64
	yes                               bool
	points                            []float64 // span: known values, channel unit
	checks                            []string  // k-factor: checks made before
	quantity                          float64   // k-factor: litres or metres that will pass

	in  *bufio.Reader
	out io.Writer
	now func() time.Time
}

func newCalibrateCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "calibrate",
		Short: "Tare, zero, span or K-factor of one channel, with a record of who and how",
		Long: `Reads the channel's raw signal while its true value is known, works out the
calibration, and adds it with who, when, the points and how far they lie from the
line to the file that the sensor's calibration_file names. Nothing is overwritten.

Stop 'run' first: a bus is read by one program at a time. Keep hands and feet clear:
nothing here starts or stops a machine, and nothing here locks one out; follow the
site's lock-out rules before you climb on, under or into anything.`,
		Example: `  decktrim-edge calibrate span --channel bin_weight --point 0 --point 500 --by technician
  decktrim-edge calibrate tare --channel bin_weight --by technician
  decktrim-edge calibrate k-factor --channel wash_water --quantity 20 --by technician`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(
		calibrateCmd("tare", "Make the present load read nothing", "the bin stands empty as it works", (*calibration).tare, nil),
		calibrateCmd("zero", "Make the present signal the instrument's zero", "nothing acts on the instrument", (*calibration).zero, nil),
		calibrateCmd("span", "Find the line through known loads", "", (*calibration).span, func(cmd *cobra.Command, c *calibration) {
			cmd.Flags().Float64SliceVar(&c.points, "point", nil, "a known value in the channel's unit; repeat it for each load, two or more give zero and span")
		}),
		calibrateCmd("k-factor", "Find pulses per litre or metre with a measured quantity", "", (*calibration).kFactor, func(cmd *cobra.Command, c *calibration) {
			cmd.Flags().Float64Var(&c.quantity, "quantity", 0, "litres or metres that pass between two presses of Enter")
			cmd.Flags().StringArrayVar(&c.checks, "check", nil, "a check already made, pulses,quantity,seconds: 9012,20,31.5 (repeatable)")
		}),
	)
	return cmd
}

// calibrateCmd is one way to calibrate: its work finds the record.
func calibrateCmd(use, short, state string, work func(*calibration, context.Context, *instruments.Set, instruments.Place) (calib.Record, error), flags func(*cobra.Command, *calibration)) *cobra.Command {
	c := &calibration{}
	examples := map[string]string{
		"span": " --point 0 --point 500", "k-factor": " --quantity 20",
	}
	channel := "bin_weight"
	if use == "k-factor" {
		channel = "wash_water"
	}
	cmd := &cobra.Command{
		Use:     use,
		Short:   short,
		Example: "  decktrim-edge calibrate " + use + " --channel " + channel + examples[use] + " --by technician",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			c.in, c.out, c.now = bufio.NewReader(cmd.InOrStdin()), cmd.OutOrStdout(), time.Now
			return c.run(cmd.Context(), state, work)
		},
	}
	f := cmd.Flags()
	f.StringVar(&c.config, "config", "edge.toml", "the board's file")
	f.StringVar(&c.channel, "channel", "", "the channel of the plant file")
	f.StringVar(&c.by, "by", "", "who does it: role or initials")
	f.Float64Var(&c.seconds, "seconds", 20, "how long each load is watched")
	f.StringVar(&c.reason, "reason", "", "why a check that fails is set aside; it is recorded")
	f.StringVar(&c.note, "note", "", "anything worth knowing later")
	f.BoolVar(&c.yes, "yes", false, "do not ask before each reading: the load is on")
	if flags != nil {
		flags(cmd, c)
	}
	return cmd
}

func (c *calibration) run(ctx context.Context, state string, work func(*calibration, context.Context, *instruments.Set, instruments.Place) (calib.Record, error)) (err error) {
	switch {
	case c.channel == "":
		return cli.Inputf("which channel? Say --channel and its name in the plant file")
	case strings.TrimSpace(c.by) == "":
		return cli.Inputf("who does it? Say --by and your role or initials: it stands in the record")
	case !(c.seconds >= 1) || c.seconds > 600:
		return cli.Inputf("--seconds %v must lie between 1 and 600", c.seconds)
	}
	_, set, err := openBoard(c.config)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, set.Close()) }()
	place, err := set.Place(c.channel)
	if err != nil {
		return cli.Input(err)
	}
	if place.File == "" {
		return cli.Input(place.Save(calib.Record{})) // says how to name one, before any work is done
	}
	if state != "" {
		if err := c.ask("See that %s.", state); err != nil {
			return err
		}
	}
	rec, err := work(c, ctx, set, place)
	if err != nil {
		return err
	}
	rec.By, rec.At, rec.Reason, rec.Note = c.by, c.now().UTC().Truncate(time.Second), c.reason, c.note
	if err := place.Save(rec); err != nil {
		return cli.Failedf("%w", err)
	}
	before := "none"
	if place.Line.Known() {
		before = lineText(place.Line)
	}
	_, err = fmt.Fprintf(c.out, "%s of %s: %s (before: %s); largest distance of a point %.3g %s; written to %s\n",
		rec.Method, c.channel, lineText(rec.Line), before, rec.Residual, place.Channel.Unit, place.File)
	return err
}

func lineText(l calib.Line) string {
	return fmt.Sprintf("value = (signal - %.6g) * %.6g - %.6g", l.Zero, l.Span, l.Tare)
}

// ask waits for Enter, unless --yes was said.
func (c *calibration) ask(format string, args ...any) error {
	if c.yes {
		return nil
	}
	if _, err := fmt.Fprintf(c.out, format+" Then press Enter.\n", args...); err != nil {
		return err
	}
	if _, err := c.in.ReadString('\n'); err != nil {
		return cli.Inputf("nobody answered: press Enter when ready, or say --yes")
	}
	return nil
}

// unsteady is how far the signal may scatter while it is watched, share of range.
const unsteady = 0.005

// watch reads the signal for the time asked for; a load that moves is refused.
func (c *calibration) watch(ctx context.Context, set *instruments.Set, p instruments.Place, span float64) (calib.Point, error) {
	st, err := set.Watch(ctx, c.channel, time.Duration(c.seconds*float64(time.Second)))
	if err != nil {
		return calib.Point{}, cli.Failedf("%w", err)
	}
	width := math.Abs(p.Channel.Range[1] - p.Channel.Range[0])
	if moved := math.Abs(st.SD * span); moved > unsteady*width && c.reason == "" {
		return calib.Point{}, cli.Failedf("the reading of %s scatters by %.3g %s, more than %.1f %% of its range: wait until the load rests, or say --reason", c.channel, moved, p.Channel.Unit, 100*unsteady)
	}
	return calib.Point{Signal: st.Mean, Seconds: st.Seconds, Scatter: st.SD}, nil
}

func (c *calibration) tare(ctx context.Context, set *instruments.Set, p instruments.Place) (calib.Record, error) {
	return c.offset(ctx, set, p, calib.MethodTare, calib.Tare)
}

func (c *calibration) zero(ctx context.Context, set *instruments.Set, p instruments.Place) (calib.Record, error) {
	return c.offset(ctx, set, p, calib.MethodZero, calib.Zero)
}

func (c *calibration) offset(ctx context.Context, set *instruments.Set, p instruments.Place, method string, find func(calib.Line, float64) (calib.Line, error)) (calib.Record, error) {
	if !p.Line.Known() {
		return calib.Record{}, cli.Inputf("channel %s has no span yet: calibrate that first ('calibrate span' or 'calibrate k-factor')", c.channel)
	}
	pt, err := c.watch(ctx, set, p, p.Line.Span)
	if err != nil {
		return calib.Record{}, err
	}
	line, err := find(p.Line, pt.Signal)
	if err != nil {
		return calib.Record{}, cli.Failedf("%w", err)
	}
	return calib.Record{Method: method, Line: line, Points: []calib.Point{pt}}, nil
}

func (c *calibration) span(ctx context.Context, set *instruments.Set, p instruments.Place) (calib.Record, error) {
	if len(c.points) == 0 {
		return calib.Record{}, cli.Inputf("which loads? Say --point for each known value: --point 0 --point 500")
	}
	if len(c.points) > 1 && c.yes {
		return calib.Record{}, cli.Inputf("--yes goes with one --point: between two loads a person must change them")
	}
	if len(c.points) == 1 && !p.Line.Known() {
		return calib.Record{}, cli.Inputf("the first calibration of %s needs two loads: --point 0 --point %g", c.channel, c.points[0])
	}
	var points []calib.Point
	for _, v := range c.points {
		if err := c.ask("Put %g %s on %s.", v, p.Channel.Unit, c.channel); err != nil {
			return calib.Record{}, err
		}
		pt, err := c.watch(ctx, set, p, p.Line.Span)
		if err != nil {
			return calib.Record{}, err
		}
		pt.Value = v
		points = append(points, pt)
	}
	line, worst, err := calib.Span(p.Line, points)
	if err != nil {
		return calib.Record{}, cli.Failedf("%w", err)
	}
	return calib.Record{Method: calib.MethodSpan, Line: line, Points: points, Residual: worst}, nil
}

func (c *calibration) kFactor(ctx context.Context, set *instruments.Set, p instruments.Place) (calib.Record, error) {
	var checks []calib.FlowCheck
	for _, text := range c.checks {
		f, err := parseCheck(text)
		if err != nil {
			return calib.Record{}, err
		}
		checks = append(checks, f)
	}
	switch {
	case c.quantity > 0:
		f, err := c.count(ctx, set)
		if err != nil {
			return calib.Record{}, err
		}
		checks = append(checks, f)
	case len(checks) == 0:
		return calib.Record{}, cli.Inputf("how much will pass? Say --quantity in litres (metres for a belt), or --check pulses,quantity,seconds")
	}
	k, scatter, err := calib.KFactor(checks, c.reason)
	if err != nil {
		return calib.Record{}, cli.Input(err)
	}
	line, err := calib.PulseLine(k, p.Channel.Unit)
	if err != nil {
		return calib.Record{}, cli.Input(err)
	}
	rec := calib.Record{Method: calib.MethodKFactor, Line: line, KFactor: k}
	for _, f := range checks {
		pt := calib.Point{Signal: f.Pulses / f.Seconds, Value: f.Quantity, Seconds: f.Seconds}
		rec.Points = append(rec.Points, pt)
		// The line of one pulse a litre turns litres a second into the channel's unit.
		unit, err := calib.PulseLine(1, p.Channel.Unit)
		if err != nil {
			return calib.Record{}, cli.Input(err)
		}
		shown, okShown := line.Value(pt.Signal)
		truly, okTruly := unit.Value(f.Quantity / f.Seconds)
		if !okShown || !okTruly {
			return calib.Record{}, cli.Inputf("a check of %g pulses and %g in %g s is beyond what can be reckoned with", f.Pulses, f.Quantity, f.Seconds)
		}
		rec.Residual = math.Max(rec.Residual, math.Abs(shown-truly))
	}
	_, err = fmt.Fprintf(c.out, "K-factor %.6g from %d checks, which differ by %.1f %%\n", k, len(checks), 100*scatter)
	return rec, err
}

// count counts pulses between two presses of Enter.
func (c *calibration) count(ctx context.Context, set *instruments.Set) (calib.FlowCheck, error) {
	if c.yes {
		return calib.FlowCheck{}, cli.Inputf("--yes does not go with --quantity: Enter begins and ends the count")
	}
	if err := c.ask("Let the flow run steadily; turn it into the bucket."); err != nil {
		return calib.FlowCheck{}, err
	}
	counting, stop := context.WithCancel(ctx)
	defer stop()
	type result struct {
		pulses  int
		seconds float64
		err     error
	}
	done := make(chan result, 1)
	go func() {
		n, s, err := set.CountPulses(counting, c.channel)
		done <- result{n, s, err}
	}()
	askErr := c.ask("When %g have passed, turn it away.", c.quantity)
	stop()
	r := <-done
	if askErr != nil {
		return calib.FlowCheck{}, askErr
	}
	if r.err != nil {
		return calib.FlowCheck{}, cli.Failedf("%w", r.err)
	}
	return calib.FlowCheck{Pulses: float64(r.pulses), Quantity: c.quantity, Seconds: r.seconds}, nil
}

// parseCheck reads "pulses,quantity,seconds".
func parseCheck(text string) (calib.FlowCheck, error) {
	parts := strings.Split(text, ",")
	var v [3]float64
	for i := range v {
		if len(parts) != len(v) {
			return calib.FlowCheck{}, cli.Inputf("--check %q: write pulses,quantity,seconds, for example 9012,20,31.5", text)
		}
		x, err := strconv.ParseFloat(strings.TrimSpace(parts[i]), 64)
		if err != nil || math.IsNaN(x) || math.IsInf(x, 0) {
			return calib.FlowCheck{}, cli.Inputf("--check %q: %q is no number; write pulses,quantity,seconds, for example 9012,20,31.5", text, parts[i])
		}
		v[i] = x
	}
	return calib.FlowCheck{Pulses: v[0], Quantity: v[1], Seconds: v[2]}, nil
}
