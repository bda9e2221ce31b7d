package compare

import (
	"math"

	"example.org/fleck/spectra/poisson"
	"gonum.org/v1/gonum/stat/distuv"
)

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
	doubt := doubtAlpha
	if len(units[0])+len(units[1]) < enoughReplicates {
		doubt = doubtAlphaFew
	}
	doubtful := math.Min(nanTo(r.Dispersion.Fields, 1), nanTo(r.Dispersion.Coupons, 1)) < doubt
	if enough && doubtful && n[0]+n[1] > 0 {
		r.clustered = newClustered(units)
		d.intervals(r.clustered, opt.Level)
		d.Ratio = d.TreatedPerMm2 / d.BlankPerMm2
	}
	if r.Dispersion.Clustered && enough {
		d.PValue, d.PTwoSided = perm.greater, perm.twoSided
		d.Method = "permutation of " + r.Unit + "s (spots are clustered)"
	} else {
		d.PValue, d.PTwoSided = poisson.ETest(n[0], a[0], n[1], a[1], 0)
		if r.clustered == nil {
			d.Ratio, d.Low, d.High = poisson.RateRatio(n[0], a[0], n[1], a[1], opt.Level)
		}
		d.Method = "E-test of two Poisson rates"
		if r.clustered != nil {
			if p := r.clustered.notAbove(); p > d.PValue {
				d.PValue, d.Method = p, clusteredMethod
				d.PTwoSided = math.Max(d.PTwoSided, math.Min(1, 2*math.Min(p, 1-p)))
			}
		}
		if r.Dispersion.Clustered || math.IsNaN(r.Dispersion.Fields) && math.IsNaN(r.Dispersion.Coupons) {
			r.Remarks = append(r.Remarks, "the scatter between replicates could not be used: the density is compared as if spots were independent")
		}
	}
	switch {
	case n[0]+n[1] == 0:
		d.Reason = "no spot on either side"
	case n[1] == 0 && r.clustered != nil:
		d.Reason = "no spot in the blank fields: no estimate of the ratio; that of the difference has both ends"
	case n[1] == 0:
		d.Reason = "no spot in the blank fields: the ratio has a lower bound but no upper end; the difference has both"
	}
	d.differ(r.clustered, n, a, opt.Level)
	d.Ratio, d.Low, d.High = finite(d.Ratio), finite(d.Low), finite(d.High)
	return nil
}

// clusteredMethod names the comparison whose p-value and interval of the ratio are of
// one law: the probability, given the counts, that treated fields do not hold more.
const clusteredMethod = "integrated likelihood of counts that may be clustered"

// intervals fills in those of clustered spots: never shorter than those of
// independent ones.
func (d *Density) intervals(c *clustered, level float64) {
	low, high := (1-level)/2, (1+level)/2
	d.TreatedLow = math.Min(d.TreatedLow, c.density(0, low))
	d.TreatedHigh = math.Max(d.TreatedHigh, c.density(0, high))
	d.BlankLow = math.Min(d.BlankLow, c.density(1, low))
	d.BlankHigh = math.Max(d.BlankHigh, c.density(1, high))
	d.Low, d.High = c.ratio(low), c.ratio(high)
}

// differ fills in the difference of the densities. Of independent spots its ends lie
// as far from it as the root of the summed squares of how far those of the two sides
// lie from their estimates (Zou & Donner 2008, Stat. Med. 27, 1693); spots that may
// be clustered take it from the law of the two densities, never shorter.
func (d *Density) differ(c *clustered, n [2]int, a [2]float64, level float64) {
	d.Difference = d.TreatedPerMm2 - d.BlankPerMm2
	var low, high [2]float64
	for side := range n {
		low[side], high[side] = poisson.Garwood(n[side], level)
		low[side], high[side] = low[side]/a[side], high[side]/a[side]
	}
	d.DifferenceLow = d.Difference - math.Hypot(d.TreatedPerMm2-low[0], high[1]-d.BlankPerMm2)
	d.DifferenceHigh = d.Difference + math.Hypot(high[0]-d.TreatedPerMm2, d.BlankPerMm2-low[1])
	if c != nil {
		d.DifferenceLow = math.Min(d.DifferenceLow, c.difference((1-level)/2))
		d.DifferenceHigh = math.Max(d.DifferenceHigh, c.difference((1+level)/2))
	}
}

// nanTo returns v, or other where v is no number.
func nanTo(v, other float64) float64 {
	if math.IsNaN(v) {
		return other
	}
	return v
}

// finite returns NaN for infinite values.
func finite(v float64) float64 {
	if math.IsInf(v, 0) {
		return math.NaN()
	}
	return v
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
	most := poisson.UpperLimit(n, r.Options.Level)
	if r.clustered != nil {
		most = math.Max(most, r.clustered.density(0, r.Options.Level)*r.AreaMm2[0])
	}
	up := math.Max(most-false_, poisson.UpperLimit(0, r.Options.Level))
	r.Limit = Limit{PerMm2: up / reach, Efficiency: reach / r.AreaMm2[0]}
	if !known {
		r.Limit.Reason = "it counts spots far above the detection limit, of which all are found"
	}
}
