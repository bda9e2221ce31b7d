package compare

import (
	"fmt"
	"math"

	"example.org/fleck/spectra/poisson"
	"gonum.org/v1/gonum/stat/distuv"
)

// Comparison sets one density of the treated side against the blank one.
type Comparison struct {
	Treated, Blank          float64
	TreatedLow, TreatedHigh float64 // interval of Treated at Options.Level
	BlankLow, BlankHigh     float64
	Ratio, Low, High        float64 // treated over blank
	Difference              float64 // treated − blank
	DifferenceLow           float64
	DifferenceHigh          float64
	PValue                  float64 // one-sided: "treated is higher"
	PTwoSided               float64
	Method                  string
	Reason                  string // why numbers are missing (NaN), "" if none is
}

// Density compares the numbers of spots per area.
type Density struct {
	TreatedPerMm2, BlankPerMm2 float64
	TreatedLow, TreatedHigh    float64
	BlankLow, BlankHigh        float64
	Ratio, Low, High           float64 // interval of the ratio at Options.Level
	PValue, PTwoSided          float64
	// Permutation is the exact one-sided p-value over replicates, NaN where
	// there are too few, whichever method PValue comes from.
	Permutation float64
	Method      string
	Reason      string // why numbers are missing (NaN), "" if none is
}

// Dispersion tests whether the spots scatter over the replicates as independent
// spots would.
type Dispersion struct {
	Fields, Coupons float64 // p-values; NaN where there are too few replicates
	Ratio           float64 // variance-to-mean ratio over fields, within the sides
	Clustered       bool    // one of the two is below 0.05
}

// Limit is the upper limit of the density of target spots on the treated side.
type Limit struct {
	PerMm2     float64 // at Options.Level, one-sided
	Efficiency float64 // taken for it
	Reason     string
}

// Result is the outcome of Fields.
type Result struct {
	Density      Density
	AreaFraction Comparison // covered share of the area
	Signal       Comparison // excess counts per mm²
	Dispersion   Dispersion
	Limit        Limit
	Verdict      string // one sentence
	// Higher says that the treated side holds more spots per area at Options.Alpha.
	Higher  bool
	Spots   [2]int     // treated, blank
	AreaMm2 [2]float64 // likewise
	Fields  [2]int
	Coupons [2]int
	Unit    string // replicate used: "coupon", "field" or "pair"
	Options Options
	Remarks []string
}

// clusterAlpha is the level of the dispersion tests that decide against Poisson
// counts.
const clusterAlpha = 0.05

// Fields compares treated with blank fields. See the package comment for the
// methods; the p-value of the density is that of the E-test (Krishnamoorthy &
// Thomson 2004) for counts that scatter like Poisson counts, else that of the
// permutation of replicates.
func Fields(treated, blank []Observation, opt Options) (*Result, error) {
	opt, err := opt.withDefaults()
	if err != nil {
		return nil, err
	}
	if len(treated) == 0 || len(blank) == 0 {
		return nil, errNoFields
	}
	sides := [2][]Observation{treated, blank}
	for side, obs := range sides {
		for i, o := range obs {
			if err := o.check([2]string{"treated", "blank"}[side], i); err != nil {
				return nil, err
			}
		}
	}
	r := &Result{Options: opt}
	remark := func(format string, args ...any) { r.Remarks = append(r.Remarks, fmt.Sprintf(format, args...)) }
	var byCoupon, byField, units [2][]unit
	for side, obs := range sides {
		byCoupon[side], byField[side] = coupons(obs), single(obs)
		r.Fields[side], r.Coupons[side] = len(obs), len(byCoupon[side])
		for _, o := range obs {
			r.Spots[side] += o.Spots
			r.AreaMm2[side] += o.AreaMm2
		}
	}
	switch {
	case opt.Paired:
		if units, err = pairs(byCoupon); err != nil {
			return nil, err
		}
		r.Unit = "pair"
	case r.Coupons[0] >= 2 && r.Coupons[1] >= 2:
		units, r.Unit = byCoupon, "coupon"
	default:
		units, r.Unit = byField, "field"
		remark("one side has a single coupon: treatment and coupon cannot be told apart; the p-values speak of these coupons only")
	}
	if shared := sharedNames(byCoupon); shared > 0 && !opt.Paired && r.Unit == "coupon" {
		remark("%d coupons appear on both sides; if they were measured before and after treatment, say so (paired)", shared)
	}
	r.disperse(byField, byCoupon)
	if err := r.density(units); err != nil {
		return nil, err
	}
	if r.AreaFraction, err = compareValues(units, func(u unit) float64 { return u.covered }, false, opt, "no area of spots was given"); err != nil {
		return nil, err
	}
	if r.Signal, err = compareValues(units, func(u unit) float64 { return u.excess }, true, opt, "no excess counts were given"); err != nil {
		return nil, err
	}
	r.limit(treated)
	if n := len(units[0]) + len(units[1]); r.Unit != "pair" && choose(n, len(units[0])) < 1/opt.Alpha {
		remark("%d + %d replicates allow no permutation p-value below %.2g", len(units[0]), len(units[1]), 1/choose(n, len(units[0])))
	}
	r.sentence()
	return r, nil
}

