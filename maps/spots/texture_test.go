package spots

import (
	"math"
	"math/rand/v2"
	"testing"

	"example.org/fleck/maps"
)

// scratched draws counts of 30 per pixel with 20 % shading: two dark grooves and a
// bright one, one pixel wide, and spots of counts on top. It returns the truth of the
// lines too.
func scratched(rng *rand.Rand, n int, list []maps.Spot) (maps.Map, maps.Mask) {
	m, truth := maps.New(n, n), maps.NewMask(n, n)
	for p := range m.V {
		x, y := float64(p%n), float64(p/n)
		mu := 30 * (.9 + .2*x/float64(n))
		switch {
		case math.Abs(y-x/3-12) <= .5, math.Abs(x-50) <= .5:
			mu *= .55
			truth.In[p] = true
		case math.Abs(y+x/5-52) <= .5:
			mu *= 1.5
			truth.In[p] = true
		}
		for _, s := range list {
			mu += 60 * math.Exp(-((x-s.XPx)*(x-s.XPx)+(y-s.YPx)*(y-s.YPx))/2/s.WidthPx/s.WidthPx)
		}
		m.V[p] = float64(poissonDraw(rng, mu))
	}
	return m, truth
}

func TestTextureMask(t *testing.T) {
	const n = 64
	rng := newTestRand(5)
	m, truth := scratched(rng, n, nil)
	mask, err := TextureMask(m, nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	onLines, far := 0, 0
	dist := distances(truth)
	for p, in := range mask.In {
		if x, y := p%n, p/n; min(x, y, n-1-x, n-1-y) < 3 { // no room for flanks
			truth.In[p] = false
		}
		onLines += count(in && truth.In[p])
		far += count(in && dist[p] > 2)
	}
	// Where lines cross, flanks are not even.
	if onLines < truth.Count()*3/4 || far > mask.Count()/10 {
		t.Errorf("%d of %d pixels of lines are marked, %d of %d marks are off them", onLines, truth.Count(), far, mask.Count())
	}
	// Even, shaded, an edge between two phases, over-dispersed, and a grain: no line.
	for _, c := range []struct {
		name string
		mean func(x, y int) float64
	}{
		{"even", func(int, int) float64 { return 4 }},
		{"shaded", func(x, _ int) float64 { return 20 + float64(x) }},
		{"edge", func(x, y int) float64 { return map[bool]float64{true: 40, false: 20}[x+y > n] }},
		{"over-dispersed", func(int, int) float64 { return 30 * math.Exp(.4*rng.NormFloat64()) }},
		{"grain", func(x, y int) float64 {
			return 20 + 400*math.Exp(-math.Pow(math.Hypot(float64(x-30), float64(y-30)), 2)/2)
		}},
	} {
		for p := range m.V {
			m.V[p] = float64(poissonDraw(rng, c.mean(p%n, p/n)))
		}
		// 5 % of maps hold a false mark, which comes with a few neighbours.
		if k, err := TextureMask(m, nil, 0); err != nil || k.Count() > 5 {
			t.Errorf("%s: %d pixels marked, %v", c.name, k.Count(), err)
		}
	}
	m.V[7] = -1
	if _, err := TextureMask(m, nil, 0); err == nil {
		t.Error("negative counts are accepted")
	}
	m.V[7] = 0
	if _, err := TextureMask(m, &maps.Mask{W: 2, H: 2}, 0); err == nil {
		t.Error("a mask of another size is accepted")
	}
}

func count(b bool) int {
	if b {
		return 1
	}
	return 0
}

// Spots are left out of the map that makes the mask. Then spots placed at random are
// not called associated more often than chance allows, either way; spots on
// scratches are.
func TestTextureAssociation(t *testing.T) {
	if testing.Short() {
		t.Skip("long: left out of short runs")
	}
	const n, runs = 64, 40
	rng := newTestRand(6)
	test := func(list []maps.Spot) *Association {
		m, _ := scratched(rng, n, list)
		skip := Around(list, n, n)
		mask, err := TextureMask(m, &skip, 0)
		if err != nil {
			t.Fatal(err)
		}
		a, err := Associate(list, mask, AssociateOptions{Shifts: 99, Seed: rng.Uint64()})
		if err != nil {
			t.Fatal(err)
		}
		return a
	}
	closer, further, mean := 0, 0, 0.0
	for range runs {
		var list []maps.Spot
		for range 10 {
			list = append(list, maps.Spot{XPx: rng.Float64() * (n - 1), YPx: rng.Float64() * (n - 1), WidthPx: .8})
		}
		a := test(list)
		closer += count(a.Attracted <= .05)
		further += count(a.Avoided <= .05)
		mean += a.Attracted / runs
	}
	if limit := binomialLimit(runs, .05); closer > limit || further > limit {
		t.Errorf("spots at random: %d called closer, %d further, of %d; at most %d expected", closer, further, runs, limit)
	}
	// The mean of even p-values scatters by 1/√(12·runs).
	if d := math.Abs(mean - .5); d > 4/math.Sqrt(12*runs) {
		t.Errorf("spots at random: mean p-value %.3f", mean)
	}
	found := 0
	for range 8 {
		var list []maps.Spot
		for range 5 {
			x := 4 + rng.Float64()*(n-9)
			list = append(list, maps.Spot{XPx: x, YPx: x/3 + 12 + .5*rng.NormFloat64(), WidthPx: .8})
			list = append(list, maps.Spot{XPx: 50 + .5*rng.NormFloat64(), YPx: 4 + rng.Float64()*(n-9), WidthPx: .8})
		}
		found += count(test(list).Attracted <= .05)
	}
	if found < 6 { // a part of a scratch full of spots cannot be seen without them
		t.Errorf("ten spots on scratches: %d of 8 patterns are called closer", found)
	}
}
