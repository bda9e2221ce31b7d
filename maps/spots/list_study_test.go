//go:build study

package spots

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// matchRadius is the distance, in pixels and at least, within which a listed spot
// is taken for one that was put in: two widths of that spot, or this.
const matchRadius = 2.5

// mixedField holds none to nine spots of silica of 1 to 2.5 px and d = 5 to 14,
// and two grains of alumina.
func mixedField(rng *rand.Rand, side int, counts float64) (m mosaic, target []planted) {
	s0, tgt := worldAluminium(), worldSilica()
	m = evenMosaic(side, side, counts, s0)
	info := information(s0, tgt.Spectrum)
	alumina := worldMix(map[float64]float64{1487: .45, 525: .30}, .25)
	for i, p := range scatter(rng, rng.IntN(10)+2, side, side, 1, 0, 14, nil) {
		p.s = 1 + 1.5*rng.Float64()
		if i < 2 {
			p.f, p.spectrum = .2+.3*rng.Float64(), alumina
		} else {
			p.f, p.spectrum = cell{counts, p.s, 5 + 9*rng.Float64(), 0}.fraction(info), tgt.Spectrum
			target = append(target, p)
		}
		m.grains = append(m.grains, p)
	}
	return m, target
}

// TestStudyList prints the mean false discovery proportion of the list at q = 0.05
// and 0.10 over mixed fields, the share of spots found, and how well place, width
// and excess of the spots found are estimated, with the coverage of the interval of
// the excess. FIELDS sets the effort.
func TestStudyList(t *testing.T) {
	fields := envInt("FIELDS", 200)
	if testing.Short() {
		fields = 2
	}
	const side, counts = 64, 60.0
	info := information(worldAluminium(), worldSilica().Spectrum)
	fmt.Printf("%d fields of %d × %d pixels of %g counts, 0 to 9 spots and 2 grains of alumina each; match within the larger of %g px and two widths\n", fields, side, side, counts, matchRadius)
	for _, mode := range []substrateMode{blank, same} {
		for _, q := range []float64{.05, .10} {
			if testing.Short() && (mode == same || q > .05) {
				continue
			}
			type outcome struct {
				listed, right, put, held, strong int
				fdp                              float64
				x, excess, width, interval       []float64
			}
			out := make([]outcome, fields)
			parallel(fields, 0, func() func(int) {
				return func(i int) {
					rng := rand.New(rand.NewPCG(41, uint64(i)))
					m, put := mixedField(rng, side, counts)
					f := m.draw(rng)
					opt := mode.options(rng, f, worldAluminium())
					opt.Bootstrap, opt.Workers, opt.Q = 39, 1, q
					r, err := Find(context.Background(), f, opt)
					if err != nil {
						t.Error(err)
						return
					}
					o := &out[i]
					o.put, o.listed = len(put), len(r.Spots)
					hit := make([]bool, len(put))
					for _, s := range r.Spots {
						k := slices.IndexFunc(put, func(p planted) bool {
							return math.Hypot(s.XPx-p.x, s.YPx-p.y) <= math.Max(matchRadius, 2*p.s)
						})
						if k < 0 || hit[k] {
							continue
						}
						hit[k] = true
						o.right++
						k2, k1 := kernelEnergy(put[k].s)
						truth := put[k].f * counts * k1
						o.x = append(o.x, (s.XPx-put[k].x)/s.SigmaXPx)
						o.excess = append(o.excess, (s.ExcessCounts-truth)/s.ExcessSigma)
						o.width = append(o.width, s.WidthPx/put[k].s)
						if put[k].f*math.Sqrt(counts*info*k2) > 9 { // found without the help of chance
							o.strong++
							o.interval = append(o.interval, (s.ExcessHigh-s.ExcessLow)/(2*1.96*s.ExcessSigma))
							if s.ExcessLow <= truth && truth <= s.ExcessHigh {
								o.held++
							}
						}
					}
					if o.listed > 0 {
						o.fdp = float64(o.listed-o.right) / float64(o.listed)
					}
				}
			})
			var put, right, held, strong int
			var fdp, x, excess, width, interval []float64
			for _, o := range out {
				put, right, held, strong = put+o.put, right+o.right, held+o.held, strong+o.strong
				fdp = append(fdp, o.fdp)
				x, excess, width, interval = append(x, o.x...), append(excess, o.excess...), append(width, o.width...), append(interval, o.interval...)
			}
			mean, sd := meanSD(fdp)
			mx, sx := meanSD(x)
			me, se := meanSD(excess)
			mw, sw := meanSD(width)
			mi, _ := meanSD(interval)
			c := float64(held) / float64(strong)
			fmt.Printf("%-11s q %.2f: false discovery proportion %.4f ± %.4f, found %.3f of %d; pulls: x %.2f ± %.2f, excess %.2f ± %.2f; width ratio %.2f ± %.2f; interval of the excess from d = 9 holds %.3f ± %.3f of %d, width %.2f of 2·1.96 sigma\n",
				mode, q, mean, sd/math.Sqrt(float64(fields)), float64(right)/float64(put), put, mx, sx, me, se, mw, sw, c, math.Sqrt(c*(1-c)/float64(strong)), strong, mi)
		}
	}
}

func meanSD(v []float64) (m, s float64) {
	for _, x := range v {
		m += x / float64(len(v))
	}
	for _, x := range v {
		s += (x - m) * (x - m) / float64(len(v)-1)
	}
	return m, math.Sqrt(s)
}
