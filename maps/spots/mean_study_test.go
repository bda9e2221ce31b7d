//go:build study

package spots

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// TestStudyFieldMean prints how often the test of the field mean finds a uniform
// deposit of small particles, none of which can be seen alone (0.3 counts each),
// at the numbers of particles for which the Neyman–Pearson test finds 90 % at a
// false-alarm rate of 5 %, once with both spectra known and once with the same blank
// fields in place of the substrate's; the same without a deposit; and what the search for spots makes of these fields. FIELDS sets the effort.
func TestStudyFieldMean(t *testing.T) {
	runs := envInt("FIELDS", 2000)
	if testing.Short() {
		runs = 40
	}
	s0, tgt := worldAluminium(), worldSilica()
	info := information(s0, tgt.Spectrum)
	const side, counts, each = 64, 50.0, 0.3
	total := counts * side * side
	nuisance := []Template{{Name: "C K", Spectrum: worldLine(277)}}
	for _, c := range []struct {
		treated, blanks int
		spread          float64 // of the own-line counts of blanks, relative to counting
	}{{1, 10, 0}, {3, 10, 0}, {5, 5, 0}, {1, 10, .5}, {1, 10, 1}, {5, 5, 1}} {
		inflate := math.Sqrt(1 + float64(c.treated)/float64(c.blanks))
		for _, dose := range []struct {
			what string
			d    float64
		}{{"none", 0}, {"90 % of the oracle with known spectra", 2.926}, {"90 % of the oracle with the blanks at hand", 2.926 * inflate}} {
			// Counts of target in a treated field. 2.926 is the sum of the normal
			// quantiles of 95 and 90 %.
			target := dose.d * math.Sqrt(total*float64(c.treated)/info) / float64(c.treated)
			hit := make([]bool, runs)
			parallel(runs, 0, func() func(int) {
				return func(i int) {
					rng := rand.New(rand.NewPCG(5, uint64(i)))
					line := total * .005 * tgtShare(tgt)
					draw := func(extra float64) []float64 {
						own := c.spread * math.Sqrt(line) * rng.NormFloat64()
						s := make([]float64, len(s0))
						particles := poissonDraw(rng, extra/each)
						more := float64(poissonDraw(rng, each*float64(particles)))
						for c := range s {
							mu := (total-more)*s0[c] + more*tgt.Spectrum[c] + math.Max(-.5*total*s0[c], own*tgt.Line[c]/tgtShare(tgt))
							s[c] = distuv.Poisson{Lambda: mu, Src: rng}.Rand()
						}
						return s
					}
					var treated, blanks [][]float64
					for range c.treated {
						treated = append(treated, draw(target))
					}
					for range c.blanks {
						blanks = append(blanks, draw(0))
					}
					m, err := FieldMean(treated, blanks, MeanOptions{Target: tgt, Nuisance: nuisance})
					if err != nil {
						t.Error(err)
						return
					}
					hit[i] = m.PValue <= .05
				}
			})
			n := 0
			for _, h := range hit {
				n += count(h)
			}
			p := float64(n) / float64(runs)
			fmt.Printf("%d treated, %2d blanks, blanks scatter %g of counting, %4.0f counts of target a field (%s): found %.3f ± %.3f of %d\n",
				c.treated, c.blanks, c.spread, target, dose.what, p, math.Sqrt(p*(1-p)/float64(runs)), runs)
		}
	}
	// The search for spots in such fields: the alarms stay at their level.
	fields := runs / 20
	alarms := 0
	for i := range fields {
		rng := rand.New(rand.NewPCG(6, uint64(i)))
		f := 2.93 / math.Sqrt(total*info)
		mixed := make([]float64, len(s0))
		for c := range mixed {
			mixed[c] = (1-f)*s0[c] + f*tgt.Spectrum[c]
		}
		fd := evenMosaic(32, 32, counts, mixed).draw(rng)
		a, _, _, err := alarmed(fd, Options{Target: tgt, Substrate: evenMosaic(32, 32, counts, s0).draw(rng).Sum(), Seed: uint64(i)})
		if err != nil {
			t.Fatal(err)
		}
		alarms += count(a)
	}
	fmt.Printf("spots claimed in %d of %d such fields\n", alarms, fields)
}

func tgtShare(t Template) float64 { return sumOf(t.Line) }
