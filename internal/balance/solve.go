package balance

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/mat"
)

// product is one term of a balance: coefficient times one variable or two. j is -1
// for a term in one variable.
type product struct {
	coefficient float64
	i, j        int
}

// equation is one balance: its terms and a constant add to zero.
type equation struct {
	terms    []product
	constant float64
}

// problem is a set of measurements that equations tie together. A variable that is
// not measured has an infinite sd. With logs the solver works in the logarithm of
// every variable, so that none can turn negative.
type problem struct {
	y, sd     []float64 // natural units
	equations []equation
	logs      bool
}

// solution is the least adjustment that closes every equation.
type solution struct {
	x          []float64  // adjusted, natural units
	cov        *mat.Dense // of x
	determined []bool     // whether the measurements fix the variable at all
	chiSquare  float64
	freedom    int // redundant measurements

	work *linear // the equations at the solution, for resampling
}

// linear is the problem at one point: how a small change of the measurements moves
// the answer, and how a point off the equations is brought back onto them.
type linear struct {
	gain   *mat.Dense // variables by variables: dx/dy (zero columns where not measured)
	back   *mat.Dense // variables by equations: -C^+, brings x back
	free   *mat.Dense // variables by free directions that measurements fix, over their singular values
	loose  *mat.Dense // variables by directions that no measurement fixes
	redund int
}

var errNoConvergence = errors.New("the balance does not settle on an answer: check for a wrong unit or a swapped sample")

// Relative sizes below which a singular value counts as zero: of the equations, whose
// rows and columns are scaled to about one, and of the weighted free directions.
const (
	rankTolerance = 1e-10
	maxIterations = 300
	settled       = 1e-13 // relative step at which the iteration stops
)

// solve minimises the sum of squared (adjustment / sd) under the equations, by
// successive linearisation (Gauss-Newton on the constraints). Each step satisfies
// Lagrange's conditions of the linearised problem in their null-space form: the
// multipliers are eliminated, which also copes with unmeasured variables and with
// equations that follow from each other. At rest the conditions of the full bilinear
// problem hold.
//
// start is in natural units and must be positive with logs.
func (p *problem) solve(start []float64) (*solution, error) {
	n := len(p.y)
	x, y, sd := p.inside(start)
	last, damp := math.Inf(1), 1.0
	for range maxIterations {
		scale := p.scales(x, sd)
		l, ok := p.linearise(x, y, sd, scale)
		if !ok {
			return nil, errNoConvergence
		}
		step := p.step(l, x, y, 1)
		largest := 0.0
		for i := range n {
			largest = math.Max(largest, math.Abs(step[i])/scale[i])
		}
		if !(largest < 1e8) { // also NaN
			return nil, errNoConvergence
		}
		// Strong curvature (a large misfit) can make full steps swing to and fro without
		// end; shorter ones then settle.
		if largest > 0.9*last && largest > settled {
			damp = math.Max(damp/2, 1.0/64)
		}
		last = largest
		length := damp
		if p.logs {
			length = math.Min(damp, 1/largest) // no quantity changes more than e-fold in one step
		}
		for i := range n {
			x[i] += length * step[i]
		}
		if largest < settled {
			return p.finish(x, y, sd)
		}
	}
	// Rounding can keep the step just above the limit; what closes is accepted.
	return p.finish(x, y, sd)
}

// inside returns the working variables: natural, or logarithms with the sd that a
// lognormal error of that relative size has.
func (p *problem) inside(start []float64) (x, y, sd []float64) {
	n := len(p.y)
	x, y, sd = append([]float64(nil), start...), append([]float64(nil), p.y...), append([]float64(nil), p.sd...)
	if !p.logs {
		return x, y, sd
	}
	for i := range n {
		x[i] = math.Log(start[i])
		if !math.IsInf(sd[i], 0) {
			sd[i] = logSD(p.sd[i], p.y[i])
			y[i] = math.Log(p.y[i])
		}
	}
	return x, y, sd
}

// logSD is the standard deviation of the logarithm of a lognormal quantity whose mean
// and standard deviation are given.
func logSD(sd, mean float64) float64 { return math.Sqrt(math.Log1p(sd * sd / (mean * mean))) }

