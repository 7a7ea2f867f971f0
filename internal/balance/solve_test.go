package balance

import (
	"fmt"
	"math"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"

	"decktrim/internal/checkvalue"
)

func checks(t testing.TB) checkvalue.Set {
	t.Helper()
	data, err := os.ReadFile("../../testdata/check-values/metallurgy.toml")
	require.NoError(t, err)
	set, err := checkvalue.Parse(data)
	require.NoError(t, err)
	return set
}

// linearBalance adds up single variables: positive go in, negative come out (from 1).
func linearBalance(signed ...int) equation {
	var eq equation
	for _, s := range signed {
		if s > 0 {
			eq.terms = append(eq.terms, product{1, s - 1, -1})
		} else {
			eq.terms = append(eq.terms, product{-1, -s - 1, -1})
		}
	}
	return eq
}

// MB-01, MB-02: one stream split in two, each leg through a unit, joined again.
func TestLinearNetwork(t *testing.T) {
	set := checks(t)
	for id, sd := range map[string][]float64{"MB-01": {1, 1, 1, 1, 1, 1}, "MB-02": {1.5, 1, 0.6, 1, 0.6, 2}} {
		t.Run(id, func(t *testing.T) {
			c := set.Get(id)
			p := &problem{sd: sd, equations: []equation{linearBalance(1, -2, -3), linearBalance(2, -4), linearBalance(3, -5), linearBalance(4, 5, -6)}}
			for i := 1; i <= 6; i++ {
				p.y = append(p.y, c.In(fmt.Sprintf("f%d", i)))
			}
			s, err := p.solve(p.y)
			require.NoError(t, err)
			for i := 1; i <= 6; i++ {
				require.NoError(t, c.Compare(fmt.Sprintf("f%d", i), s.x[i-1]))
				if name := fmt.Sprintf("sd_f%d", i); c.Expected[name] != nil {
					require.NoError(t, c.Compare(name, math.Sqrt(s.cov.At(i-1, i-1))))
				}
			}
			require.NoError(t, c.Compare("chi_square", s.chiSquare))
			require.Equal(t, 4, s.freedom)
		})
	}
}

func TestOneNode(t *testing.T) {
	c := checks(t).Get("MB-03")
	p := &problem{
		y: []float64{c.In("inflow"), c.In("out1"), c.In("out2")}, sd: []float64{c.In("sd_in"), c.In("sd_out1"), c.In("sd_out2")},
		equations: []equation{linearBalance(1, -2, -3)},
	}
	s, err := p.solve(p.y)
	require.NoError(t, err)
	for i, name := range []string{"inflow", "out1", "out2"} {
		require.NoError(t, c.Compare(name, s.x[i]))
		require.NoError(t, c.Compare([]string{"sd_in", "sd_out1", "sd_out2"}[i], math.Sqrt(s.cov.At(i, i))))
	}
	require.NoError(t, c.Compare("chi_square", s.chiSquare))
	require.Equal(t, 1, s.freedom)
}

// MB-04: bilinear, two components that sum to one in each of three streams, with a
// gross error in the data: it must still solve, and the chi-square must cry out.
func TestBilinearDistillation(t *testing.T) {
	c := checks(t).Get("MB-04")
	names := []string{"F1", "x11", "x12", "F2", "x21", "x22", "F3", "x31", "x32"}
	p := &problem{sd: c.Ins("sd")}
	for _, n := range names {
		p.y = append(p.y, c.In(n))
	}
	for stream := range 3 {
		sum := linearBalance(3*stream+2, 3*stream+3)
		sum.constant = -1
		p.equations = append(p.equations, sum)
	}
	for component := 1; component <= 2; component++ {
		p.equations = append(p.equations, equation{terms: []product{{1, 0, component}, {-1, 3, 3 + component}, {-1, 6, 6 + component}}})
	}
	s, err := p.solve(p.y)
	require.NoError(t, err)
	for i, n := range names {
		require.NoError(t, c.Compare(n, s.x[i]))
	}
	require.NoError(t, c.Compare("chi_square", s.chiSquare))
	require.Equal(t, int(c.Want("degrees_of_freedom")), s.freedom)
	require.Less(t, distuv.ChiSquared{K: float64(s.freedom)}.Survival(s.chiSquare), 1e-9)

	// The total balance follows from the others: an equation too many changes nothing.
	p.equations = append(p.equations, linearBalance(1, -4, -7))
	again, err := p.solve(p.y)
	require.NoError(t, err)
	require.Equal(t, 5, again.freedom)
	require.InDeltaSlice(t, s.x, again.x, 1e-6)
}

