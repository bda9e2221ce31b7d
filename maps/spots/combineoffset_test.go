package spots

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"example.org/fleck/maps"
)

// specimenTruth is a specimen seen through two frames: spots and texture at true places.
type specimenTruth struct {
	seed    uint64
	spots   int     // per frame
	texture float64 // relative standard deviation
	shading float64 // of the frame, from left to right
	counts  float64
	grooves float64 // relative standard deviation of parallel lines, along which spots lie as well
}

// bump is a round feature of texture: centre, width, height.
type bump struct{ x, y, s, a float64 }

// frame returns what a frame of w × h pixels at (x0, y0) on the specimen shows: a
// share of the spots is seen, places scatter by sigma.
func (s specimenTruth) frame(stream uint64, w, h int, x0, y0, seen, sigma float64) OffsetField {
	const margin = 20
	ground := rand.New(rand.NewPCG(s.seed, 0)) // the same for both frames
	noise := rand.New(rand.NewPCG(s.seed, stream))
	f := OffsetField{Counts: maps.New(w, h)}
	area := float64((w + 2*margin) * (h + 2*margin))
	for range int(float64(s.spots)*area/float64(w*h) + .5) {
		x, y := float64(w+2*margin)*ground.Float64()-margin, float64(h+2*margin)*ground.Float64()-margin
		if s.grooves > 0 { // on one of four scratches
			const period = 19.3
			x = period*math.Floor(x/period) + .5*ground.NormFloat64() + .2*y
		}
		x, y = x-x0, y-y0
		found := noise.Float64() < seen
		x, y = x+sigma*noise.NormFloat64(), y+sigma*noise.NormFloat64()
		if found && x > -.5 && y > -.5 && x < float64(w)-.5 && y < float64(h)-.5 {
			f.Spots = append(f.Spots, maps.Spot{ID: len(f.Spots) + 1, XPx: x, YPx: y, SigmaXPx: sigma, SigmaYPx: sigma, WidthPx: 1, LogLikelihood: noise.Float64()})
		}
	}
	var bumps []bump
	if s.texture > 0 {
		for range int(area / 20) {
			bumps = append(bumps, bump{float64(w+2*margin)*ground.Float64() - margin, float64(h+2*margin)*ground.Float64() - margin, 1.5 + ground.Float64(), ground.NormFloat64()})
		}
	}
	lines := make([]float64, 4*(w+h))
	for i := range lines {
		lines[i] = s.grooves * ground.NormFloat64()
	}
	for y := range h {
		for x := range w {
			t := 0.0
			for _, b := range bumps {
				dx, dy := float64(x)+x0-b.x, float64(y)+y0-b.y
				if d := (dx*dx + dy*dy) / (b.s * b.s); d < 16 {
					t += b.a * math.Exp(-d/2)
				}
			}
			u := float64(x) + x0 - .2*(float64(y)+y0) + float64(w+h) // across the lines
			mean := s.counts * math.Max(.1, 1+s.texture*t+lines[int(u)]) * (1 + s.shading*(float64(x)/float64(w)-.5))
			f.Counts.Set(x, y, float64(poissonDraw(noise, mean)))
		}
	}
	return f
}

