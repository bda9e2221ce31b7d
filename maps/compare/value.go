package compare

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// compareValues compares densities of a quantity that is no count, by
// permutation of the replicates.
func compareValues(units [2][]unit, value func(unit) float64, counting bool, opt Options, missing string) (Comparison, error) {
	nan := math.NaN()
	c := Comparison{Treated: nan, Blank: nan, TreatedLow: nan, TreatedHigh: nan, BlankLow: nan, BlankHigh: nan, Ratio: nan, Low: nan, High: nan,
		Difference: nan, DifferenceLow: nan, DifferenceHigh: nan, PValue: nan, PTwoSided: nan}
	for _, us := range units {
		for _, u := range us {
			if math.IsNaN(value(u)) {
				c.Reason = missing
				return c, nil
			}
		}
	}
	x, y := sampleOf(units[0], value), sampleOf(units[1], value)
	c.Treated, c.Blank, c.Difference = x.mean, y.mean, x.mean-y.mean
	c.Ratio = x.mean / y.mean
	if y.mean <= 0 {
		c.Ratio, c.Reason = nan, "the blank value is not above zero: no ratio"
	}
	paired := len(units[0]) == len(units[1]) && len(units[0]) > 0 && units[0][0].name == units[1][0].name && opt.Paired
	if x.n < 2 || y.n < 2 {
		if counting {
			c.measured(units, opt)
		} else {
			c.Reason = "one replicate on a side: its scatter is not known"
		}
		return c, nil
	}
	var perm permuted
	if paired {
		perm = flip(units[0], units[1], value, opt)
		c.Method = "sign flips of pairs"
	} else {
		var err error
		if perm, err = permute(units[0], units[1], value, opt); err != nil {
			return c, err
		}
		c.Method = "permutation of replicates"
	}
	if !perm.exact {
		c.Method += fmt.Sprintf(" (%d draws)", perm.n)
	}
	c.PValue, c.PTwoSided = perm.greater, perm.twoSided
	c.TreatedLow, c.TreatedHigh = notBelowZero(meanInterval(x, opt.Level))
	c.BlankLow, c.BlankHigh = notBelowZero(meanInterval(y, opt.Level))
	if x.variance == 0 || y.variance == 0 {
		c.Reason = "all replicates of a side are alike: they show no scatter to make an interval of"
	}
	c.DifferenceLow, c.DifferenceHigh = differenceInterval(x, y, opt.Level)
	if paired {
		c.DifferenceLow, c.DifferenceHigh = pairInterval(units, value, opt.Level)
	}
	c.divide(units, x, y, value, opt.Level)
	return c, nil
}

// divide fills in the interval of the ratio.
func (c *Comparison) divide(units [2][]unit, x, y sample, value func(unit) float64, level float64) {
	negative := false
	for _, us := range units {
		for _, u := range us {
			negative = negative || value(u) < 0
		}
	}
	switch {
	case y.mean <= 0:
		c.Reason = "the blank value is not above zero: no ratio; the difference has an interval"
	case x.variance == 0 && y.variance == 0: // the reason stands
	case negative:
		low, high, bounded := fieller(x, y, level)
		c.Low, c.High = finite(math.Max(0, low)), finite(high)
		if !bounded {
			c.Reason = "the blank value is not above zero within its scatter: the ratio has a lower bound but no upper end; the difference has both"
		}
	case x.mean == 0:
		c.Low = 0
		c.Reason = "all treated replicates hold nothing: they show no scatter to make an upper end of the ratio of"
	default:
		low, high := logRatio(units, value, level)
		c.Low, c.High = finite(low), finite(high)
	}
}

// measured compares two values by their counting uncertainty alone.
func (c *Comparison) measured(units [2][]unit, opt Options) {
	var v, a [2]float64
	for side, us := range units {
		for _, u := range us {
			v[side] += u.variance
			a[side] += u.area
		}
	}
	sx, sy := math.Sqrt(v[0])/a[0], math.Sqrt(v[1])/a[1]
	if sx == 0 || sy == 0 {
		c.Reason = "one replicate on a side and no counting uncertainty given"
		return
	}
	z := distuv.UnitNormal.Quantile(0.5 + opt.Level/2)
	c.TreatedLow, c.TreatedHigh = c.Treated-z*sx, c.Treated+z*sx
	c.BlankLow, c.BlankHigh = c.Blank-z*sy, c.Blank+z*sy
	s := math.Hypot(sx, sy)
	c.DifferenceLow, c.DifferenceHigh = c.Difference-z*s, c.Difference+z*s
	c.PValue = distuv.UnitNormal.Survival(c.Difference / s)
	c.PTwoSided = 2 * distuv.UnitNormal.Survival(math.Abs(c.Difference)/s)
	c.Method = "counting uncertainty of the two sides"
}

// notBelowZero cuts an interval of a share or a signal at 0.
func notBelowZero(low, high float64) (float64, float64) { return math.Max(0, low), high }

// meanInterval is Student's interval of a mean, NaN where all values are alike.
func meanInterval(s sample, level float64) (low, high float64) {
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(s.n - 1)}.Quantile(0.5 + level/2)
	if s.variance == 0 {
		return math.NaN(), math.NaN()
	}
	h := t * math.Sqrt(s.variance)
	return s.mean - h, s.mean + h
}

// pairInterval is Student's interval of the mean difference of pairs.
func pairInterval(units [2][]unit, value func(unit) float64, level float64) (low, high float64) {
	n := len(units[0])
	mean, sq := 0.0, 0.0
	for i := range n {
		d := value(units[0][i])/units[0][i].area - value(units[1][i])/units[1][i].area
		mean += d / float64(n)
		sq += d * d
	}
	s := sample{mean: mean, variance: math.Max(0, sq-float64(n)*mean*mean) / float64(n-1) / float64(n), n: n}
	return meanInterval(s, level)
}