// pairs orders the coupons of both sides by name of the treated side.
func pairs(c [2][]unit) (out [2][]unit, err error) {
	if len(c[0]) != len(c[1]) {
		return out, fmt.Errorf("compare: paired comparison of %d treated with %d blank coupons; every coupon must have both", len(c[0]), len(c[1]))
	}
	for _, u := range c[0] {
		found := false
		for _, v := range c[1] {
			if u.name == v.name {
				out[0], out[1], found = append(out[0], u), append(out[1], v), true
			}
		}
		if !found {
			return out, fmt.Errorf("compare: paired comparison: coupon %q has no blank field", u.name)
		}
	}
	return out, nil
}

func sharedNames(c [2][]unit) int {
	n := 0
	for _, u := range c[0] {
		for _, v := range c[1] {
			if u.name == v.name {
				n++
			}
		}
	}
	return n
}

// disperse tests the scatter of the spots over fields and coupons by the index
// of dispersion sum (n−m)²/m, chi-square with one degree of freedom less per
// side (Fisher, Thornton & Mackenzie 1922), m in proportion to the area.
func (r *Result) disperse(byField, byCoupon [2][]unit) {
	r.Dispersion.Fields, r.Dispersion.Ratio = dispersion(byField)
	r.Dispersion.Coupons, _ = dispersion(byCoupon)
	r.Dispersion.Clustered = r.Dispersion.Fields < clusterAlpha || r.Dispersion.Coupons < clusterAlpha
}

func dispersion(sides [2][]unit) (p, ratio float64) {
	chi2, dof := 0.0, 0
	for _, us := range sides {
		n, a := 0, 0.0
		for _, u := range us {
			n += u.spots
			a += u.area
		}
		if n == 0 || len(us) < 2 {
			continue
		}
		for _, u := range us {
			m := float64(n) * u.area / a
			d := float64(u.spots) - m
			chi2 += d * d / m
		}
		dof += len(us) - 1
	}
	if dof == 0 {
		return math.NaN(), math.NaN()
	}
	return distuv.ChiSquared{K: float64(dof)}.Survival(chi2), chi2 / float64(dof)
}

func (r *Result) density(units [2][]unit) error {
	opt := r.Options
	d := &r.Density
	n, a := r.Spots, r.AreaMm2
	d.TreatedPerMm2, d.BlankPerMm2 = float64(n[0])/a[0], float64(n[1])/a[1]
	d.Permutation = math.NaN()
	spots := func(u unit) float64 { return float64(u.spots) }
	var perm permuted
	enough := len(units[0]) >= 2 && len(units[1]) >= 2
	if enough {
		var err error
		if r.Unit == "pair" {
			perm = flip(units[0], units[1], spots, opt)
		} else if perm, err = permute(units[0], units[1], spots, opt); err != nil {
			return err
		}
		d.Permutation = perm.greater
	}
	for side, low := range []*float64{&d.TreatedLow, &d.BlankLow} {
		high := []*float64{&d.TreatedHigh, &d.BlankHigh}[side]
		*low, *high = poisson.Garwood(n[side], opt.Level)
		*low, *high = *low/a[side], *high/a[side]
	}
	if r.Dispersion.Clustered && enough {
		d.PValue, d.PTwoSided = perm.greater, perm.twoSided
		d.Method = "permutation of " + r.Unit + "s (spots are clustered)"
		x, y := sampleOf(units[0], spots), sampleOf(units[1], spots)
		d.Ratio = x.mean / y.mean
		d.Low, d.High, _ = fieller(x, y, opt.Level)
		d.Low = math.Max(0, d.Low)
		r.Remarks = append(r.Remarks, "the intervals of the two densities are those of independent spots and too short for clustered ones")
	} else {
		d.PValue, d.PTwoSided = poisson.ETest(n[0], a[0], n[1], a[1], 0)
		d.Ratio, d.Low, d.High = poisson.RateRatio(n[0], a[0], n[1], a[1], opt.Level)
		d.Method = "E-test of two Poisson rates"
		if r.Dispersion.Clustered || math.IsNaN(r.Dispersion.Fields) && math.IsNaN(r.Dispersion.Coupons) {
			r.Remarks = append(r.Remarks, "the scatter between replicates could not be used: the density is compared as if spots were independent")
		}
	}
	switch {
	case n[0]+n[1] == 0:
		d.Reason = "no spot on either side"
	case n[1] == 0:
		d.Reason = "no spot in the blank fields: the ratio has no upper end"
	case math.IsInf(d.High, 1):
		d.Reason = "the blank density is not above zero within its scatter: the ratio has no upper end"
	}
	d.Ratio, d.Low, d.High = finite(d.Ratio), finite(d.Low), finite(d.High)
	return nil
}

