package spots

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// countingFloor is the smallest width of intervals and thresholds over that of
// counting alone (choice of this package). No field scatters less than its counts
// do, and yet Student's t has its level only because fields that agree by chance
// narrow the interval. With 1 in place of 0.8 the test of one field against ten blank
// ones would find 0.79 where it finds 0.80, at a level of 3.4 %; with 0 no more than
// 0.01 more, and two blanks that agree by chance would show anything.
const countingFloor = 0.8

// comparison sets the shares of two kinds of fields against each other.
type comparison struct {
	side       [2]fieldShares // treated, blank
	difference float64
	// variance is that of the difference from counting; nullVariance the same if
	// the treated fields held no more than the blank ones.
	variance, nullVariance float64
	dof                    float64 // of the scatter; 0: counting alone
	inflation              float64 // scatter of fields of one kind over that of counting
	// each is the variance of a field that doubles the scatter, size what one of all
	// fields adds to that of the difference.
	each, size float64
	spread     float64
}

// fieldShares are the shares of the fields of one kind.
type fieldShares struct {
	share, variance, total []float64 // variance from counting; total counts
}

func (s fieldShares) mean() float64 { return s.meanWithout(-1) }

// meanWithout is the share of all counts but those of field i.
func (s fieldShares) meanWithout(i int) float64 {
	a, t := 0.0, 0.0
	for k, v := range s.share {
		if k != i {
			a += v * s.total[k]
			t += s.total[k]
		}
	}
	return a / t
}

// weighted returns the sum of w²·v, with w each field's share of all counts.
func (s fieldShares) weighted(v func(i int) float64) float64 {
	t := sumOf(s.total)
	out := 0.0
	for i, n := range s.total {
		out += n / t * n / t * v(i)
	}
	return out
}

// scatter returns the sum Q of squared deviations from the mean in units of their
// counting variance, its degrees of freedom, and the factor of a variance beyond
// counting in the expectation of Q (DerSimonian and Laird 1986, Control. Clin.
// Trials 7, 177, eq. for τ²; from memory, unverified).
func (s fieldShares) scatter() (q, dof, factor float64) {
	if len(s.share) < 2 {
		return 0, 0, 0
	}
	a, w1, w2 := 0.0, 0.0, 0.0
	for i, v := range s.share {
		w := 1 / s.variance[i]
		a += w * v
		w1 += w
		w2 += w * w
	}
	for i, v := range s.share {
		d := v - a/w1
		q += d * d / s.variance[i]
	}
	return q, float64(len(s.share) - 1), w1 - w2/w1
}

// newComparison applies the weights w to the fields. shape is what they find, at
// the strength 1.
func newComparison(w []float64, treated, blanks [][]float64, shape []float64) *comparison {
	c := &comparison{}
	for side, list := range [][][]float64{treated, blanks} {
		for _, s := range list {
			n := sumOf(s)
			a := 0.0
			for k, v := range s {
				a += w[k] * v / n
			}
			v := 0.0
			for k, x := range smoothed(s, 1) {
				v += w[k] * w[k] * x / n
			}
			p := &c.side[side]
			p.share, p.variance, p.total = append(p.share, a), append(p.variance, v), append(p.total, n)
		}
	}
	c.difference = c.side[0].mean() - c.side[1].mean()
	for _, s := range c.side {
		c.variance += s.weighted(func(i int) float64 { return s.variance[i] })
	}
	// The counts of the target itself: w²·share·shape.
	extra := 0.0
	for k, v := range shape {
		extra += w[k] * w[k] * math.Max(0, c.difference) * v
	}
	c.nullVariance = math.Max(c.variance/2, c.variance-extra/sumOf(c.side[0].total))
	q, factor := 0.0, 0.0
	for side, s := range c.side {
		qs, dof, f := s.scatter()
		q, c.dof, factor = q+qs, c.dof+dof, factor+f
		if side == 1 && f > 0 {
			c.spread = math.Sqrt(math.Max(0, (qs-dof)/f))
		}
	}
	c.inflation = 1
	if c.dof > 0 {
		c.inflation = math.Max(q/c.dof, 1e-9) // above 0 for fields that are copies of one another
		c.each = c.dof / factor
		c.size = c.side[0].weighted(func(int) float64 { return 1 }) + c.side[1].weighted(func(int) float64 { return 1 })
	}
	return c
}

// widened returns a variance of the difference from counting when fields scatter by
// the factor x more than counting. What they scatter by beyond it adds to
// every field alike, whatever its counts; all fields with equal counts have x times the
// variance either way.
func (c *comparison) widened(variance, x float64) float64 {
	v := variance + (x-1)*c.each*c.size
	if x < 1 {
		return math.Max(v, x*variance)
	}
	return v
}

func (c *comparison) sigma() float64 {
	if c.dof == 0 {
		return math.Sqrt(c.variance)
	}
	return math.Sqrt(math.Max(c.widened(c.variance, c.inflation), countingFloor*countingFloor*c.variance))
}

// Steps of the integral over the scatter, in its logarithm, and how much of the law's
// tail is left out: errors far below any that matter (choice of this package).
const (
	scatterStep = 0.05
	scatterTail = 1e-9
)

// tail returns the chance of a difference above d, of the variance from counting,
// where there is none: the normal law averaged over what the scatter Q/x ~ χ² leaves
// open of x. With equal counts in all fields that is Student's t; with unequal ones
// the fiducial solution of Behrens and Fisher with known differences of the variances.
func (c *comparison) tail(d, variance float64) float64 {
	normal := distuv.UnitNormal.Survival
	if c.dof == 0 {
		return normal(d / math.Sqrt(variance))
	}
	// ln x = ln Q − ln χ²; the density of u = ln χ² is e^(ku/2 − e^u/2).
	k := c.dof
	low, high := math.Log(k)+2*math.Log(scatterTail)/k-1, math.Log(k+60+12*math.Sqrt(k))
	sum, p := 0.0, 0.0
	for u := low; u <= high; u += scatterStep {
		w := math.Exp(k/2*(u-math.Log(k)) - (math.Exp(u)-k)/2)
		sum += w
		p += w * normal(d/math.Sqrt(c.widened(variance, c.inflation*k*math.Exp(-u))))
	}
	if d < 0 {
		return p / sum
	}
	return math.Max(p/sum, normal(d/math.Sqrt(variance)/countingFloor))
}

// survival returns the chance of a greater difference where there is none.
func (c *comparison) survival() float64 { return c.tail(c.difference, c.nullVariance) }

// halfWidth returns how far the quantile p lies from the difference.
func (c *comparison) halfWidth(p float64) float64 {
	low, high := 0.0, math.Sqrt(c.variance)
	for c.tail(high, c.variance) > 1-p && high < 1e3 {
		low, high = high, 2*high
	}
	for range 50 {
		mid := (low + high) / 2
		if c.tail(mid, c.variance) > 1-p {
			low = mid
		} else {
			high = mid
		}
	}
	return high
}
