package fit

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/pelletier/go-toml/v2"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
)

const testdata = "../../testdata"

// table reads a numeric CSV file with a header into columns by name; lines that
// begin with # are notes.
func table(t testing.TB, path string) (map[string][]float64, map[string][]string) {
	t.Helper()
	f, err := os.Open(filepath.Join(testdata, path))
	require.NoError(t, err)
	defer func() { require.NoError(t, f.Close()) }()
	rd := csv.NewReader(f)
	rd.Comment = '#'
	rows, err := rd.ReadAll()
	require.NoError(t, err)
	numbers, words := map[string][]float64{}, map[string][]string{}
	for _, row := range rows[1:] {
		for j, name := range rows[0] {
			words[name] = append(words[name], row[j])
			v, err := strconv.ParseFloat(row[j], 64)
			if err != nil {
				v = math.NaN()
			}
			numbers[name] = append(numbers[name], v)
		}
	}
	return numbers, words
}

func readTOML(t testing.TB, path string, into any) {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(testdata, path))
	require.NoError(t, err)
	require.NoError(t, toml.Unmarshal(data, into))
}

// TestLeastSquaresOnNISTSets compares with the NIST/ITL StRD certified values (check
// value RG-01, with its tolerances) and prints the digits reached.
func TestLeastSquaresOnNISTSets(t *testing.T) {
	var certified map[string]struct {
		B   []float64 `toml:"b"`
		SD  []float64 `toml:"sd"`
		RSS float64   `toml:"residual_sum_of_squares"`
	}
	readTOML(t, "strd/linear.toml", &certified)
	tolerance := map[string]float64{"wampler1": 1e-8, "wampler3": 1e-8, "wampler4": 1e-6, "wampler5": 1e-4, "filip": 1e-6}
	degree := map[string]int{"norris": 1, "pontius": 2, "filip": 10, "wampler1": 5, "wampler2": 5, "wampler3": 5, "wampler4": 5, "wampler5": 5}
	require.Len(t, certified, 11)
	for name, want := range certified {
		t.Run(name, func(t *testing.T) {
			tol := tolerance[name]
			if tol == 0 {
				tol = 1e-9
			}
			data, _ := table(t, "strd/"+name+".csv")
			y := data["y"]
			x := mat.NewDense(len(y), len(want.B), nil)
			for i := range y {
				for j := range want.B {
					switch {
					case degree[name] > 0:
						x.Set(i, j, math.Pow(data["x"][i], float64(j)))
					case name == "longley" && j == 0:
						x.Set(i, 0, 1)
					case name == "longley":
						x.Set(i, j, data["x"+strconv.Itoa(j)][i])
					default:
						x.Set(i, 0, data["x"][i])
					}
				}
			}
			got, err := leastSquares(x, y, nil)
			require.NoError(t, err)
			digits := 16.0
			for j, b := range want.B {
				err := math.Abs(got.b[j]-b) / math.Abs(b)
				digits = math.Min(digits, -math.Log10(math.Max(err, 1e-16)))
				require.LessOrEqual(t, err, tol, "coefficient %d", j)
				if want.RSS > 0 {
					se := math.Sqrt(got.rss / float64(got.df) * got.unscaled.At(j, j))
					require.InEpsilon(t, want.SD[j], se, math.Max(tol, 1e-7), "standard deviation %d", j)
				}
			}
			t.Logf("%s: %.1f digits", name, digits)
		})
	}
}

// Check value RG-03, Anscombe's first set.
func TestLeastSquaresOnAnscombe(t *testing.T) {
	xs := []float64{10, 8, 13, 9, 11, 14, 6, 4, 12, 7, 5}
	y := []float64{8.04, 6.95, 7.58, 8.81, 8.33, 9.96, 7.24, 4.26, 10.84, 4.82, 5.68}
	x := mat.NewDense(len(y), 2, nil)
	for i := range y {
		x.SetRow(i, []float64{1, xs[i]})
	}
	got, err := leastSquares(x, y, nil)
	require.NoError(t, err)
	const tol = 1e-6 // the printed values have eight digits, some seven
	require.InEpsilon(t, 3.0000909, got.b[0], tol)
	require.InEpsilon(t, 0.50009091, got.b[1], tol)
	s2 := got.rss / float64(got.df)
	require.InEpsilon(t, 1.1247468, math.Sqrt(s2*got.unscaled.At(0, 0)), tol)
	require.InEpsilon(t, 0.1179055, math.Sqrt(s2*got.unscaled.At(1, 1)), tol)
}

// A weight of 2 is the same as the row standing twice.
func TestWeightsAreRepeats(t *testing.T) {
	once, err := leastSquares(mat.NewDense(4, 2, []float64{1, 0, 1, 1, 1, 2, 1, 3}), []float64{1, 2, 4, 3}, []float64{1, 2, 1, 1})
	require.NoError(t, err)
	twice, err := leastSquares(mat.NewDense(5, 2, []float64{1, 0, 1, 1, 1, 1, 1, 2, 1, 3}), []float64{1, 2, 2, 4, 3}, nil)
	require.NoError(t, err)
	const rounding = 1e-12
	require.InDeltaSlice(t, twice.b, once.b, rounding)
	require.InDelta(t, twice.rss, once.rss, rounding)
}

func TestEstimableDropsLaterColumns(t *testing.T) {
	// 1, a, b = a, 2 + 3a, c
	x := mat.NewDense(4, 5, []float64{1, 1, 1, 5, 0, 1, 2, 2, 8, 1, 1, 3, 3, 11, 0, 1, 4, 4, 14, 5})
	kept, dropped, madeOf := estimable(x, 1e-8)
	require.Equal(t, []int{0, 1, 4}, kept)
	require.Equal(t, []int{2, 3}, dropped)
	require.Equal(t, []int{1}, madeOf[2])
	require.Equal(t, []int{0, 1}, madeOf[3])
	_, err := leastSquares(mat.NewDense(1, 2, []float64{1, 2}), []float64{1}, nil)
	require.ErrorIs(t, err, errRank)
}
