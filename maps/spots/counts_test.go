package spots

import (
	"context"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"example.org/fleck/maps"
)

// countMap draws Poisson counts around background(x, y) plus Gaussian spots;
// phi > 1 makes the background negative binomial.
func countMap(rng *rand.Rand, w, h int, background func(x, y int) float64, phi float64, spots []planted) maps.Map {
	m := maps.New(w, h)
	m.What = "counts"
	mu := make([]float64, w*h)
	for _, sp := range spots {
		p := newProfile(profile{}, sp.x, sp.y, sp.s, w, h)
		for j := range p.h {
			for i := range p.w {
				mu[(p.y0+j)*w+p.x0+i] += sp.f * p.k[j*p.w+i]
			}
		}
	}
	for y := range h {
		for x := range w {
			b := background(x, y)
			if phi > 1 {
				// Gamma of shape b/(phi−1): sum of squares would need an integer shape;
				// a log-normal of the same mean and variance serves as well.
				v := math.Log1p((phi - 1) / b)
				b *= math.Exp(rng.NormFloat64()*math.Sqrt(v) - v/2)
			}
			m.Set(x, y, float64(poissonDraw(rng, b+mu[y*w+x])))
		}
	}
	return m
}

func TestFindCounts(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	sp := scatter(rng, 5, 64, 64, 1.2, 9, 14, nil)
	m := countMap(rng, 64, 64, func(x, y int) float64 { return 2 + float64(x)/32 }, 1, sp)
	m.Set(3, 3, math.NaN())
	r, err := FindCounts(context.Background(), m, CountOptions{Seed: 1, Bootstrap: 59})
	if err != nil {
		t.Fatal(err)
	}
	if !r.Detected || r.Dispersion != 1 {
		t.Errorf("detected %v (p = %g), dispersion %g; want true, 1", r.Detected, r.PValue, r.Dispersion)
	}
	for _, p := range sp {
		s, d := nearest(r.Spots, p.x, p.y)
		if d > 1.5 {
			t.Errorf("spot at (%.1f, %.1f): nearest listed %.1f px away", p.x, p.y, d)
			continue
		}
		want := p.f * 2 * math.Pi * p.s * p.s
		if z := (s.ExcessCounts - want) / s.ExcessSigma; math.Abs(z) > 5 {
			t.Errorf("excess %.1f ± %.1f, want %.1f", s.ExcessCounts, s.ExcessSigma, want)
		}
		if s.Verdict != maps.CannotTell {
			t.Errorf("verdict %s from a single count map", s.Verdict)
		}
	}
	if !(r.Limit.ExcessCounts > 5 && r.Limit.ExcessCounts < 60) {
		t.Errorf("limit %g excess counts (%s)", r.Limit.ExcessCounts, r.Limit.Reason)
	}
}

// Maps whose background scatters twice as wide as Poisson counts: the field
// verdict keeps its level. 30 maps at alpha = 0.05: more alarms than the
// limit have a chance below 1e-6 (binomial).
func TestFindCountsOverdispersed(t *testing.T) {
	alarms := 0
	for i := range 30 {
		rng := rand.New(rand.NewPCG(11, uint64(i)))
		m := countMap(rng, 32, 32, func(x, y int) float64 { return 5 }, 2, nil)
		r, err := FindCounts(context.Background(), m, CountOptions{Seed: 1, NoLimit: true, Bootstrap: 39, Widths: []float64{1, 2}})
		if err != nil {
			t.Fatal(err)
		}
		if r.Dispersion < 1.5 || r.Dispersion > 2.5 {
			t.Errorf("map %d: dispersion %.2f, want about 2", i, r.Dispersion)
		}
		if r.Detected {
			alarms++
		}
	}
	if limit := binomialLimit(30, .05); alarms > limit {
		t.Errorf("%d of 30 maps without spots raise an alarm at 0.05; more than %d has a chance below 1e-6", alarms, limit)
	}
}

func TestFindCountsRefusesProcessedMaps(t *testing.T) {
	for _, v := range []float64{-1, .5, math.Inf(1)} {
		m := maps.New(4, 4)
		m.V[5] = v
		if _, err := FindCounts(context.Background(), m, CountOptions{}); err == nil {
			t.Errorf("a map with %g is no count map but gave no error", v)
		}
	}
	r, err := FindCounts(context.Background(), maps.New(4, 4), CountOptions{})
	if err != nil || r.Detected || len(r.Spots) != 0 {
		t.Errorf("empty map: %+v, %v", r, err)
	}
}

// A grain wider than every profile is found, and said to be sized too small.
func TestFindCountsWideGrain(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 8))
	m := countMap(rng, 64, 64, func(x, y int) float64 {
		if x >= 20 && x < 50 && y >= 20 && y < 50 {
			return 44
		}
		return 4
	}, 1, nil)
	narrow := countMap(rng, 64, 64, func(x, y int) float64 { return 4 }, 1, []planted{{x: 30, y: 30, s: 1.2, f: 20}})
	for _, tt := range []struct {
		m    maps.Map
		said bool
	}{{m, true}, {narrow, false}} {
		r, err := FindCounts(context.Background(), tt.m, CountOptions{Seed: 1, Bootstrap: 39, NoLimit: true})
		if err != nil {
			t.Fatal(err)
		}
		if len(r.Spots) == 0 {
			t.Fatal("nothing found")
		}
		if said := strings.Contains(strings.Join(r.Remarks, "; "), "as wide as the widest profile"); said != tt.said {
			t.Errorf("remarks %q for a width of %.2f px", r.Remarks, r.Spots[0].WidthPx)
		}
	}
}
