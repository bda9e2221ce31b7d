//go:build study

package spots

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// TestStudyList prints false discoveries and power of the list, and how well
// place, width and excess are estimated.
func TestStudyList(t *testing.T) {
	fields := envInt("FIELDS", 60)
	s0, tgt := worldAluminium(), worldSilica()
	i1 := information(s0, tgt.Spectrum)
	for _, mode := range []substrateMode{blank, same} {
		for _, c := range []cell{{50, 1, 6, 9}, {100, 2.5, 6, 9}, {50, 1, 12, 9}, {100, 2.5, 20, 9}, {50, 1, 7, 1}} {
			type tally struct {
				listed, right, put int
				fdp                float64
				alarm              bool
				zx, zA, dw         []float64
			}
			out := make([]tally, fields)
			parallel(fields, 0, func() func(int) {
				return func(i int) {
					rng := rand.New(rand.NewPCG(41, uint64(i)))
					sp := scatter(rng, c.perMap, 64, 64, c.width, c.fraction(i1), 6*c.width, tgt.Spectrum)
					f := worldField(rng, 64, 64, c.counts, s0, sp)
					opt := mode.options(rng, f, s0)
					opt.Bootstrap, opt.Workers = 99, 1
					r, err := Find(context.Background(), f, opt)
					if err != nil {
						t.Error(err)
						return
					}
					o := &out[i]
					o.put, o.listed, o.alarm = len(sp), len(r.Spots), r.Detected
					hit := make([]bool, len(sp))
					for _, s := range r.Spots {
						for k, q := range sp {
							if !hit[k] && math.Hypot(s.XPx-q.x, s.YPx-q.y) <= math.Max(2.5, 2*c.width) {
								hit[k] = true
								o.right++
								_, k1 := kernelEnergy(q.s)
								o.zx = append(o.zx, (s.XPx-q.x)/s.SigmaXPx)
								o.zA = append(o.zA, (s.ExcessCounts-q.f*c.counts*k1)/s.ExcessSigma)
								o.dw = append(o.dw, s.WidthPx/q.s)
								break
							}
						}
					}
					if o.listed > 0 {
						o.fdp = float64(o.listed-o.right) / float64(o.listed)
					}
				}
			})
			var put, right, alarms int
			fdr := 0.0
			var zx, zA, dw []float64
			for _, o := range out {
				put += o.put
				right += o.right
				fdr += o.fdp / float64(fields)
				if o.alarm {
					alarms++
				}
				zx, zA, dw = append(zx, o.zx...), append(zA, o.zA...), append(dw, o.dw...)
			}
			mx, sx := meanSD(zx)
			mA, sA := meanSD(zA)
			mw, sw := meanSD(dw)
			fmt.Printf("%-10s T %3g width %3g d %2g ×%d: FDR %.3f, found %.3f, fields detected %.2f; pull x %.2f ± %.2f, pull excess %.2f ± %.2f, width ratio %.2f ± %.2f\n",
				mode, c.counts, c.width, c.d, c.perMap, fdr, float64(right)/float64(put), float64(alarms)/float64(fields), mx, sx, mA, sA, mw, sw)
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