func (p *problem) scales(x, sd []float64) []float64 {
	scale := make([]float64, len(x))
	for i := range scale {
		switch {
		case p.logs:
			scale[i] = 1
		case !math.IsInf(sd[i], 0):
			scale[i] = math.Max(math.Abs(x[i]), sd[i])
		default:
			scale[i] = math.Max(math.Abs(x[i]), 1e-12)
		}
	}
	return scale
}

// natural turns a working variable into its natural value.
func (p *problem) natural(v float64) float64 {
	if p.logs {
		return math.Exp(v)
	}
	return v
}

// imbalance is what each equation lacks at x (working variables).
func (p *problem) imbalance(x []float64) []float64 {
	g := make([]float64, len(p.equations))
	for e, eq := range p.equations {
		g[e] = eq.constant
		for _, t := range eq.terms {
			v := t.coefficient * p.natural(x[t.i])
			if t.j >= 0 {
				v *= p.natural(x[t.j])
			}
			g[e] += v
		}
	}
	return g
}

// closed reports whether natural values satisfy every equation to rounding.
func (p *problem) closed(x []float64) bool {
	for _, eq := range p.equations {
		sum, size := eq.constant, math.Abs(eq.constant)
		for _, t := range eq.terms {
			v := t.coefficient * x[t.i]
			if t.j >= 0 {
				v *= x[t.j]
			}
			sum += v
			size = math.Max(size, math.Abs(v))
		}
		if !(math.Abs(sum) <= 1e-9*size) {
			return false
		}
	}
	return true
}

// linearise factors the equations and the weighted measurements at x.
func (p *problem) linearise(x, y, sd, scale []float64) (*linear, bool) {
	n, m := len(x), len(p.equations)
	c := mat.NewDense(m, n, nil)
	for e, eq := range p.equations {
		for _, t := range eq.terms {
			vi := p.natural(x[t.i])
			if t.j < 0 {
				d := t.coefficient
				if p.logs {
					d *= vi
				}
				c.Set(e, t.i, c.At(e, t.i)+d*scale[t.i])
				continue
			}
			vj := p.natural(x[t.j])
			di, dj := t.coefficient*vj, t.coefficient*vi
			if p.logs {
				di, dj = di*vi, dj*vj
			}
			c.Set(e, t.i, c.At(e, t.i)+di*scale[t.i])
			c.Set(e, t.j, c.At(e, t.j)+dj*scale[t.j])
		}
	}
	rowScale := make([]float64, m)
	for e := range m {
		size := mat.Norm(c.RowView(e), 2)
		if !(size > 0) || math.IsInf(size, 0) {
			return nil, false
		}
		rowScale[e] = 1 / size
		for i := range n {
			c.Set(e, i, c.At(e, i)/size)
		}
	}
	var svd mat.SVD
	if !svd.Factorize(c, mat.SVDFull) {
		return nil, false
	}
	values := svd.Values(nil)
	rank := 0
	for rank < len(values) && values[rank] > rankTolerance*values[0] {
		rank++
	}
	var u, v mat.Dense
	svd.UTo(&u)
	svd.VTo(&v)

	l := &linear{back: mat.NewDense(n, m, nil), gain: mat.NewDense(n, n, nil)}
	for i := range n {
		for e := range m {
			sum := 0.0
			for k := range rank {
				sum -= v.At(i, k) * u.At(e, k) / values[k]
			}
			l.back.Set(i, e, scale[i]*sum*rowScale[e])
		}
	}
	measured := 0
	for i := range n {
		if !math.IsInf(sd[i], 0) {
			measured++
		}
	}
	l.redund = measured
	free := n - rank
	if free == 0 {
		return l, true
	}
	// Free directions, weighted where measured.
	w := mat.NewDense(n, free, nil)
	for i := range n {
		for k := range free {
			if !math.IsInf(sd[i], 0) {
				w.Set(i, k, v.At(i, rank+k)*scale[i]/sd[i])
			}
		}
	}
	var inner mat.SVD
	if !inner.Factorize(w, mat.SVDThin) {
		return nil, false
	}
	fixed := inner.Values(nil)
	var iu, iv mat.Dense
	inner.UTo(&iu)
	inner.VTo(&iv)
	q := 0
	for q < len(fixed) && fixed[q] > rankTolerance*math.Max(fixed[0], 1) {
		q++
	}
	l.redund = measured - q
	if q > 0 {
		l.free = mat.NewDense(n, q, nil)
	}
	if q < free {
		l.loose = mat.NewDense(n, free-q, nil)
	}
	for i := range n {
		for k := range free {
			sum := 0.0
			for j := range free {
				sum += v.At(i, rank+j) * iv.At(j, k)
			}
			if k < q {
				l.free.Set(i, k, scale[i]*sum/fixed[k])
			} else {
				l.loose.Set(i, k-q, sum) // relative to scale, only compared with zero
			}
		}
	}
	for i := range n {
		for j := range n {
			if math.IsInf(sd[j], 0) {
				continue
			}
			sum := 0.0
			for k := range q {
				sum += l.free.At(i, k) * iu.At(j, k)
			}
			l.gain.Set(i, j, sum/sd[j])
		}
	}
	return l, true
}

