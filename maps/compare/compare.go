package compare

import (
	"fmt"
	"math"
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
	// Difference is treated − blank, per mm²; its interval has both ends whatever was
	// found.
	Difference, DifferenceLow, DifferenceHigh float64
	PValue, PTwoSided                         float64
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
	Above        Above
	// SmallestP is the smallest p-value that exchanging replicates can give in this
	// design; 1 where nothing can be exchanged.
	SmallestP float64
	Verdict   string // one sentence
	// Higher says that the treated side holds more spots per area at Options.Alpha.
	Higher  bool
	Spots   [2]int     // treated, blank
	AreaMm2 [2]float64 // likewise
	Fields  [2]int
	Coupons [2]int
	Unit    string // replicate used: "coupon", "field" or "pair"
	Options Options
	Remarks []string

	clustered *clustered // where spots are clustered
}

// clusterAlpha is the level of the dispersion tests that decide against Poisson
// counts.
const clusterAlpha = 0.05

// doubtAlpha is the level from which intervals allow for clusters: with few spots
// the test misses clusters that make Poisson intervals too short. It is higher below
// enoughReplicates on both sides together, where the test misses more of them
// (choices of this package).
const (
	doubtAlpha, doubtAlphaFew = 0.25, 0.5
	enoughReplicates          = 14
)

// Fields compares treated with blank fields. See the package comment for the
// methods; the p-value of the density is that of the E-test (Krishnamoorthy &
// Thomson 2004) for counts that scatter like Poisson counts, that of the permutation
// of replicates where they surely do not, and where the scatter leaves doubt the
// greater one of the E-test and the integrated likelihood of clustered counts.
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
	if shared := sharedNames(byCoupon); shared > 0 && !opt.Paired {
		remark("coupons that appear on both sides: %d; if they were measured before and after treatment, say so (paired)", shared)
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
	r.above()
	r.SmallestP = SmallestP(len(units[0]), len(units[1]), r.Unit == "pair")
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
		r.Verdict = fmt.Sprintf("The treated fields hold more spots of the target than the blank ones: %.3g per mm² against none in %.3g mm², ratio at least %s, difference %.3g per mm² (%s interval %.3g to %.3g, p = %.2g).",
			d.TreatedPerMm2, r.AreaMm2[1], number(d.Low), d.Difference, level, d.DifferenceLow, d.DifferenceHigh, d.PValue)
	case r.Higher:
		r.Verdict = fmt.Sprintf("The treated fields hold more spots of the target than the blank ones: %.3g against %.3g per mm², ratio %.3g (%s interval %s to %s, p = %.2g).",
			d.TreatedPerMm2, d.BlankPerMm2, d.Ratio, level, number(d.Low), number(d.High), d.PValue)
	default:
		r.Verdict = fmt.Sprintf("No excess of the treated fields is shown: %.3g against %.3g spots of the target per mm² (p = %.2g); the treated fields hold fewer than %.3g per mm² (%s).",
			d.TreatedPerMm2, d.BlankPerMm2, d.PValue, r.Limit.PerMm2, level)
	}
	if r.Higher && (d.Low < 1 || r.Spots[1] == 0 && d.DifferenceLow < 0) {
		r.Verdict += " The evidence is weak: p is one-sided, and the two-sided interval holds no difference as well."
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
