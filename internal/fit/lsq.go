package fit

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/mat"
)

// errRank says that the columns given to leastSquares are not independent.
var errRank = errors.New("the terms cannot be told apart with these runs")

// solution is a weighted least-squares fit of y on the columns of a matrix with n
// rows and p columns. Sums are weighted: rss = sum w (y - Xb)^2.
type solution struct {
	b         []float64  // coefficients, p
	unscaled  *mat.Dense // (X'WX)^-1, p by p: times a variance it is the covariance of b
	residuals []float64  // y - Xb, n
	leverage  []float64  // diagonal of the hat matrix of the weighted problem, n
	rss       float64
	df        int // n - p
}

// leastSquares minimises sum w_i (y_i - x_i b)^2 by Householder QR of the rows
// scaled by sqrt(w) and of the columns scaled to unit length, never by normal
// equations. w nil is all ones; weights must be positive. Source: Golub and Van
// Loan, Matrix Computations, chapter 5 (from memory).
func leastSquares(x *mat.Dense, y, w []float64) (solution, error) {
	n, p := x.Dims()
	if n < p || p == 0 {
		return solution{}, errRank
	}
	a := mat.NewDense(n, p, nil)
	rhs := mat.NewVecDense(n, nil)
	for i := range n {
		s := 1.0
		if w != nil {
			s = math.Sqrt(w[i])
		}
		for j := range p {
			a.Set(i, j, s*x.At(i, j))
		}
		rhs.SetVec(i, s*y[i])
	}
	scale := make([]float64, p)
	for j := range p {
		scale[j] = mat.Norm(a.ColView(j), 2)
		if scale[j] == 0 {
			return solution{}, errRank
		}
		for i := range n {
			a.Set(i, j, a.At(i, j)/scale[j])
		}
	}
	var qr mat.QR
	qr.Factorize(a)
	var r, q mat.Dense
	qr.RTo(&r)
	qr.QTo(&q)
	top := r.Slice(0, p, 0, p)
	for j := range p {
		if math.Abs(top.At(j, j)) < 1e-15 {
			return solution{}, errRank
		}
	}
	upper := mat.NewTriDense(p, mat.Upper, nil)
	for i := range p {
		for j := i; j < p; j++ {
			upper.SetTri(i, j, top.At(i, j))
		}
	}
	thin := q.Slice(0, n, 0, p)
	var qty, beta mat.VecDense
	qty.MulVec(thin.T(), rhs)
	var inv mat.TriDense
	if err := inv.InverseTri(upper); err != nil && !conditionOnly(err) {
		return solution{}, errRank
	}
	if err := beta.SolveVec(upper, &qty); err != nil && !conditionOnly(err) {
		return solution{}, errRank
	}
	s := solution{b: make([]float64, p), residuals: make([]float64, n), leverage: make([]float64, n), df: n - p}
	for j := range p {
		s.b[j] = beta.AtVec(j) / scale[j]
	}
	var unscaled mat.Dense
	unscaled.Mul(&inv, inv.T())
	for i := range p {
		for j := range p {
			unscaled.Set(i, j, unscaled.At(i, j)/(scale[i]*scale[j]))
		}
	}
	s.unscaled = &unscaled
	for i := range n {
		fitted := 0.0
		for j := range p {
			fitted += x.At(i, j) * s.b[j]
			s.leverage[i] += q.At(i, j) * q.At(i, j)
		}
		s.residuals[i] = y[i] - fitted
		s.rss += weight(w, i) * s.residuals[i] * s.residuals[i]
	}
	return s, nil
}

// conditionOnly is true for gonum's warning that a matrix is badly conditioned:
// the answer is there, and the rank was judged before.
func conditionOnly(err error) bool {
	var c mat.Condition
	return errors.As(err, &c) && !math.IsInf(float64(c), 0)
}

func weight(w []float64, i int) float64 {
	if w == nil {
		return 1
	}
	return w[i]
}

// estimable picks, from the left, the columns that are not linear combinations of
// those picked before: a column is dropped if what is left of it after projection
// is below tol of its length. It also says of which picked columns each dropped
// one is made (those with a share above 1e-6), for the warning.
func estimable(x *mat.Dense, tol float64) (kept, dropped []int, madeOf map[int][]int) {
	n, p := x.Dims()
	madeOf = map[int][]int{}
	var basis [][]float64
	for j := range p {
		col := mat.Col(nil, j, x)
		length := norm(col)
		for range 2 { // twice is enough to stay orthogonal (Kahan and Parlett)
			for _, q := range basis {
				d := dot(q, col)
				for i := range col {
					col[i] -= d * q[i]
				}
			}
		}
		if rest := norm(col); length > 0 && len(kept) < n && rest > tol*length {
			for i := range col {
				col[i] /= rest
			}
			basis = append(basis, col)
			kept = append(kept, j)
			continue
		}
		dropped = append(dropped, j)
		if length > 0 && len(kept) > 0 {
			sub := mat.NewDense(n, len(kept), nil)
			for k, c := range kept {
				sub.SetCol(k, mat.Col(nil, c, x))
			}
			if s, err := leastSquares(sub, mat.Col(nil, j, x), nil); err == nil {
				for k, c := range kept {
					if math.Abs(s.b[k]) > 1e-6 {
						madeOf[j] = append(madeOf[j], c)
					}
				}
			}
		}
	}
	return kept, dropped, madeOf
}

func dot(a, b []float64) float64 {
	s := 0.0
	for i := range a {
		s += a[i] * b[i]
	}
	return s
}

func norm(a []float64) float64 {
	s := 0.0
	for _, v := range a {
		s = math.Hypot(s, v)
	}
	return s
}
