package study

import (
	"strings"
	"testing"

	"example.org/fleck/maps"
	"example.org/fleck/maps/cube"
	"example.org/fleck/maps/spots"
)

// A target that blank fields show as well is given to the substrate spot by
// spot, but the comparison must count it on both sides: with as many spots per
// area, its ratio is 1.
func TestCompareTargetOnBlanks(t *testing.T) {
	for _, tc := range []struct {
		treated, blank int
		marked         bool
	}{
		{4, 4, true},   // as often
		{11, 6, true},  // more often, but not significantly: p = 0.17
		{30, 3, false}, // far more often
		{5, 0, false},  // not on blanks
		{2, 11, true},  // less often
	} {
		r := &Result{Study: &Study{}, Target: Predicted{Template: spots.Template{Name: "TiO2"}}}
		for i, n := range []int{tc.treated, tc.blank} {
			f := FieldResult{Spots: &spots.Result{}, Header: cube.Header{Width: 100, Height: 100, Pixel: maps.Pixel{X: maps.Micrometre, Y: maps.Micrometre}}}
			f.Role = []maps.Role{maps.Treated, maps.Untreated}[i]
			f.Name, f.Coupon = string(f.Role), string(f.Role)
			for range n {
				f.Spots.Spots = append(f.Spots.Spots, maps.Spot{Verdict: maps.TargetVerdict, Compound: "TiO2", AreaPx: 1, ExcessCounts: 100, ExcessSigma: 10})
			}
			r.Fields = append(r.Fields, f)
		}
		if err := r.markSubstrate(); err != nil {
			t.Fatal(err)
		}
		if got := r.Fields[0].Spots.Spots[0].Verdict == maps.SubstrateSpot; got != tc.marked {
			t.Errorf("%d treated, %d blank: given to the substrate %v, want %v", tc.treated, tc.blank, got, tc.marked)
		}
		if err := r.compare(func(Stage, int, int) {}); err != nil {
			t.Fatal(err)
		}
		c := r.Comparison
		if c.Spots != [2]int{tc.treated, tc.blank} {
			t.Errorf("%d treated, %d blank: %v spots compared", tc.treated, tc.blank, c.Spots)
		}
		if strings.Contains(c.Verdict, "No spot of the target was found in the treated fields") {
			t.Errorf("%d treated, %d blank: %s", tc.treated, tc.blank, c.Verdict)
		}
	}
}
