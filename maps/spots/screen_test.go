package spots

import (
	"context"
	"math/rand/v2"
	"testing"
)

// A grain of a compound nobody asked for is found by its own line and place;
// without one the family-wise level holds.
func TestScreen(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	phosphate := worldMix(map[float64]float64{2013: .4, 525: .3}, .3)
	f := worldField(rng, 32, 32, 80, worldAluminium(), []planted{{20, 9, 1, .25, phosphate}})
	opt := ScreenOptions{LineChannels: 4, Replicas: 39, Seed: 1}
	r, err := Screen(context.Background(), f, opt)
	if err != nil {
		t.Fatal(err)
	}
	hit := false
	for _, s := range r.Strangers {
		e := (worldEnergy(s.From) + worldEnergy(s.To-1)) / 2
		if s.X < 18 || s.X > 22 || s.Y < 7 || s.Y > 11 {
			t.Errorf("a line at %.0f eV, (%d, %d): %+v", e, s.X, s.Y, s)
		}
		hit = hit || e > 1970 && e < 2060
	}
	if !hit {
		t.Errorf("phosphorus is not among %+v", r.Strangers)
	}
	// Left out, it is not reported.
	opt.Exclude = make([]bool, f.nc)
	for c := range opt.Exclude {
		e := worldEnergy(c)
		opt.Exclude[c] = e > 1850 && e < 2170 || e < 700
	}
	if r, err = Screen(context.Background(), f, opt); err != nil || len(r.Strangers) > 0 {
		t.Errorf("%+v, %v with its channels left out", r, err)
	}
	alarms := 0
	const fields = 20
	for i := range fields {
		f := worldField(rng, 16, 16, 40, worldAluminium(), nil)
		r, err := Screen(context.Background(), f, ScreenOptions{LineChannels: 4, Replicas: 39, Seed: uint64(i)})
		if err != nil {
			t.Fatal(err)
		}
		if len(r.Strangers) > 0 {
			alarms++
		}
	}
	if limit := binomialLimit(fields, .05); alarms > limit {
		t.Errorf("%d of %d even fields show a stranger, at most %d expected", alarms, fields, limit)
	}
	for _, bad := range []ScreenOptions{{}, {LineChannels: 4, BoxPx: 2}, {LineChannels: 4, Alpha: .001}, {LineChannels: 4, Exclude: []bool{true}}} {
		if _, err := Screen(context.Background(), f, bad); err == nil {
			t.Errorf("%+v is accepted", bad)
		}
	}
}
