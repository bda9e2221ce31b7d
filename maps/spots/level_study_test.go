//go:build study

package spots

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"

	"example.org/fleck/maps"
)

// tilted returns the substrate seen under another take-off angle: every line, and
// the continuum, absorbed as (1−exp(−x))/x with x = μ·ρz/sin ψ. Mass attenuation
// coefficients of aluminium, cm²/g, are rounded and from memory, unverified; ρz
// is about the electron range at 5 keV. They only set the size of the effect:
// ±20° change O K by −35 to +15 % against Al K.
func tilted(angleDeg float64) []float64 {
	factor := func(mu float64) float64 {
		a := func(psi float64) float64 {
			x := mu * 8e-5 / math.Sin(psi*math.Pi/180)
			return (1 - math.Exp(-x)) / x
		}
		return a(35+angleDeg) / a(35)
	}
	return worldMix(map[float64]float64{277: .02 * factor(30000), 525: .03 * factor(6700), 1487: .65 * factor(390)}, .30*factor(2500))
}

func shifted(s []float64, ev float64) []float64 {
	out := make([]float64, len(s))
	t := ev / 20
	for c := range out {
		out[c] = s[c]
		if c > 0 && c < len(s)-1 { // the overflow channel stays
			out[c] = (1-t)*s[c] + t*s[c-1]
		}
	}
	return out
}

// nullCondition makes a field without target and the one its blank is taken
// from; both are of the same kind.
type nullCondition struct {
	name string
	make func(rng *rand.Rand, side int, counts float64) (field, blank mosaic)
}

func nullConditions() []nullCondition {
	s0 := worldAluminium()
	both := func(f func(rng *rand.Rand, side int, counts float64) mosaic) func(*rand.Rand, int, float64) (mosaic, mosaic) {
		return func(rng *rand.Rand, side int, counts float64) (mosaic, mosaic) {
			return f(rng, side, counts), f(rng, side, counts)
		}
	}
	grains := func(n int, spectrum []float64, low, high, strength float64) func(*rand.Rand, int, float64) (mosaic, mosaic) {
		return both(func(rng *rand.Rand, side int, counts float64) mosaic {
			m := evenMosaic(side, side, counts, s0)
			for range n {
				m.grains = append(m.grains, planted{rng.Float64() * float64(side-1), rng.Float64() * float64(side-1),
					low + rng.Float64()*(high-low), strength * (.3 + .7*rng.Float64()), spectrum})
			}
			return m
		})
	}
	alumina := worldMix(map[float64]float64{1487: .45, 525: .30}, .25)
	salt := worldMix(map[float64]float64{1041: .35}, .30)
	for c := range salt {
		salt[c] *= .65
	}
	salt[worldChannels-1] += .35 // Cl K lies above the last channel
	return []nullCondition{
		{"plain", both(func(_ *rand.Rand, side int, counts float64) mosaic { return evenMosaic(side, side, counts, s0) })},
		{"20 % shading", both(func(_ *rand.Rand, side int, counts float64) mosaic {
			m := evenMosaic(side, side, counts, s0)
			for p := range m.mean {
				m.mean[p] *= 1 + .2*(2*float64(p%side)/float64(side-1)-1)
			}
			return m
		})},
		{"±20° facets", both(func(rng *rand.Rand, side int, counts float64) mosaic {
			m := evenMosaic(side, side, counts, s0)
			n := 12
			m.spectra = nil
			var yield []float64
			for range n {
				a := 40*rng.Float64() - 20
				m.spectra = append(m.spectra, tilted(a))
				yield = append(yield, 1+a/100) // more counts towards the detector
			}
			m.cells(rng, n, func(i int) int { return i })
			for p := range m.mean {
				m.mean[p] *= yield[m.label[p]]
			}
			return m
		})},
		{"5 eV gain shift", func(_ *rand.Rand, side int, counts float64) (mosaic, mosaic) {
			return evenMosaic(side, side, counts, shifted(s0, 5)), evenMosaic(side, side, counts, s0)
		}},
		{"5 % dose drift", both(func(_ *rand.Rand, side int, counts float64) mosaic {
			m := evenMosaic(side, side, counts, s0)
			for p := range m.mean {
				m.mean[p] *= 1 - .05*float64(p/side)/float64(side-1)
			}
			return m
		})},
		{"carbon growth", both(func(_ *rand.Rand, side int, counts float64) mosaic {
			m := evenMosaic(side, side, counts, s0)
			m.spectra = nil
			for y := range side {
				m.spectra = append(m.spectra, worldMix(map[float64]float64{277: .02 + .04*float64(y)/float64(side-1), 525: .03, 1487: .65}, .30))
			}
			for p := range m.label {
				m.label[p] = p / side
			}
			return m
		})},
		{"two phases", both(twoPhases)},
		{"blurred phases", both(func(rng *rand.Rand, side int, counts float64) mosaic {
			m := twoPhases(rng, side, counts)
			m.blur()
			return m
		})},
		{"alumina grains", grains(6, alumina, .8, 2, .6)},
		{"oxide patches", grains(5, alumina, 2.5, 5, .3)},
		{"salt", grains(5, salt, .8, 2.5, .6)},
		{"carbon", grains(5, worldMix(map[float64]float64{277: .5, 525: .05}, .45), .8, 3, .6)},
	}
}

