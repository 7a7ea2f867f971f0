package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strings"

	"github.com/spf13/cobra"

	"decktrim/internal/cli"
	"decktrim/internal/sampling"
	"decktrim/internal/units"
)

func newSamplingCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "sampling",
		Short: "What a sample can say: its error, the mass it needs, the runs a trial needs",
		Long: `Sampling answers, before anything is sampled: what error does a sample of this mass
leave, what mass gives the error I want, what will recovery be worth, how many cuts,
how many runs. Figures may carry a unit ("30 g", "2 mm", "0.5 oz/short ton"); without
one they are in the unit that the flag names. The answers are the least error that
correct sampling leaves: a cutter that misses part of the stream adds to it.`,
		Example: "  decktrim sampling error --mass '30 g' --grade 5 --top-size '0.6 mm' --liberation '150 um'\n" +
			"  decktrim sampling recovery --recovery 78.6 --tailings 2.02 --grain-mg 0.627",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(newSamplingErrorCmd(), newSamplingMassCmd(), newSamplingRecoveryCmd(), newSamplingRunsCmd(), newSamplingCutsCmd())
	return cmd
}

// answer is what a sampling command found: figures under names that carry their unit,
// and the same in words.
type answer struct {
	Figures map[string]any // numbers, lists and texts for JSON
	Words   []string       // sentences
}

// print writes an answer as text or JSON.
func (a *answer) print(out io.Writer, format string) error {
	if format == "json" {
		enc := json.NewEncoder(out)
		enc.SetEscapeHTML(false)
		enc.SetIndent("", "  ")
		return enc.Encode(a.Figures)
	}
	_, err := io.WriteString(out, strings.Join(a.Words, "\n")+"\n")
	return err
}

func (a *answer) say(format string, args ...any) {
	a.Words = append(a.Words, fmt.Sprintf(format, args...))
}

// samplingCommand wires one subcommand: flags fill in, ask answers.
func samplingCommand(use, short, long, example string, flags func(*cobra.Command), ask func() (*answer, error)) *cobra.Command {
	var format string
	cmd := &cobra.Command{
		Use: use, Short: short, Long: long, Example: example, Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := oneOf("format", format, "text", "json"); err != nil {
				return err
			}
			a, err := ask()
			if err != nil {
				return cli.Input(err)
			}
			return a.print(cmd.OutOrStdout(), format)
		},
	}
	flags(cmd)
	cmd.Flags().StringVar(&format, "format", "text", "text or json")
	return cmd
}

// typed reads a flag with its unit into the unit wanted; empty text is an error that
// names the flag.
func typed(flag, text, unit string) (float64, error) {
	if text == "" {
		return 0, fmt.Errorf("--%s is missing: give it in %s, or with its unit", flag, unit)
	}
	e, err := units.ParseEntry(text, units.Point, unit)
	if err != nil {
		return 0, fmt.Errorf("--%s: %w", flag, err)
	}
	return e.In(unit)
}

// gyFlags are what Gy's formula needs to know of a gold ore.
type gyFlags struct {
	grade, topSize, liberation, lot   string
	shape, sizeRange, exponent, dense float64
}

func (g *gyFlags) add(cmd *cobra.Command) {
	f := cmd.Flags()
	f.StringVar(&g.grade, "grade", "", "gold grade, g/t")
	f.StringVar(&g.topSize, "top-size", "", "nominal top size (95 % passing), mm")
	f.StringVar(&g.liberation, "liberation", "", "size at which the gold is free, um; absent: all is free (the careful case)")
	f.StringVar(&g.lot, "lot", "", "mass of the lot sampled, kg; absent: large")
	f.Float64Var(&g.shape, "shape", sampling.UsualShape, "shape factor: 0.5 usual, 0.2 flaky gold")
	f.Float64Var(&g.sizeRange, "size-range", 0.25, "size-range factor: 0.25 for all sizes below the top, 0.5 for a close range")
	f.Float64Var(&g.exponent, "exponent", 1.5, "liberation exponent: 1.5 for gold, 0.5 for base metals")
	f.Float64Var(&g.dense, "gold-density", sampling.GoldDensity, "density of the gold, g/cm3")
}

