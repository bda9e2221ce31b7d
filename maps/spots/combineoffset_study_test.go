//go:build study

package spots

import (
	"errors"
	"fmt"
	"math"
	"testing"
)

// TestStudyOffset prints how often FindOffset finds an offset between unrelated fields,
// which is wrong, and how often, and how well, it finds that of two fields of one
// place: shifts of 0, 3.4 and −7.2 px along both sides. FIELDS sets the effort.
func TestStudyOffset(t *testing.T) {
	fields := envInt("FIELDS", 1000)
	if testing.Short() {
		fields = 4
	}
	shifts := []float64{0, 3.4, -7.2}
	for i, c := range []struct {
		name  string
		s     specimenTruth
		seen  float64
		sigma float64
	}{
		{"6 spots", specimenTruth{spots: 6, counts: 60, shading: .2}, .8, .4},
		{"12 spots", specimenTruth{spots: 12, counts: 60, shading: .2}, .8, .4},
		{"40 spots, half seen", specimenTruth{spots: 40, counts: 60, shading: .2}, .5, .4},
		{"16 spots on parallel scratches", specimenTruth{spots: 16, counts: 60, grooves: .1}, .8, .4},
		{"parallel scratches alone", specimenTruth{counts: 60, grooves: .1}, .8, .4},
		{"texture of 5 %", specimenTruth{texture: .05, counts: 60, shading: .2}, 1, .4},
		{"texture of 15 %", specimenTruth{texture: .15, counts: 60, shading: .2}, 1, .4},
		{"12 spots, texture of 10 %", specimenTruth{spots: 12, texture: .1, counts: 60, shading: .2}, .8, .4},
		{"nothing but shading", specimenTruth{counts: 60, shading: .3}, 1, .4},
	} {
		type outcome struct {
			wrong, found, held bool
			far                float64 // distance from the truth
		}
		out := make([]outcome, fields)
		parallel(fields, 0, func() func(int) {
			return func(k int) {
				s := c.s
				s.seed = uint64(10_000_000*i + 2*k)
				other := s
				other.seed++
				o := &out[k]
				a := s.frame(1, 64, 64, 0, 0, c.seen, c.sigma)
				_, err := FindOffset(a, other.frame(2, 64, 64, 0, 0, c.seen, c.sigma), OffsetOptions{Seed: uint64(k)})
				if err != nil && !errors.Is(err, ErrNoOffset) {
					t.Error(err)
				}
				o.wrong = err == nil
				dx, dy := shifts[k%3], shifts[k/3%3]
				f, err := FindOffset(a, s.frame(2, 64, 64, dx, dy, c.seen, c.sigma), OffsetOptions{Seed: uint64(k)})
				if o.found = err == nil; o.found {
					x, y := f.XPx-dx, f.YPx-dy
					o.far = math.Hypot(x, y)
					o.held = math.Abs(x) <= 1.959964*f.SigmaXPx && math.Abs(y) <= 1.959964*f.SigmaYPx
				}
			}
		})
		var wrong, found, held, astray int
		square := 0.0
		for _, o := range out {
			wrong, found, held = wrong+count(o.wrong), found+count(o.found), held+count(o.held)
			if o.found && o.far > 2 {
				astray++
			} else {
				square += o.far * o.far
			}
		}
		share := func(k, n int) string {
			p := float64(k) / float64(max(n, 1))
			return fmt.Sprintf("%.4f ± %.4f", p, math.Sqrt(p*(1-p)/float64(max(n, 1))))
		}
		fmt.Printf("%s: unrelated fields matched %s of %d; true offset found %s, of these more than 2 px away %s, else %.2f px away (root of the mean square), both 95 %% intervals hold %s\n",
			c.name, share(wrong, fields), fields, share(found, fields), share(astray, found), math.Sqrt(square/float64(max(found-astray, 1))), share(held, found))
	}
}
