package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"

	"decktrim/edge"
	firmwareconfig "decktrim/firmware-config"
	"decktrim/internal/cli"
	"decktrim/internal/ledger"
	"decktrim/internal/plant"
	"decktrim/internal/sim"
	"decktrim/server"
	"decktrim/server/store"
)

// demoOptions are the words of `decktrim demo`.
type demoOptions struct {
	listen string
	data   string // "" keeps nothing
	speed  float64
	seed   uint64
	log    *slog.Logger
	out    io.Writer
	// started is told of the parts before they run; tests reach into them by it.
	started func(*server.Server, *edge.Edge)
}

func newDemoCmd() *cobra.Command {
	var o demoOptions
	var verbose bool
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "Run an invented mill, its board and the server in one process",
		Long: `Run the whole line in one process: a simulated mill, a board whose drivers read
simulated chips, a real broker on loopback, the server with its store, and a ledger
filled with invented lots and runs. Mill, ore and people are invented; the programs
are the real ones. It runs until Ctrl-C.`,
		Example: "  decktrim demo\n  decktrim demo --listen 127.0.0.1:0 --speed 20 --seed 7",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			level := slog.LevelWarn
			if verbose {
				level = slog.LevelInfo
			}
			o.log = slog.New(slog.NewTextHandler(cmd.ErrOrStderr(), &slog.HandlerOptions{Level: level}))
			o.out = cmd.OutOrStdout()
			if math.IsNaN(o.speed) || o.speed < 1 || o.speed > 60 {
				return cli.Inputf("--speed %g is not possible; give 1 to 60", o.speed)
			}
			return demo(cmd.Context(), o)
		},
	}
	cmd.Flags().StringVar(&o.listen, "listen", "127.0.0.1:8420", "where to answer (port 0: a free one)")
	cmd.Flags().StringVar(&o.data, "data", "", "folder to keep everything in; without it nothing is kept")
	cmd.Flags().Float64Var(&o.speed, "speed", 1, "run the plant so many times faster than the clock, 1 to 60")
	cmd.Flags().Uint64Var(&o.seed, "seed", 1, "another seed gives other lots, runs and weather")
	cmd.Flags().BoolVar(&verbose, "verbose", false, "log what happens inside")
	return cmd
}

const (
	demoPlant = "plants/larkspur-plant.toml"
	demoGroup = "larkspur"
	demoNode  = "mill"
	demoPast  = 12 * time.Hour // of readings before the start
)

// demo wires and runs it until ctx ends.
func demo(ctx context.Context, o demoOptions) (err error) {
	text, err := fs.ReadFile(firmwareconfig.Plants, demoPlant)
	if err != nil {
		return err
	}
	p, err := plant.Parse("larkspur-plant.toml", text)
	if err != nil {
		return err
	}
	dir := o.data
	if dir == "" {
		if dir, err = os.MkdirTemp("", "decktrim-demo-"); err != nil {
			return cli.Failedf("no folder for the demo's files can be made: %w", err)
		}
		defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	}
	data := filepath.Join(dir, "server")
	if err := os.MkdirAll(data, 0o700); err != nil {
		return cli.Failedf("the data folder cannot be made: %w; choose another with --data", err)
	}

	// The plant's clock starts with the wall's and runs speed times as fast.
	began := time.Now()
	now := func() time.Time {
		return began.Add(time.Duration(float64(time.Since(began)) * o.speed)).UTC()
	}
	mill, err := invent(ctx, data, p, o, began.UTC())
	if err != nil {
		return err
	}

	c := server.DefaultConfig()
	c.Server.Listen, c.Server.Data = o.listen, data
	c.MQTT.Listen = "127.0.0.1:0"
	c.MQTT.Groups, c.MQTT.Nodes = []string{demoGroup}, []string{demoGroup + "/" + demoNode}
	c.Plants = []*plant.Plant{p}
	s, err := server.New(server.Options{Config: c, Open: true, Invented: true, Unkept: o.data == "", Now: now, Version: version, Log: o.log})
	if err != nil {
		return cli.Failedf("%w", err)
	}
	board, err := demoBoard(filepath.Join(dir, "board"), text, s.MQTTAddr(), o, now, mill)
	if err != nil {
		return errors.Join(err, s.Close())
	}
	if o.started != nil {
		o.started(s, board)
	}

	// The server outlives the board, so that what the board sends last is stored.
	var parts errgroup.Group
	serving, stopServing := context.WithCancel(context.WithoutCancel(ctx))
	running, stopRunning := context.WithCancel(ctx)
	parts.Go(func() error {
		defer stopRunning()
		return s.Run(serving)
	})
	parts.Go(func() error {
		defer stopServing()
		return board.Run(running)
	})
	parts.Go(func() error { return follow(running, s, board, p.Plant.Name) })
	fmt.Fprintf(o.out, "listening on %s\n", s.URL())
	return parts.Wait()
}

