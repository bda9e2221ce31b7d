package spots

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"example.org/fleck/maps"
)

// Weight of a particle of 10 × 20 in a field of 100 × 80: 1.48148148148148
// (ISO 13322-1; (100·80)/(90·60)).
func TestEdgeWeight(t *testing.T) {
	if k, err := EdgeWeight(100, 80, 10, 20); err != nil || math.Abs(k-1.48148148148148) > 1e-12 {
		t.Errorf("weight %g, %v", k, err)
	}
	if _, err := EdgeWeight(100, 80, 100, 1); err == nil {
		t.Error("a spot as wide as the field has a weight")
	}
}

// Discs of two sizes thrown at random: those that touch the frame left out, the
// weights give the share of the large ones back.
func TestEdgeCorrection(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 8))
	const w, h = 50.0, 40.0
	var sum [2]float64
	const n = 20000
	for range n {
		for k, d := range []float64{2, 16} {
			x, y := rng.Float64()*w, rng.Float64()*h
			if x < d/2 || y < d/2 || x > w-d/2 || y > h-d/2 {
				continue
			}
			k2, err := EdgeWeight(w, h, d, d)
			if err != nil {
				t.Fatal(err)
			}
			sum[k] += k2
		}
	}
	// Standard error of the large ones: weight 2.45, 41 % kept, 1.2 % of the sum.
	for k := range sum {
		if math.Abs(sum[k]/n-1) > .05 {
			t.Errorf("size %d: %.3f of those thrown", k, sum[k]/n)
		}
	}
}

func TestPercentiles(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 2))
	draw := func(n int) []Sized {
		var s []Sized
		for range n {
			s = append(s, Sized{math.Exp(.5 * rng.NormFloat64()), 1})
		}
		return s
	}
	// Median 1 of a log-normal law: 95 % intervals from 40 spots hold it as often.
	held := 0
	const runs = 200
	for i := range runs {
		p, err := Percentiles(draw(40), []float64{.5}, .95, uint64(i))
		if err != nil {
			t.Fatal(err)
		}
		if p[0].Low <= 1 && 1 <= p[0].High {
			held++
		}
		if !(p[0].Low <= p[0].Value && p[0].Value <= p[0].High) {
			t.Fatalf("%+v", p[0])
		}
	}
	if held < runs*88/100 { // 95 % less 4.5 standard errors
		t.Errorf("%d of %d intervals hold the median", held, runs)
	}
	if _, err := Percentiles(draw(9), []float64{.5}, .95, 1); !errors.Is(err, ErrTooFew) {
		t.Errorf("9 spots: %v", err)
	}
	if _, err := MassPercentiles(draw(500), []float64{.5}, .95, 1); !errors.Is(err, ErrTooFew) {
		t.Errorf("500 spots by mass: %v", err)
	}
	// By mass the median of a log-normal law moves to exp(3σ²) (Hatch & Choate 1929).
	p, err := MassPercentiles(draw(8000), []float64{.5}, .95, 1)
	if err != nil || math.Abs(math.Log(p[0].Value)-.75) > .08 {
		t.Errorf("mass median %+v, want %.3f: %v", p, math.Exp(.75), err)
	}
	for _, bad := range []float64{0, 1, math.NaN()} {
		if _, err := Percentiles(draw(20), []float64{bad}, .95, 1); err == nil {
			t.Errorf("percentile %g is accepted", bad)
		}
	}
	if _, _, _, err := Sizes(nil, 10, 10, maps.Pixel{}); err == nil {
		t.Error("sizes without a pixel size")
	}
	s, unresolved, touching, err := Sizes([]maps.Spot{{DiameterUm: 1, AreaUm2: 1}, {DiameterUm: math.NaN()}, {Touches: true}}, 10, 10, maps.Pixel{X: maps.Micrometre, Y: maps.Micrometre})
	if err != nil || len(s) != 1 || unresolved != 1 || touching != 1 {
		t.Errorf("%v %d %d %v", s, unresolved, touching, err)
	}
}

// Spots of greater width need more counts: their limits are given apart, and the
// curve of each rises from nearly none to nearly all.
func TestLimitByWidth(t *testing.T) {
	if testing.Short() {
		t.Skip("long: left out of short runs")
	}
	f := worldField(rand.New(rand.NewPCG(5, 5)), 26, 26, 60, worldAluminium(), nil)
	opt := worldOptions()
	opt.NoLimit, opt.LimitWidths, opt.Bootstrap, opt.Widths = false, []float64{2}, 39, []float64{.8, 1.6, 2.4}
	r, err := Find(context.Background(), f, opt)
	if err != nil {
		t.Fatal(err)
	}
	l := r.Limit
	if len(l.Wider) != 1 || !(l.Wider[0].ExcessCounts > 1.3*l.ExcessCounts) || l.Wider[0].WidthPx != 2 {
		t.Fatalf("limits %.0f counts at %.1f px, %+v", l.ExcessCounts, l.WidthPx, l.Wider)
	}
	c := l.Wider[0].Curve
	if first, last := c[0], c[len(c)-1]; first.share() > .5 || last.share() < .95 {
		t.Errorf("curve from %.2f to %.2f", first.share(), last.share())
	}
	opt.LimitWidths = []float64{0}
	if _, err := Find(context.Background(), f, opt); err == nil {
		t.Error("a width of 0 px is accepted")
	}
}

// The adjusted strength solves (fitted − f)·information = 1/f.
func TestUnbiasedStrength(t *testing.T) {
	for _, snr := range []float64{2.01, 3, 5, 20} {
		const fitted = 0.3
		info := snr * snr / (fitted * fitted)
		f := unbiased(fitted, info)
		if d := (fitted-f)*info*f - 1; math.Abs(d) > 1e-9 {
			t.Errorf("%g standard deviations: off by %g", snr, d)
		}
	}
	if f := unbiased(0.3, 1); f != 0.15 {
		t.Errorf("a strength below twice its uncertainty becomes %g, want half of it", f)
	}
}