// finite returns NaN for infinite values.
func finite(v float64) float64 {
	if math.IsInf(v, 0) {
		return math.NaN()
	}
	return v
}

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
	c.TreatedLow, c.TreatedHigh = meanInterval(x, opt.Level)
	c.BlankLow, c.BlankHigh = meanInterval(y, opt.Level)
	c.DifferenceLow, c.DifferenceHigh = differenceInterval(x, y, opt.Level)
	if paired {
		c.DifferenceLow, c.DifferenceHigh = pairInterval(units, value, opt.Level)
	}
	if y.mean > 0 {
		low, high, bounded := fieller(x, y, opt.Level)
		c.Low, c.High = finite(math.Max(0, low)), finite(high)
		if !bounded {
			c.Reason = "the blank value is not above zero within its scatter: the ratio has no upper end"
		}
	}
	return c, nil
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

func meanInterval(s sample, level float64) (low, high float64) {
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(s.n - 1)}.Quantile(0.5 + level/2)
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

// limit is the density of treated spots that the search would have missed with
// probability below 1 − level: [upper(n) − phi]/(A·efficiency), never below the
// limit for nothing found.
func (r *Result) limit(treated []Observation) {
	n, false_, reach := 0, 0.0, 0.0
	known := true
	for _, o := range treated {
		n += o.Spots
		false_ += o.ExpectedFalse
		eps := o.Efficiency
		if eps == 0 {
			eps, known = 1, false
		}
		reach += o.AreaMm2 * eps
	}
	up := math.Max(poisson.UpperLimit(n, r.Options.Level)-false_, poisson.UpperLimit(0, r.Options.Level))
	r.Limit = Limit{PerMm2: up / reach, Efficiency: reach / r.AreaMm2[0]}
	if !known {
		r.Limit.Reason = "no detection efficiency was given: it is taken as 1, for spots far above the detection limit"
	}
	if r.Dispersion.Clustered {
		r.Remarks = append(r.Remarks, "the upper limit of the density takes spots as independent; for clustered spots it is too low")
	}
}

func (r *Result) sentence() {
	d := r.Density
	r.Higher = d.PValue <= r.Options.Alpha && d.TreatedPerMm2 > d.BlankPerMm2
	level := fmt.Sprintf("%g %%", 100*r.Options.Level)
	switch {
	case r.Spots[0]+r.Spots[1] == 0:
		r.Verdict = fmt.Sprintf("No spot of the target was found on either side; the treated fields hold fewer than %.3g per mm² (%s).", r.Limit.PerMm2, level)
	case r.Spots[0] == 0:
		r.Verdict = fmt.Sprintf("No spot of the target was found in the treated fields, which hold fewer than %.3g per mm² (%s); the blank fields hold %.3g per mm².", r.Limit.PerMm2, level, d.BlankPerMm2)
	case r.Higher && r.Spots[1] == 0:
		r.Verdict = fmt.Sprintf("The treated fields hold more spots of the target than the blank ones: %.3g per mm² against none in %.3g mm² (p = %.2g).", d.TreatedPerMm2, r.AreaMm2[1], d.PValue)
	case r.Higher:
		r.Verdict = fmt.Sprintf("The treated fields hold more spots of the target than the blank ones: %.3g against %.3g per mm², ratio %.3g (%s interval %s to %s, p = %.2g).",
			d.TreatedPerMm2, d.BlankPerMm2, d.Ratio, level, number(d.Low), number(d.High), d.PValue)
	default:
		r.Verdict = fmt.Sprintf("No excess of the treated fields is shown: %.3g against %.3g spots of the target per mm² (p = %.2g); the treated fields hold fewer than %.3g per mm² (%s).",
			d.TreatedPerMm2, d.BlankPerMm2, d.PValue, r.Limit.PerMm2, level)
	}
	if r.Unit == "field" {
		r.Verdict += " Treatment and coupon cannot be told apart."
	}
}

func number(v float64) string {
	if math.IsNaN(v) {
		return "no end"
	}
	return fmt.Sprintf("%.3g", v)
}