// ore turns the flags into Gy's factors and the lot's mass in g.
func (g *gyFlags) ore() (o sampling.Ore, lotG float64, err error) {
	grade, err := typed("grade", g.grade, "g/t")
	if err != nil {
		return o, 0, err
	}
	top, err := typed("top-size", g.topSize, "mm")
	if err != nil {
		return o, 0, err
	}
	o = sampling.Ore{TopSizeCm: top / 10, Shape: g.shape, SizeRange: g.sizeRange, Liberation: 1}
	if o.Mineralogical, err = sampling.GoldFactor(grade, g.dense); err != nil {
		return o, 0, err
	}
	if g.liberation != "" {
		um, err := typed("liberation", g.liberation, "um")
		if err != nil {
			return o, 0, err
		}
		if o.Liberation, err = sampling.LiberationFactor(um/1e4, o.TopSizeCm, g.exponent); err != nil {
			return o, 0, err
		}
	}
	lotG = math.Inf(1)
	if g.lot != "" {
		kg, err := typed("lot", g.lot, "kg")
		if err != nil {
			return o, 0, err
		}
		lotG = 1000 * kg
	}
	return o, lotG, nil
}

const gySource = "Source: Gy's formula s^2 = f g c l d^3 (1/Ms - 1/ML), c = density/grade, l = (liberation/top size)^1.5 (the usual choice for gold)."

func newSamplingErrorCmd() *cobra.Command {
	var g gyFlags
	var mass, grain string
	var free float64
	return samplingCommand("error --mass 1 --grade 5 --top-size 0.6",
		"The error that a sample of a given mass leaves",
		"Error gives the fundamental sampling error of a gold sample (Gy), as a relative standard\ndeviation, and, if the usual size of the gold grains is known, what their number leaves open.\n\n"+gySource+"\nGrains: Poisson; 20 grains in the sample is the usual least.",
		"  decktrim sampling error --mass '30 g' --grade 5 --top-size '0.106 mm' --shape 0.2\n  decktrim sampling error --mass 1 --grade 5 --top-size 0.6 --liberation 150 --grain '0.5 mm'",
		func(cmd *cobra.Command) {
			g.add(cmd)
			cmd.Flags().StringVar(&mass, "mass", "", "sample mass, kg")
			cmd.Flags().StringVar(&grain, "grain", "", "diameter of the usual gold grain, um (optional)")
			cmd.Flags().Float64Var(&free, "free-share", 1, "share of the gold that is free grains, 0 to 1")
		},
		func() (*answer, error) {
			kg, err := typed("mass", mass, "kg")
			if err != nil {
				return nil, err
			}
			ore, lot, err := g.ore()
			if err != nil {
				return nil, err
			}
			rsd, err := ore.FundamentalRSD(1000*kg, lot)
			if err != nil {
				return nil, err
			}
			a := &answer{Figures: map[string]any{"sample_kg": kg, "fundamental_rsd_pct": 100 * rsd}}
			a.say("A sample of %s has a fundamental error of %s %% (relative standard deviation).", units.Format(kg, "kg", units.Metric, 3), units.Number(100*rsd, 2))
			if rsd > 0.3 {
				a.say("At such an error samples are skewed: most read low, a few very high. Take a heavier sample or crush finer first.")
			} else {
				a.say("About 95 in 100 such samples read within %s %% of the truth, if everything else is right.", units.Number(196*rsd, 2))
			}
			if grain == "" {
				return a, nil
			}
			um, err := typed("grain", grain, "um")
			if err != nil {
				return nil, err
			}
			mg, err := sampling.GrainMg(um/1000, 1, g.dense)
			if err != nil {
				return nil, err
			}
			grade, err := typed("grade", g.grade, "g/t")
			if err != nil {
				return nil, err
			}
			n, err := sampling.Grains(kg, grade, free, mg)
			if err != nil {
				return nil, err
			}
			c, err := sampling.CountOf(n)
			if err != nil {
				return nil, err
			}
			a.Figures["grains"], a.Figures["grains_lower"], a.Figures["grains_upper"] = c.Mean, c.Lower, c.Upper
			a.Figures["grain_rsd_pct"], a.Figures["chance_of_none_pct"] = 100*c.RSD, 100*c.NoneProb
			a.say("It holds about %s gold grains of that size, and 9 samples in 10 hold %.0f to %.0f: %s %% from their number alone. Chance of none at all: %s %%.",
				units.Number(c.Mean, 2), c.Lower, c.Upper, units.Number(100*c.RSD, 2), units.Number(100*c.NoneProb, 2))
			return a, nil
		})
}

