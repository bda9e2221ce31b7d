package spots

import (
	"math"
	"math/rand/v2"
	"testing"

	"example.org/fleck/maps"
)

// scratches marks three lines of one pixel.
func scratches(n int) maps.Mask {
	m := maps.NewMask(n, n)
	for i := range n {
		m.In[(n/5)*n+i] = true
		m.In[(n/2)*n+i] = true
		m.In[i*n+(3*n)/4] = true
	}
	return m
}

func TestDistances(t *testing.T) {
	m := maps.NewMask(13, 9)
	rng := rand.New(rand.NewPCG(1, 1))
	for range 6 {
		m.In[rng.IntN(len(m.In))] = true
	}
	for p, got := range distances(m) {
		want := math.Inf(1)
		for q, in := range m.In {
			if in {
				want = math.Min(want, math.Hypot(float64(p%13-q%13), float64(p/13-q/13)))
			}
		}
		if math.Abs(got-want) > 1e-12 {
			t.Fatalf("pixel %d: %g, directly %g", p, got, want)
		}
	}
}

// Spots on scratches are found to be there; of clusters placed anywhere, no more
// than chance allows, where placing spots one by one would raise many alarms.
func TestAssociate(t *testing.T) {
	const n = 64
	m := scratches(n)
	rng := rand.New(rand.NewPCG(3, 3))
	var on []maps.Spot
	for range 6 { // on two scratches across each other
		on = append(on, maps.Spot{XPx: rng.Float64() * (n - 1), YPx: n/5 + rng.NormFloat64()*.4})
		on = append(on, maps.Spot{XPx: 3*n/4 + rng.NormFloat64()*.4, YPx: rng.Float64() * (n - 1)})
	}
	a, err := Associate(on, m, AssociateOptions{Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	if a.Inside < 11 || a.Attracted > .02 || !(a.MeanPx < a.MeanNull) {
		t.Errorf("12 spots on a scratch: %+v", a)
	}
	alarms := 0
	const runs = 100
	for i := range runs {
		var s []maps.Spot
		for range 2 { // two clusters of six
			x, y := rng.Float64()*(n-1), rng.Float64()*(n-1)
			for range 6 {
				s = append(s, maps.Spot{XPx: math.Mod(x+3*rng.NormFloat64()+n, n-1), YPx: math.Mod(y+3*rng.NormFloat64()+n, n-1)})
			}
		}
		a, err := Associate(s, m, AssociateOptions{Shifts: 99, Seed: uint64(i)})
		if err != nil {
			t.Fatal(err)
		}
		if a.Attracted <= .05 {
			alarms++
		}
	}
	if limit := binomialLimit(runs, .05); alarms > limit {
		t.Errorf("%d of %d clustered patterns placed at random are called associated, at most %d expected", alarms, runs, limit)
	}
	for _, bad := range []AssociateOptions{{NearPx: -1}, {Shifts: 5}, {Within: &maps.Mask{W: 2, H: 2}}} {
		if _, err := Associate(on, m, bad); err == nil {
			t.Errorf("%+v is accepted", bad)
		}
	}
	if _, err := Associate(on, maps.NewMask(n, n), AssociateOptions{}); err == nil {
		t.Error("a mask that marks nothing is accepted")
	}
	img := maps.New(2, 1)
	img.V[0], img.V[1] = 3, math.NaN()
	if k, err := MaskAbove(img, 2, false); err != nil || !k.In[0] || k.In[1] {
		t.Errorf("mask %v, %v", k.In, err)
	}
}
