package spots

import (
	"context"
	"math"
	"math/rand/v2"
	"testing"

	"example.org/fleck/maps"
)

// shapeField draws a field in which share(x, y) of the counts are target.
func shapeField(rng *rand.Rand, w, h int, counts float64, share func(x, y float64) float64) *Field {
	b, err := NewBuilder(w, h, worldChannels, Range{}, maps.Pixel{X: maps.Micrometre, Y: maps.Micrometre})
	if err != nil {
		panic(err)
	}
	base, target := newPicker(worldAluminium()), newPicker(worldSilica().Spectrum)
	row := make([]uint32, w*worldChannels)
	for y := range h {
		clear(row)
		for x := range w {
			f := share(float64(x), float64(y))
			for range poissonDraw(rng, counts) {
				if rng.Float64() < f {
					row[x*worldChannels+target.draw(rng)]++
				} else {
					row[x*worldChannels+base.draw(rng)]++
				}
			}
		}
		if err := b.AddRow(row); err != nil {
			panic(err)
		}
	}
	f, err := b.Field()
	if err != nil {
		panic(err)
	}
	return f
}

// Particles that are no Gaussians stay one spot; spots with a dip between
// them are two.
func TestShapes(t *testing.T) {
	if testing.Short() {
		t.Skip("long: left out of short runs")
	}
	disc := func(x, y float64) float64 {
		if math.Hypot(x-20, y-22) <= 6 {
			return .5
		}
		return 0
	}
	rod := func(x, y float64) float64 {
		if math.Abs(x-y) < 3 && math.Abs(x+y-44) < 18 {
			return .4
		}
		return 0
	}
	two := func(x, y float64) float64 {
		return .4*gauss(x-16, y-20, 1.3) + .4*gauss(x-22, y-20, 1.3)
	}
	for _, tc := range []struct {
		name  string
		share func(x, y float64) float64
		spots int
		area  float64 // px, 0: not compared
	}{{"disc", disc, 1, math.Pi * 36}, {"rod", rod, 1, 0}, {"two", two, 2, 0}} {
		f := shapeField(rand.New(rand.NewPCG(51, 1)), 44, 44, 100, tc.share)
		opt := worldOptions()
		opt.Bootstrap = 59
		r, err := Find(context.Background(), f, opt)
		if err != nil {
			t.Fatal(err)
		}
		if len(r.Spots) != tc.spots {
			t.Errorf("%s: %d spots, want %d: %+v", tc.name, len(r.Spots), tc.spots, r.Spots)
			continue
		}
		want := 0.0
		for y := range 44 {
			for x := range 44 {
				want += 100 * tc.share(float64(x), float64(y))
			}
		}
		got, sigma := 0.0, 0.0
		for _, s := range r.Spots {
			got += s.ExcessCounts
			sigma = math.Hypot(sigma, s.ExcessSigma)
			if s.Verdict != maps.TargetVerdict {
				t.Errorf("%s: verdict %s: %s", tc.name, s.Verdict, s.Reason)
			}
		}
		// A sum of Gaussians is not the shape: 10 % beside the statistics.
		if math.Abs(got-want) > 5*sigma+.1*want {
			t.Errorf("%s: excess %.0f ± %.0f, want %.0f", tc.name, got, sigma, want)
		}
		if tc.area > 0 && math.Abs(r.Spots[0].AreaPx/tc.area-1) > .15 {
			t.Errorf("%s: area %.0f px, want %.0f", tc.name, r.Spots[0].AreaPx, tc.area)
		}
	}
}