func newSamplingMassCmd() *cobra.Command {
	var g gyFlags
	var want float64
	return samplingCommand("mass --want-pct 10 --grade 5 --top-size 0.6",
		"The sample mass that gives a wanted error",
		"Mass gives the least sample whose fundamental error (relative standard deviation) is the\nwanted one.\n\n"+gySource,
		"  decktrim sampling mass --want-pct 10 --grade 5 --top-size '0.6 mm' --liberation '150 um'\n  decktrim sampling mass --want-pct 5 --grade '0.15 oz/short ton' --top-size 19 --lot '20 t' --format json",
		func(cmd *cobra.Command) {
			g.add(cmd)
			cmd.Flags().Float64Var(&want, "want-pct", 10, "wanted relative standard deviation, per cent")
		},
		func() (*answer, error) {
			ore, lot, err := g.ore()
			if err != nil {
				return nil, err
			}
			mass, err := ore.MassForRSD(want/100, lot)
			if err != nil {
				return nil, err
			}
			a := &answer{Figures: map[string]any{"want_rsd_pct": want, "sample_kg": mass / 1000}}
			a.say("For a fundamental error of %s %% the sample must weigh at least %s (dry).", units.Number(want, 3), units.Format(mass/1000, "kg", units.Metric, 3))
			a.say("Keep that mass until the sample is crushed finer: dividing it early brings the error back. The mass needed falls with the top size.")
			return a, nil
		})
}

func newSamplingRecoveryCmd() *cobra.Command {
	var tailings, grain string
	var recovery, share, grainMg, free, prep, assay, want float64
	var masses []string
	return samplingCommand("recovery --recovery 78.6 --tailings 2.02 --grain-mg 0.627",
		"The standard error of recovery that one tailings sample leaves",
		`Recovery says what recovery will be worth, in percentage points, from one tailings
sample of each mass. It counts gold grains in the sample, preparation and assay.

Careful case: everything not counted is taken as tailings, s.e. = R (1 - R) rsd. With
--tailings-share (the metal in the tailings alone, middlings kept, weighed and
assayed): s.e. = R share rsd. rsd^2 = f m/(a M) + preparation^2 + assay^2 + (0.02/a)^2,
m the gold-mass-weighted mean grain mass, a the tailings grade, M the sample mass.`,
		"  decktrim sampling recovery --recovery 78.6 --tailings 2.02 --grain-mg 0.627\n  decktrim sampling recovery --recovery 78.6 --tailings 2.02 --grain '230 um' --mass 1 --mass 5 --want-points 3 --format json",
		func(cmd *cobra.Command) {
			f := cmd.Flags()
			f.Float64Var(&recovery, "recovery", 0, "expected recovery, per cent")
			f.StringVar(&tailings, "tailings", "", "expected tailings grade, g/t")
			f.Float64Var(&grainMg, "grain-mg", 0, "gold-mass-weighted mean mass of a free grain, mg")
			f.StringVar(&grain, "grain", "", "in place of --grain-mg: diameter of such a grain, um (half a sphere's volume is taken)")
			f.Float64Var(&share, "tailings-share", 0, "metal in the tailings alone, per cent of feed; absent: careful case")
			f.Float64Var(&free, "free-share", 0.7, "share of the tailings' gold that is free grains, 0 to 1")
			f.Float64Var(&prep, "preparation-pct", 6, "preparation error, relative standard deviation, per cent")
			f.Float64Var(&assay, "assay-pct", 5, "assay error, relative standard deviation, per cent (0.02 g/t is added)")
			f.StringArrayVar(&masses, "mass", []string{"1", "3", "10"}, "sample mass, kg (repeatable)")
			f.Float64Var(&want, "want-points", 0, "also: the mass that gives this standard error, points")
		},
		func() (*answer, error) {
			a0, err := typed("tailings", tailings, "g/t")
			if err != nil {
				return nil, err
			}
			if grain != "" {
				um, err := typed("grain", grain, "um")
				if err != nil {
					return nil, err
				}
				if grainMg, err = sampling.GrainMg(um/1000, 0.5, 0); err != nil {
					return nil, err
				}
			}
			if !(grainMg > 0) {
				return nil, fmt.Errorf("--grain-mg is missing: give the mass of the usual free gold grain in mg, or --grain with its diameter")
			}
			t := sampling.Tailings{GradeGpt: a0, FreeShare: free, EffectiveGrainMg: grainMg, PreparationRSD: prep / 100, AssayRSD: assay / 100, AssayAddGpt: 0.02}
			left := share / 100
			kind := "metal in the tailings alone uncertain"
			if share == 0 {
				left, kind = 1-recovery/100, "careful: everything not counted taken as tailings"
			}
			type row struct {
				Kg       float64 `json:"sample_kg"`
				SE       float64 `json:"se_points"`
				GrainRSD float64 `json:"grain_rsd_pct"`
				RSD      float64 `json:"tailings_rsd_pct"`
			}
			var rows []row
			a := &answer{}
			a.say("At a recovery of %s %% and tailings of %s (%s), one tailings sample leaves:", units.Number(recovery, 3), units.Format(a0, "g/t", units.Metric, 3), kind)
			for _, m := range masses {
				kg, err := typed("mass", m, "kg")
				if err != nil {
					return nil, err
				}
				e, err := t.Own(recovery/100, left, kg)
				if err != nil {
					return nil, err
				}
				rows = append(rows, row{kg, e.SEPoints, 100 * e.GrainRSD, 100 * e.RSD})
				a.say("  %s: standard error %s points (so 95 %% within about %s points); %s %% from the number of gold grains.",
					units.Format(kg, "kg", units.Metric, 3), units.Number(e.SEPoints, 2), units.Number(1.96*e.SEPoints, 2), units.Number(100*e.GrainRSD, 2))
			}
			a.Figures = map[string]any{"recovery_pct": recovery, "case": kind, "samples": rows}
			if want > 0 {
				kg, err := t.KgForSE(recovery/100, left, want)
				if err != nil {
					return nil, err
				}
				a.Figures["want_points"], a.Figures["want_sample_kg"] = want, kg
				a.say("For %s points: %s of tailings.", units.Number(want, 2), units.Format(kg, "kg", units.Metric, 2))
			}
			return a, nil
		})
}

