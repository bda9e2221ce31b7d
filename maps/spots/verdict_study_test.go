//go:build study

package spots

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"example.org/fleck/maps"
)

// TestStudyVerdict prints how spots of known compounds are named, with the
// light lines of the truth off by a log-normal factor of 15 %. FIELDS sets the
// effort.
func TestStudyVerdict(t *testing.T) {
	s0, tgt := worldAluminium(), worldSilica()
	fields := envInt("FIELDS", 40)
	if testing.Short() {
		fields = 1
	}
	type truth struct {
		name              string
		parts             map[float64]float64
		continuum, own    float64
		light             float64 // line that is perturbed
		want              maps.Verdict
		compound, offered string
	}
	truths := []truth{
		{"SiO2", map[float64]float64{1740: .50, 525: .25}, .25, 1740, 525, maps.TargetVerdict, "SiO2", "yes"},
		{"SiC", map[float64]float64{1740: .55, 277: .20}, .25, 1740, 277, maps.OtherCompound, "SiC", "yes"},
		{"WO3", map[float64]float64{1773: .45, 525: .25}, .30, 1773, 525, maps.OtherCompound, "WO3", "yes"},
		{"Al2O3", map[float64]float64{1487: .45, 525: .30}, .25, 1487, 525, "", "", "yes"},
		{"Mg2SiO4", map[float64]float64{1740: .3, 525: .25, 1254: .25}, .20, 1740, 525, maps.CannotTell, "", "no"},
		{"Si", map[float64]float64{1740: .75}, .25, 1740, 0, maps.CannotTell, "", "no"},
	}
	fmt.Println("truth     counts/px  d   put  listed  target  other(right)  other(wrong)  cannot tell | wrong names of listed")
	for _, tr := range truths {
		for _, counts := range []float64{100} {
			for _, d := range []float64{7, 10, 15, 25}[envInt("D0", 0):envInt("D1", 4)] {
				if testing.Short() && d != 15 {
					continue
				}
				tally := make([]struct{ put, listed, target, right, wrong, cannot int }, fields)
				parallel(fields, 0, func() func(int) {
					return func(i int) {
						rng := rand.New(rand.NewPCG(uint64(d*10), uint64(i)))
						parts := map[float64]float64{}
						for e, a := range tr.parts {
							if e == tr.light {
								a *= math.Exp(.15 * rng.NormFloat64())
							}
							parts[e] = a
						}
						spec := worldMix(parts, tr.continuum)
						sp := scatter(rng, 4, 48, 48, 1.2, cell{counts, 1.2, d, 4}.fraction(information(s0, tgt.Spectrum)), 14, spec)
						f := worldField(rng, 48, 48, counts, s0, sp)
						b := blankSpectrum(rng, s0, 4*f.Total())
						opt := worldOptions()
						opt.Substrate, opt.SubstrateCounts, opt.Bootstrap, opt.Workers = b, sumOf(b), 49, 1
						opt.Margin = float64(envInt("MARGIN100", 0)) / 100
						r, err := Find(context.Background(), f, opt)
						if err != nil {
							t.Error(err)
							return
						}
						y := &tally[i]
						for _, q := range sp {
							y.put++
							s, dist := nearest(r.Spots, q.x, q.y)
							if dist > 2.5 {
								continue
							}
							y.listed++
							switch {
							case s.Verdict == maps.TargetVerdict:
								y.target++
							case s.Verdict == maps.OtherCompound && s.Compound == tr.name:
								y.right++
							case s.Verdict == maps.OtherCompound:
								y.wrong++
							default:
								y.cannot++
							}
						}
					}
				})
				var a struct{ put, listed, target, right, wrong, cannot int }
				for _, y := range tally {
					a.put += y.put
					a.listed += y.listed
					a.target += y.target
					a.right += y.right
					a.wrong += y.wrong
					a.cannot += y.cannot
				}
				bad := a.wrong
				if tr.name != "SiO2" {
					bad += a.target
				}
				fmt.Printf("%-9s %6g %6g %5d %6d %7d %10d %13d %12d   | %.3f\n", tr.name, counts, d, a.put, a.listed, a.target, a.right, a.wrong, a.cannot, float64(bad)/math.Max(1, float64(a.listed)))
			}
		}
	}
}