// Lagrange's conditions hold at the answer: the weighted adjustments are a
// combination of the equations' gradients.
func TestLagrangeConditions(t *testing.T) {
	p := &problem{
		y: []float64{1500, 15.2, 1478, 7.4, 610, 1.3}, sd: []float64{45, 0.15, 60, 0.9, 35, 0.15},
		equations: []equation{linearBalance(1, -2, -3), {terms: []product{{1, 0, 3}, {-1, 1, 4}, {-1, 2, 5}}}},
	}
	s, err := p.solve(p.y)
	require.NoError(t, err)
	require.True(t, p.closed(s.x))
	gradients := mat.NewDense(6, 2, nil)
	for i, v := range []float64{1, -1, -1} {
		gradients.Set(i, 0, v)
		gradients.Set(i, 1, v*s.x[3+i])
		gradients.Set(3+i, 1, v*s.x[i])
	}
	pull := mat.NewDense(6, 1, nil)
	for i := range 6 {
		pull.Set(i, 0, (p.y[i]-s.x[i])/(p.sd[i]*p.sd[i]))
	}
	// Scaled by sd so that rows compare.
	for i := range 6 {
		pull.Set(i, 0, pull.At(i, 0)*p.sd[i])
		for k := range 2 {
			gradients.Set(i, k, gradients.At(i, k)*p.sd[i])
		}
	}
	var multipliers, fitted mat.Dense
	require.NoError(t, multipliers.Solve(gradients, pull))
	fitted.Mul(gradients, &multipliers)
	fitted.Sub(&fitted, pull)
	require.Less(t, mat.Norm(&fitted, 2), 1e-8*mat.Norm(pull, 2))
}

func TestSolveSaysWhatIsLoose(t *testing.T) {
	// Two unmeasured outflows of one node: neither can be known.
	p := &problem{y: []float64{100, 0, 0}, sd: []float64{1, math.Inf(1), math.Inf(1)}, equations: []equation{linearBalance(1, -2, -3)}}
	s, err := p.solve([]float64{100, 50, 50})
	require.NoError(t, err)
	require.Equal(t, []bool{true, false, false}, s.determined)
	require.Zero(t, s.freedom)
	require.Zero(t, s.chiSquare)
	// With one of them measured the other follows, with its error.
	p.y[1], p.sd[1] = 60, 2
	s, err = p.solve([]float64{100, 60, 50})
	require.NoError(t, err)
	require.InDelta(t, 40, s.x[2], 1e-9)
	require.InDelta(t, math.Sqrt(5), math.Sqrt(s.cov.At(2, 2)), 1e-9)
	require.Equal(t, []bool{true, true, true}, s.determined)
}

// MB-06 to MB-11: the chi-square that the global test uses.
func TestChiSquareQuantiles(t *testing.T) {
	set := checks(t)
	for id, c := range set {
		if !strings.HasPrefix(id, "MB-") || c.Inputs["df"] == nil {
			continue
		}
		chi := distuv.ChiSquared{K: c.In("df")}
		require.NoError(t, c.Compare("q95", chi.Quantile(0.95)))
		require.NoError(t, c.Compare("q99", chi.Quantile(0.99)))
	}
}