func newSamplingRunsCmd() *cobra.Command {
	var gain, runSE, confidence, power float64
	var pairs int
	return samplingCommand("runs --run-se 1.5 --gain 2",
		"The paired runs that show a given gain, or the gain that so many pairs show",
		`Runs plans a paired trial: two settings, side by side in the same lot, so that the ore
cancels. With --gain it gives the pairs needed to show it; with --pairs the smallest
gain that so many pairs show. One-sided paired t-test, power from the noncentral t.`,
		"  decktrim sampling runs --run-se 1.5 --gain 2\n  decktrim sampling runs --run-se 1.5 --pairs 8 --format json",
		func(cmd *cobra.Command) {
			f := cmd.Flags()
			f.Float64Var(&gain, "gain", 0, "gain to be shown, percentage points of recovery")
			f.IntVar(&pairs, "pairs", 0, "in place of --gain: number of pairs")
			f.Float64Var(&runSE, "run-se", 0, "standard error of one run's recovery, points")
			f.Float64Var(&confidence, "confidence-pct", 95, "one-sided confidence, per cent")
			f.Float64Var(&power, "power-pct", 80, "chance to see a gain that is there, per cent")
		},
		func() (*answer, error) {
			trial := sampling.Trial{Confidence: confidence / 100, Power: power / 100}
			if !(runSE > 0) {
				return nil, fmt.Errorf("--run-se is missing: give the standard error of one run's recovery in points, above 0 ('sampling recovery' works it out)")
			}
			a := &answer{Figures: map[string]any{"run_se_points": runSE, "confidence_pct": confidence, "power_pct": power}}
			switch {
			case (gain > 0) == (pairs > 0):
				return nil, fmt.Errorf("give either --gain (points) or --pairs, above 0")
			case gain > 0:
				n, err := trial.PairsFor(gain, runSE)
				if err != nil {
					return nil, err
				}
				a.Figures["gain_points"], a.Figures["pairs"], a.Figures["runs"] = gain, n, 2*n
				a.say("To show a gain of %s points at %s points a run: %d pairs (%d runs), with %s %% confidence and %s %% chance to see it.",
					units.Number(gain, 3), units.Number(runSE, 3), n, 2*n, units.Number(confidence, 3), units.Number(power, 3))
			default:
				d, err := trial.SmallestGain(pairs)
				if err != nil {
					return nil, err
				}
				points := d * runSE * math.Sqrt2
				a.Figures["pairs"], a.Figures["runs"], a.Figures["smallest_gain_points"] = pairs, 2*pairs, points
				a.say("%d pairs (%d runs) at %s points a run show a gain of %s points or more, with %s %% confidence and %s %% chance to see it.",
					pairs, 2*pairs, units.Number(runSE, 3), units.Number(points, 2), units.Number(confidence, 3), units.Number(power, 3))
			}
			a.say("Pair the runs inside a lot, in ABBA order: between lots the ore differs more than the settings.")
			return a, nil
		})
}