// step moves x to the best point of the linearised problem. towards scales the pull
// of the measurements: 0 only brings x back onto the equations.
func (p *problem) step(l *linear, x, y []float64, towards float64) []float64 {
	n := len(x)
	g := p.imbalance(x)
	step := make([]float64, n)
	for i := range n {
		for e, c := range l.back.RawRowView(i) { // row views: this is the resampling's inner loop
			step[i] += c * g[e]
		}
	}
	if towards == 0 {
		return step
	}
	miss := make([]float64, n)
	for j := range n {
		miss[j] = towards * (y[j] - x[j] - step[j])
		if math.IsInf(p.sd[j], 0) {
			miss[j] = 0
		}
	}
	for i := range n {
		sum := 0.0
		for j, c := range l.gain.RawRowView(i) {
			sum += c * miss[j]
		}
		step[i] += sum
	}
	return step
}

func (p *problem) finish(x, y, sd []float64) (*solution, error) {
	n := len(x)
	scale := p.scales(x, sd)
	l, ok := p.linearise(x, y, sd, scale)
	if !ok {
		return nil, errNoConvergence
	}
	s := &solution{x: make([]float64, n), cov: mat.NewDense(n, n, nil), determined: make([]bool, n), freedom: l.redund, work: l}
	if l.free != nil {
		s.cov.Mul(l.free, l.free.T())
	}
	for i := range n {
		s.x[i] = p.natural(x[i])
		if v := s.cov.At(i, i); math.IsNaN(s.x[i]+v) || math.IsInf(s.x[i]+v, 0) {
			return nil, errNoConvergence
		}
		s.determined[i] = true
		if l.loose != nil {
			s.determined[i] = mat.Norm(l.loose.RowView(i), 2) < 1e-6
		}
		if !math.IsInf(sd[i], 0) {
			z := (y[i] - x[i]) / sd[i]
			s.chiSquare += z * z
		}
	}
	if !p.closed(s.x) {
		return nil, errNoConvergence
	}
	if s.freedom == 0 {
		s.chiSquare = 0 // nothing is adjusted; what is left is rounding
	}
	if p.logs { // back to natural units, first order
		for i := range n {
			for j := range n {
				s.cov.Set(i, j, s.cov.At(i, j)*s.x[i]*s.x[j])
			}
		}
	}
	return s, nil
}

// resolve answers the same problem for other measurements near the first ones, with
// the factors at the first solution kept: the linear answer, then brought back onto
// the equations. It reports false where that does not settle.
func (p *problem) resolve(s *solution, measured []float64) ([]float64, bool) {
	other := problem{y: measured, sd: p.sd, equations: p.equations, logs: p.logs}
	x, y, _ := other.inside(s.x)
	towards := 1.0
	natural := make([]float64, len(x))
	for range 60 {
		step := other.step(s.work, x, y, towards)
		towards = 0
		for i := range x {
			x[i] += step[i]
			natural[i] = p.natural(x[i])
		}
		if p.closed(natural) {
			return natural, true
		}
	}
	return nil, false
}