// Known shifts along both sides are found by spots, by texture and by both, with an
// uncertainty that holds.
func TestFindOffset(t *testing.T) {
	for _, c := range []struct {
		name string
		s    specimenTruth
		from string
	}{
		{"spots", specimenTruth{spots: 14, counts: 60, shading: .2}, FromSpots},
		{"texture", specimenTruth{texture: .15, counts: 60, shading: .2}, FromTexture},
		{"both", specimenTruth{spots: 14, texture: .15, counts: 60, shading: .2}, FromBoth},
	} {
		for seed := range uint64(3) {
			for i, d := range [][2]float64{{0, 0}, {3.4, -7.2}, {-7.2, 3.4}, {3.4, 0}, {0, -7.2}} {
				c.s.seed = 100*seed + uint64(i)
				a, b := c.s.frame(1, 64, 64, 0, 0, .9, .3), c.s.frame(2, 64, 64, d[0], d[1], .9, .3)
				o, err := FindOffset(a, b, OffsetOptions{})
				if err != nil {
					t.Errorf("%s, seed %d, shift %v: %v", c.name, c.s.seed, d, err)
					continue
				}
				// 4 standard uncertainties: one in 16 000 outside by chance.
				if math.Abs(o.XPx-d[0]) > 4*o.SigmaXPx || math.Abs(o.YPx-d[1]) > 4*o.SigmaYPx || o.SigmaXPx > .5 || o.SigmaYPx > .5 {
					t.Errorf("%s, seed %d: offset (%.2f ± %.2f, %.2f ± %.2f), want %v", c.name, c.s.seed, o.XPx, o.SigmaXPx, o.YPx, o.SigmaYPx, d)
				}
				if o.From != c.from {
					t.Errorf("%s, seed %d: from %s", c.name, c.s.seed, o.From)
				}
			}
		}
	}
}

// Unrelated fields, few spots and even fields have no offset, and the error says why.
func TestNoOffset(t *testing.T) {
	for seed := range uint64(12) {
		s := specimenTruth{seed: seed, spots: 12, texture: .15, counts: 60, shading: .2}
		other := s
		other.seed += 1000
		if o, err := FindOffset(s.frame(1, 64, 64, 0, 0, 1, .3), other.frame(1, 64, 64, 0, 0, 1, .3), OffsetOptions{}); !errors.Is(err, ErrNoOffset) {
			t.Errorf("seed %d: unrelated fields match: %+v, %v", seed, o, err)
		}
	}
	few := specimenTruth{seed: 5, spots: 1, counts: 60}
	_, err := FindOffset(few.frame(1, 48, 40, 0, 0, 1, .3), few.frame(2, 48, 40, 0, 0, 1, .3), OffsetOptions{})
	if !errors.Is(err, ErrNoOffset) {
		t.Errorf("one spot and no texture: %v", err)
	}
	a := few.frame(1, 48, 40, 0, 0, 1, .3)
	b := a
	a.Counts.Pixel, b.Counts.Pixel = maps.Pixel{X: 1e-6, Y: 1e-6}, maps.Pixel{X: 2e-6, Y: 2e-6}
	if _, err = FindOffset(a, b, OffsetOptions{}); !errors.Is(err, ErrNoOffset) {
		t.Errorf("other pixels: %v", err)
	}
	if _, err = FindOffset(a, OffsetField{}, OffsetOptions{}); err == nil || errors.Is(err, ErrNoOffset) {
		t.Errorf("no map of counts: %v", err)
	}
	for _, w := range []int{1, 3} { // tiny and empty fields
		e := OffsetField{Counts: maps.New(w, 1)}
		if _, err = FindOffset(e, e, OffsetOptions{}); !errors.Is(err, ErrNoOffset) {
			t.Errorf("%d pixels without counts: %v", w, err)
		}
	}
}

// The places of the second field go to those of the first.
func TestMove(t *testing.T) {
	o := Offset{XPx: 2, YPx: -1, SigmaXPx: .3, SigmaYPx: .4}
	list := []maps.Spot{{XPx: 5, YPx: 7, SigmaXPx: .4, SigmaYPx: .3}}
	s := o.Move(list, maps.Pixel{X: 1e-6, Y: 1e-6})[0]
	if s.XPx != 7 || s.YPx != 6 || math.Abs(s.SigmaXPx-.5) > 1e-12 || math.Abs(s.SigmaYPx-.5) > 1e-12 || list[0].XPx != 5 {
		t.Errorf("moved to %+v", s)
	}
	if x, y := micrometres(7, 6, maps.Pixel{X: 1e-6, Y: 1e-6}); s.XUm != x || s.YUm != y {
		t.Errorf("(%g, %g) µm", s.XUm, s.YUm)
	}
}