func newSamplingCutsCmd() *cobra.Command {
	var cutRSD, want float64
	var flow, opening, speed, topSize string
	return samplingCommand("cuts --cut-rsd-pct 30 --want-pct 5",
		"The number of cuts (increments) for a wanted error, and whether the cutter is fit",
		`Cuts gives the number of increments that brings the scatter of single cuts down to the
wanted error (rsd/sqrt n, cuts spread over the whole spell). With the cutter's opening
and speed it also gives the mass of a cut and checks the opening (at least 3 times the
top size, and 10 mm) and the speed (at most 0.6 m/s). Keep hands and clothing clear of
moving belts and cutters; cut from a safe stand, and follow the site's own rules.`,
		"  decktrim sampling cuts --cut-rsd-pct 30 --want-pct 5\n  decktrim sampling cuts --cut-rsd-pct 30 --want-pct 5 --flow 8 --opening '12 mm' --speed 0.4 --top-size 0.8",
		func(cmd *cobra.Command) {
			f := cmd.Flags()
			f.Float64Var(&cutRSD, "cut-rsd-pct", 0, "scatter of single cuts, relative standard deviation, per cent")
			f.Float64Var(&want, "want-pct", 5, "wanted relative standard deviation, per cent")
			f.StringVar(&flow, "flow", "", "all that falls, pulp or wet ore, t/h (optional, with the next three)")
			f.StringVar(&opening, "opening", "", "cutter opening, mm")
			f.StringVar(&speed, "speed", "", "cutter speed, m/s")
			f.StringVar(&topSize, "top-size", "", "nominal top size, mm")
		},
		func() (*answer, error) {
			if !(cutRSD > 0) {
				return nil, fmt.Errorf("--cut-rsd-pct is missing: assay ten cuts of one spell once; their relative standard deviation is it")
			}
			n, err := sampling.Increments(cutRSD/100, want/100)
			if err != nil {
				return nil, err
			}
			a := &answer{Figures: map[string]any{"cuts": n, "cut_rsd_pct": cutRSD, "want_rsd_pct": want}}
			a.say("%d cuts, evenly spread over the spell, bring a scatter of %s %% a cut down to %s %%.", n, units.Number(cutRSD, 2), units.Number(want, 2))
			if flow == "" {
				return a, nil
			}
			values := make([]float64, 4)
			for i, f := range []struct{ flag, text, unit string }{{"flow", flow, "t/h"}, {"opening", opening, "mm"}, {"speed", speed, "m/s"}, {"top-size", topSize, "mm"}} {
				if values[i], err = typed(f.flag, f.text, f.unit); err != nil {
					return nil, err
				}
			}
			c, err := sampling.CutterOf(values[0], values[1], values[2], values[3])
			if err != nil {
				return nil, err
			}
			a.Figures["increment_kg"], a.Figures["sample_kg"], a.Figures["least_opening_mm"] = c.IncrementKg, float64(n)*c.IncrementKg, c.LeastMm
			a.Figures["warnings"] = append([]string{}, c.Warnings...)
			a.say("Each cut takes about %s, the sample %s.", units.Format(c.IncrementKg, "kg", units.Metric, 2), units.Format(float64(n)*c.IncrementKg, "kg", units.Metric, 2))
			for _, w := range c.Warnings {
				a.say("Note: %s.", w)
			}
			return a, nil
		})
}
