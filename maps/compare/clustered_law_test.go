package compare

import (
	"math"
	"strings"
	"testing"

	"example.org/fleck/maps"
)

// The p-value and the interval of the ratio are of one law: the quantile of the
// ratio at the probability of "not above" is 1. Two equal sides give one half.
func TestNotAboveAgreesWithRatio(t *testing.T) {
	for _, n := range [][2][]int{{{8, 5, 5, 0}, {0, 1, 2}}, {{9, 2}, {1, 7}}, {{3, 30, 4}, {3, 30, 4}}} {
		var units [2][]unit
		for side, list := range n {
			for _, k := range list {
				units[side] = append(units[side], unit{spots: k, area: 0.1})
			}
		}
		c := newClustered(units)
		p := c.notAbove()
		// The grid has steps of 6 % of the density, quantiles are interpolated in them.
		if r := c.ratio(p); math.Abs(math.Log(r)) > 0.06 {
			t.Errorf("%v: probability %g of not above, where the ratio is %g, want 1", n, p, r)
		}
		if n[0][0] == n[1][0] && math.Abs(p-.5) > 0.01 {
			t.Errorf("%v: equal sides: probability %g, want 0.5", n, p)
		}
	}
}

// Where the scatter leaves doubt, the p-value is never below that of independent
// spots, and goes with the interval.
func TestPValueWithDoubtfulScatter(t *testing.T) {
	field := func(coupon string, spots int) Observation {
		o := Observation{AreaMm2: 0.001, Spots: spots}
		o.Field.Coupon, o.Field.Name = coupon, coupon
		return o
	}
	r, err := Fields([]Observation{field("a", 9), field("b", 4), field("c", 3)}, []Observation{field("d", 1), field("e", 0), field("f", 2)}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	d := r.Density
	if r.clustered == nil || d.Method != clusteredMethod {
		t.Fatalf("dispersion %+v: method %q, want %q", r.Dispersion, d.Method, clusteredMethod)
	}
	if got := d.Low > 1; got != (d.PValue < (1-r.Options.Level)/2) {
		t.Errorf("ratio from %g, p = %g: they do not agree", d.Low, d.PValue)
	}
}

// The p-value and the intervals of ratio and difference are of one law: they agree on
// whether the treated side holds more.
func TestClusteredIntervalsAgree(t *testing.T) {
	for _, c := range [][2][]int{{{5, 2, 3}, {0, 0, 0}}, {{9, 2, 6}, {1, 2, 1}}, {{12, 3, 7}, {1, 0, 2}}, {{30, 9, 14}, {2, 1, 0}}, {{2, 9, 1}, {4, 2, 5}}, {{9, 1, 0, 4, 6}, {0, 1, 0, 0, 0}}} {
		r := mustCompare(t, fieldsOf(maps.Treated, 1, c[0]...), fieldsOf(maps.Untreated, 1, c[1]...), Options{})
		d := r.Density
		if r.clustered == nil {
			t.Fatalf("%v: not taken as clustered", c)
		}
		if (d.Low > 1) != (d.DifferenceLow > 0) || d.Low > 1 && d.Method == clusteredMethod && d.PValue > 0.025 {
			t.Errorf("%v: ratio %g to %g, difference %g to %g, p = %g by %s", c, d.Low, d.High, d.DifferenceLow, d.DifferenceHigh, d.PValue, d.Method)
		}
		if !(d.DifferenceLow < d.Difference && d.Difference < d.DifferenceHigh) {
			t.Errorf("%v: difference %g, %g to %g", c, d.Difference, d.DifferenceLow, d.DifferenceHigh)
		}
		if weak := strings.Contains(r.Verdict, "evidence is weak"); weak != (r.Higher && !(d.Low >= 1 && (r.Spots[1] > 0 || d.DifferenceLow >= 0))) {
			t.Errorf("%v: %s", c, r.Verdict)
		}
		// The median of the law of two equal sides is no difference.
		if same := newClustered([2][]unit{{{spots: 3, area: 1}, {spots: 9, area: 1}}, {{spots: 3, area: 1}, {spots: 9, area: 1}}}); math.Abs(same.difference(.5)) > 0.05 {
			t.Errorf("median difference %g of equal sides", same.difference(.5))
		}
	}
}