// alarmed reports whether Find raises an alarm at alpha = 0.05 in a field, and
// whether a spot is named as the target. 39 replicas allow an alarm only if at
// most one reaches the field, so that the search can end early as soon as two
// have: no spot can be higher than the highest place of the first scan (but for
// what taking out a neighbour adds to it).
func alarmed(f *Field, opt Options) (alarm, named, mismatch bool, err error) {
	opt.Bootstrap, opt.Workers, opt.NoLimit = 39, 1, true
	full, err := opt.withDefaults(f)
	if err != nil {
		return false, false, false, err
	}
	s := newCubeSearch(f, full)
	if err := s.prepare(context.Background()); err != nil {
		return false, false, false, err
	}
	mismatch = s.match.p < blankAlpha
	top, higher := slices.Max(s.first.u), 0
	sc, out, class := s.bank.newScratch(), newScanned(s.w*s.h), newClassMaps(s.bank.law.n, s.w*s.h)
	for i := range full.Bootstrap {
		s.draw(class, uint64(i))
		s.bank.scan(out, class, sc)
		if s.refine != nil && s.refine(class, out) {
			s.bank.scan(out, class, sc)
		}
		if slices.Max(out.u) >= top {
			if higher++; higher == 2 {
				return false, false, mismatch, nil
			}
		}
	}
	r, err := Find(context.Background(), f, opt)
	if err != nil {
		return false, false, false, err
	}
	for _, s := range r.Spots {
		named = named || s.Verdict == maps.TargetVerdict
	}
	return r.Detected, named, mismatch, nil
}

// TestStudyFalseAlarms prints the rate of alarms in fields without target.
// FIELDS sets the effort, SIDE the size, CONDITION chooses by a part of the name.
func TestStudyFalseAlarms(t *testing.T) {
	fields, side := envInt("FIELDS", 1000), envInt("SIDE", 32)
	if testing.Short() {
		fields = 1
	}
	total := [2]struct{ alarms, fields int }{}
	fmt.Printf("alarms per field without target at alpha 0.05, %d × %d pixels of 50 counts\n", side, side)
	for _, cond := range nullConditions() {
		if only := envString("CONDITION"); only != "" && !strings.Contains(cond.name, only) {
			continue
		}
		for k, mode := range []substrateMode{blank, same} {
			var mu sync.Mutex
			var alarms, names, mismatches int
			parallel(fields, 0, func() func(int) {
				return func(i int) {
					rng := rand.New(rand.NewPCG(77, uint64(i)))
					field, other := cond.make(rng, side, 50)
					f := field.draw(rng)
					opt := Options{Target: worldSilica(), Confusers: worldConfusers(), Seed: rng.Uint64(),
						Nuisance: []Template{{Name: "C K", Spectrum: worldLine(277)}}}
					if mode == blank {
						b := other.draw(rng)
						opt.Substrate = b.Sum()
						phases, err := FindPhases([]*Field{b}, opt.Target)
						if err != nil {
							t.Error(err)
							return
						}
						if len(phases) > 1 {
							opt.Phases = phases
						}
					}
					a, n, m, err := alarmed(f, opt)
					if err != nil {
						t.Errorf("%s: %v", cond.name, err)
						return
					}
					mu.Lock()
					defer mu.Unlock()
					alarms, names, mismatches = alarms+count(a), names+count(n), mismatches+count(m)
				}
			})
			p := float64(alarms) / float64(fields)
			se := math.Sqrt(math.Max(p, .5/float64(fields)) * (1 - p) / float64(fields))
			fmt.Printf("  %-16s %-12s alarms %.4f ± %.4f (%d of %d); spots named target in %.4f; blank given up in %d\n", cond.name, mode, p, se, alarms, fields, float64(names)/float64(fields), mismatches)
			total[k].alarms, total[k].fields = total[k].alarms+alarms, total[k].fields+fields
		}
	}
	for k, mode := range []substrateMode{blank, same} {
		p := float64(total[k].alarms) / float64(total[k].fields)
		fmt.Printf("all, %s: %.4f ± %.4f\n", mode, p, math.Sqrt(p*(1-p)/float64(total[k].fields)))
	}
}
