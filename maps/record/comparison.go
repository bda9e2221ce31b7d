package record

import (
	"math"

	"example.org/fleck/maps/compare"
)

// Comparison sets the keys of a comparison of treated with blank fields. Where
// the pixel size is not known, scaled is false and numbers per area are missing.
func Comparison(o *Object, c *compare.Result, scaled bool, condition Object) {
	o.Set("higher", c.Higher)
	o.Set("density", density(c.Density, scaled))
	o.Set("area_fraction", comparison(c.AreaFraction, true))
	o.Set("signal_per_mm2", comparison(c.Signal, scaled))
	l := numbers([]numbered{{"per_mm2", c.Limit.PerMm2, true}, {"efficiency", c.Limit.Efficiency, false}}, scaled, c.Limit.Reason)
	if c.Limit.Reason != "" {
		l.Set("remark", c.Limit.Reason)
	}
	o.Set("limit", append(l, condition...))
	o.Set("above_blank", append(numbers([]numbered{{"per_mm2", c.Above.PerMm2, true}, {"limit_per_mm2", c.Above.Limit, true}}, scaled, ""), Of("statement", c.Above.Statement)...))
	o.Number("smallest_p_value", c.SmallestP, "")
	d := Object{}
	d.Number("fields_p_value", c.Dispersion.Fields, "too few spots or fields")
	d.Number("coupons_p_value", c.Dispersion.Coupons, "too few spots or coupons")
	d.Number("ratio", c.Dispersion.Ratio, "too few spots or fields")
	d.Set("clustered", c.Dispersion.Clustered)
	o.Set("dispersion", d)
	o.Set("replicate", c.Unit)
	o.Set("spots_treated", c.Spots[0])
	o.Set("spots_blank", c.Spots[1])
	o.Set("coupons_treated", c.Coupons[0])
	o.Set("coupons_blank", c.Coupons[1])
	o.Set("area_mm2", numbers([]numbered{{"treated", c.AreaMm2[0], true}, {"blank", c.AreaMm2[1], true}}, scaled, ""))
	o.Set("level", c.Options.Level)
	o.Set("alpha", c.Options.Alpha)
	o.Set("remarks", List(c.Remarks))
}

// numbered is a number with its key; absolute ones need the pixel size.
type numbered struct {
	key      string
	v        float64
	absolute bool
}

func numbers(list []numbered, scaled bool, reason string) Object {
	o := Object{}
	for _, n := range list {
		if n.absolute && !scaled {
			o.Number(n.key, math.NaN(), NoPixelSize)
			continue
		}
		o.Number(n.key, n.v, reason)
	}
	return o
}

func density(d compare.Density, scaled bool) Object {
	o := numbers([]numbered{
		{"treated_per_mm2", d.TreatedPerMm2, true}, {"treated_low", d.TreatedLow, true}, {"treated_high", d.TreatedHigh, true},
		{"blank_per_mm2", d.BlankPerMm2, true}, {"blank_low", d.BlankLow, true}, {"blank_high", d.BlankHigh, true},
		{"ratio", d.Ratio, false}, {"low", d.Low, false}, {"high", d.High, false},
		{"difference", d.Difference, true}, {"difference_low", d.DifferenceLow, true}, {"difference_high", d.DifferenceHigh, true},
		{"p_value", d.PValue, false}, {"p_value_two_sided", d.PTwoSided, false}, {"p_value_permutation", d.Permutation, false},
	}, scaled, d.Reason)
	o.Set("method", d.Method)
	return o
}

func comparison(c compare.Comparison, scaled bool) Object {
	o := numbers([]numbered{
		{"treated", c.Treated, true}, {"treated_low", c.TreatedLow, true}, {"treated_high", c.TreatedHigh, true},
		{"blank", c.Blank, true}, {"blank_low", c.BlankLow, true}, {"blank_high", c.BlankHigh, true},
		{"ratio", c.Ratio, false}, {"low", c.Low, false}, {"high", c.High, false},
		{"difference", c.Difference, true}, {"difference_low", c.DifferenceLow, true}, {"difference_high", c.DifferenceHigh, true},
		{"p_value", c.PValue, false}, {"p_value_two_sided", c.PTwoSided, false},
	}, scaled, c.Reason)
	o.Set("method", c.Method)
	return o
}