// demoBoard sets up the board as anybody would: plant file and edge.toml in a folder.
func demoBoard(dir string, plantText []byte, broker string, o demoOptions, now func() time.Time, mill *sim.Mill) (*edge.Edge, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, cli.Failedf("the board's folder cannot be made: %w", err)
	}
	conf := fmt.Sprintf(`# The board of the demo: every chip is simulated.
[node]
id = %q
group = %q
plant = "plant.toml"

[mqtt]
url = "tcp://%s"

[spool]
dir = "spool"
max_bytes = 67108864

[[bus]]
name = "main"
kind = "simulated"
seed = %d
`, demoNode, demoGroup, broker, o.seed)
	file := filepath.Join(dir, "edge.toml")
	for name, text := range map[string][]byte{file: []byte(conf), filepath.Join(dir, "plant.toml"): plantText} {
		if err := os.WriteFile(name, text, 0o600); err != nil {
			return nil, cli.Failedf("the board's files cannot be written: %w", err)
		}
	}
	c, err := edge.LoadConfig(file)
	if err != nil {
		return nil, err
	}
	return edge.New(c, edge.Options{Log: o.log.With("part", "board"), Version: version, Now: now, Speed: o.speed, Mill: mill})
}

// follow is the demo's operator: what is written down as set on Try is set at the
// simulated mill. No program does this at a real one.
func follow(ctx context.Context, s *server.Server, board *edge.Edge, plantName string) error {
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	var done int64
	for first := true; ; first = false {
		entries, err := s.Store().Entries(ctx, plantName, ledger.KindSettingChange)
		if err != nil && ctx.Err() == nil {
			return err
		}
		for _, e := range entries {
			if e.Seq <= done {
				continue
			}
			done = e.Seq
			var c ledger.SettingChange
			if err := json.Unmarshal(e.Body, &c); err != nil {
				return fmt.Errorf("ledger entry %s: %w", e.ID, err)
			}
			if first {
				continue // the mill already stands where these left it
			}
			board.Mill(func(m *sim.Mill) { err = m.Set(c.Setting, c.Value) })
			if err != nil {
				return err
			}
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// invent fills ledger and store with what happened before the demo was started, and
// returns the mill as it stands now.
func invent(ctx context.Context, data string, p *plant.Plant, o demoOptions, now time.Time) (_ *sim.Mill, err error) {
	st, err := store.Open(store.Options{Dir: data, Plants: []*plant.Plant{p}, Log: o.log, NoSync: o.data == ""})
	if err != nil {
		return nil, cli.Failedf("%w", err)
	}
	defer func() { err = errors.Join(err, st.Close()) }()
	fresh, err := inventLedger(ctx, st, p, o.seed, now)
	if err != nil {
		return nil, err
	}
	source, settings, err := standsAt(ctx, st, p.Plant.Name)
	if err != nil {
		return nil, err
	}
	// A folder from an earlier demo has its own past: the time between stays empty.
	from := now
	if fresh {
		from = now.Add(-demoPast)
	}
	mill, err := sim.New(sim.Config{Plant: p, Seed: o.seed, Source: source, Start: from})
	if err != nil {
		return nil, err
	}
	for name, v := range settings {
		if err := mill.Set(name, v); err != nil {
			return nil, err
		}
	}
	return mill, inventReadings(ctx, st, mill, p, demoGroup+"/"+demoNode, o.seed, now)
}
