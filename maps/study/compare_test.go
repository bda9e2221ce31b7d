package study

import (
	"testing"

	"example.org/fleck/maps"
	"example.org/fleck/maps/cube"
	"example.org/fleck/maps/spots"
)

// TestSpotLargerThanField: the outline of a spot reaches beyond the frame, the area
// that is covered does not.
func TestSpotLargerThanField(t *testing.T) {
	h := cube.Header{Width: 2, Height: 2, Pixel: maps.Pixel{X: maps.Micrometre, Y: maps.Micrometre}}
	large := maps.Spot{Verdict: maps.TargetVerdict, AreaPx: 9, ExcessCounts: 100, ExcessSigma: 10}
	r := &Result{Study: &Study{}, Fields: []FieldResult{
		{Field: maps.Field{Name: "T1", Coupon: "A", Role: maps.Treated}, Header: h, Spots: &spots.Result{Spots: []maps.Spot{large}}},
		{Field: maps.Field{Name: "B1", Coupon: "B", Role: maps.Untreated}, Header: h, Spots: &spots.Result{}},
	}}
	if err := r.compare(func(Stage, int, int) {}); err != nil {
		t.Fatal(err)
	}
	if o := r.Fields[0].Observation; o.SpotAreaMm2 != o.AreaMm2 || o.Spots != 1 {
		t.Errorf("%d spots cover %g mm² of %g mm², want the whole field", o.Spots, o.SpotAreaMm2, o.AreaMm2)
	}
}
