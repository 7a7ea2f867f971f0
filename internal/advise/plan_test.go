package advise

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"decktrim/internal/plant"
)

// The table of smallest gains, in sd of one paired difference, for one-sided 95 %
// and power 80 %: computed from the noncentral t with another program.
func TestSmallestGain(t *testing.T) {
	const printed = 0.006 // the table has two decimals, the first entry one
	for pairs, want := range map[int]float64{4: 1.65, 6: 1.19, 8: 0.98, 12: 0.77, 16: 0.65, 24: 0.52} {
		require.InDelta(t, want, SmallestGain(pairs, 0.95, 0.8), printed, "%d pairs", pairs)
	}
	require.InDelta(t, 5.8, SmallestGain(2, 0.95, 0.8), 0.06)
	require.True(t, math.IsInf(SmallestGain(1, 0.95, 0.8), 1))
	// With many pairs the normal rules: (z.95 + z.80)/sqrt n.
	require.InEpsilon(t, (1.6448536+0.8416212)/math.Sqrt(400), SmallestGain(400, 0.95, 0.8), 0.005)
}

func TestBlockSizes(t *testing.T) {
	for _, c := range []struct {
		n, most int
		blocks  []int
		left    int
	}{{4, 8, []int{4}, 0}, {6, 8, []int{6}, 0}, {6, 5, []int{4}, 2}, {7, 8, []int{6}, 1}, {10, 8, []int{4, 6}, 0}, {16, 8, []int{4, 4, 4, 4}, 0}} {
		blocks, left := blockSizes(c.n, c.most)
		require.Equal(t, c.blocks, blocks)
		require.Equal(t, c.left, left)
	}
}

// checkPlan asserts what every plan must keep: bounds, test steps, pairs in blocks
// of 4 to 8 with as many A as B, no drift left in a block of 4.
func checkPlan(t *testing.T, p *plant.Plant, pl Plan) {
	t.Helper()
	sums := map[string][3]int{}
	for i, r := range pl.Runs {
		s := sums[r.Block]
		if r.Arm == "B" {
			s[1]++
			s[2] += i
		} else {
			s[0]++
			s[2] -= i
		}
		sums[r.Block] = s
	}
	for block, s := range sums {
		require.Equal(t, s[0], s[1], block)
		require.Contains(t, []int{4, 6, 8}, s[0]+s[1])
		if s[0] == 2 {
			require.Zero(t, s[2], "a straight drift must cancel")
		}
	}
	if pl.B == nil {
		return
	}
	for _, s := range p.Settings {
		require.GreaterOrEqual(t, pl.B[s.Name], s.Min)
		require.LessOrEqual(t, pl.B[s.Name], s.Max)
		most := s.MaxMove
		if s.MaxMoveTest != nil {
			most = *s.MaxMoveTest
		}
		require.LessOrEqual(t, math.Abs(pl.B[s.Name]-pl.A[s.Name]), most+1e-9)
	}
}

func TestMakePlan(t *testing.T) {
	w := truths()[0]
	l := newLoop(w, 3)
	l.p.Mill.NominalFeed = 2
	o := PlanOptions{Source: "Quillback Reef", Count: 16}
	t.Run("runs, pairs, order, what it shows", func(t *testing.T) {
		pl, err := MakePlan(l.p, l.all, o)
		require.NoError(t, err)
		require.Len(t, pl.Runs, 16)
		checkPlan(t, l.p, pl)
		require.Equal(t, 8, pl.SmallestGain.Pairs)
		require.InDelta(t, 0.98*math.Sqrt2*runError, pl.SmallestGain.Points, 0.02)
		require.Equal(t, 20.0, pl.Hours)
		require.Equal(t, 40.0, *pl.Tonnes)
		again, err := MakePlan(l.p, l.all, o)
		require.NoError(t, err)
		require.Equal(t, pl, again)
	})
	t.Run("lots", func(t *testing.T) {
		pl, err := MakePlan(l.p, l.all, PlanOptions{Source: "Quillback Reef", Count: 16, LotTonnes: 22})
		require.NoError(t, err)
		require.Equal(t, 2, *pl.Lots)
		checkPlan(t, l.p, pl)
		pl, err = MakePlan(l.p, l.all, PlanOptions{Source: "Quillback Reef", Count: 16, LotTonnes: 9})
		require.NoError(t, err)
		require.Empty(t, pl.Runs)
		require.Contains(t, pl.Reasons[0], "a lot of 9 t holds 3 runs")
	})
	t.Run("a small poor lot is not worth it", func(t *testing.T) {
		p := *l.p
		p.Value = &plant.Value{MetalPrice: 80, AssayCost: 30, AssaysPerRun: 4}
		p.OreSources = []plant.OreSource{{Name: "Quillback Reef", TonnesLeft: ptr(60.0), HeadGrade: ptr(2.0)}}
		pl, err := MakePlan(&p, l.all, o)
		require.NoError(t, err)
		require.Empty(t, pl.Runs)
		require.False(t, pl.WorthTesting.Answer)
		require.Less(t, *pl.WorthTesting.GainValue, *pl.WorthTesting.Cost)
		p.OreSources[0].TonnesLeft, p.OreSources[0].HeadGrade = ptr(20000.0), ptr(10.0)
		pl, err = MakePlan(&p, l.all, o)
		require.NoError(t, err)
		require.Len(t, pl.Runs, 16)
		p.OreSources[0].OwnerConsentsToTests = ptr(false)
		pl, err = MakePlan(&p, l.all, o)
		require.NoError(t, err)
		require.Empty(t, pl.Runs)
	})
	t.Run("no run of the ore", func(t *testing.T) {
		p := *l.p
		p.Settings = append([]plant.Setting(nil), l.p.Settings...)
		for i := range p.Settings {
			p.Settings[i].Present = ptr(p.Settings[i].Min + 5*p.Settings[i].Resolution)
		}
		pl, err := MakePlan(&p, nil, o)
		require.NoError(t, err)
		require.Len(t, pl.Runs, 16)
		checkPlan(t, &p, pl)
		require.Nil(t, pl.Gain.Mean)
	})
	t.Run("refuses", func(t *testing.T) {
		for _, bad := range []PlanOptions{{Source: "x", Count: 3}, {Count: 8}, {Source: "x", Count: 8, LotTonnes: math.NaN()}} {
			_, err := MakePlan(l.p, l.all, bad)
			require.Error(t, err)
		}
	})
}
