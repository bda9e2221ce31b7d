//go:build study

package spots

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// TestStudyPhases prints the power in fields of two phases, 64 × 64 pixels, nine
// spots of silica on either, at equal 5 % false alarms per field, beside the
// Neyman–Pearson test that knows the phase of every pixel, spectra, width and
// strength: the search with the phases of the field itself, with those of a blank
// field, and with one spectrum for all, as if there were one. Boundaries are sharp, or
// blurred over two pixels: there a pixel is a mixture of both. FIELDS sets the
// effort.
func TestStudyPhases(t *testing.T) {
	nulls, fields := envInt("NULLS", 300), envInt("FIELDS", 40)
	if testing.Short() {
		nulls, fields = 20, 1
	}
	const side, counts, perMap = 64, 50.0, 9
	tgt := worldSilica()
	for _, soft := range []bool{false, true} {
		for _, width := range []float64{1, 2.5} {
			// Strength by the mean information of the two, 2 : 1.
			info := (2*information(worldAluminium(), tgt.Spectrum) + information(worldMagnesium(), tgt.Spectrum)) / 3
			d := map[float64]float64{1: 6.1, 2.5: 5.2}[width] // the oracle finds about 80 %
			f := cell{counts, width, d, perMap}.fraction(info)
			ground := func(rng *rand.Rand) mosaic {
				m := twoPhases(rng, side, counts)
				if soft {
					m.blur()
				}
				return m
			}
			names := []string{"oracle", "phases of the field", "phases of a blank field", "one spectrum"}
			run := func(m mosaic, fd *Field, rng *rand.Rand) [][]float64 {
				known := make([]background, len(m.spectra))
				for k, s := range m.spectra {
					known[k] = newBackground(s, 0, false)
				}
				of := make([]uint8, len(m.label))
				for p, k := range m.label {
					of[p] = uint8(k)
				}
				g := newGround(fd, of, known...)
				g.classify(tgt.Spectrum, 40)
				b := newBank(side, side, mixtureLaw(g.ratios()), []float64{width}, []trial{{0, f, 0}}, 1)
				out := newScanned(side * side)
				b.scan(out, g.mapsOf(fd), b.newScratch())
				us := [][]float64{out.best, searcher(fd, Options{Target: tgt}).first.u}
				other := ground(rng).draw(rng)
				phases, err := FindPhases([]*Field{other}, tgt)
				if err != nil {
					t.Error(err)
				}
				us = append(us, searcher(fd, Options{Target: tgt, Substrate: other.Sum(), Phases: phases}).first.u)
				sum := fd.Sum()
				return append(us, searcher(fd, Options{Target: tgt, Substrate: sum, KeepBlank: true}).first.u)
			}
			tables := make([]powerTable, len(names))
			for k := range tables {
				tables[k] = powerTable{null: make([]float64, nulls), at: make([][]float64, fields)}
			}
			parallel(nulls+fields, 0, func() func(int) {
				return func(i int) {
					rng := rand.New(rand.NewPCG(uint64(100*width), uint64(i)))
					m := ground(rng)
					if i >= nulls {
						m.grains = scatter(rng, perMap, side, side, width, f, 6*width, tgt.Spectrum)
					}
					for k, u := range run(m, m.draw(rng), rng) {
						if i < nulls {
							tables[k].null[i] = slices.Max(u)
						}
						for _, q := range m.grains {
							tables[k].at[i-nulls] = append(tables[k].at[i-nulls], topNear(u, side, q.x, q.y, math.Max(2, 1.5*width)))
						}
					}
				}
			})
			fmt.Printf("two phases, blurred %v, width %g px, %d null fields, %d spots\n", soft, width, nulls, fields*perMap)
			pick := func(n int, rng *rand.Rand) []int {
				out := make([]int, n)
				for i := range out {
					if out[i] = i; rng != nil {
						out[i] = rng.IntN(n)
					}
				}
				return out
			}
			oracle := tables[0].power(pick(nulls, nil), pick(fields, nil))
			for k, name := range names {
				p := tables[k].power(pick(nulls, nil), pick(fields, nil))
				sum, square := 0.0, 0.0
				for i := range 200 {
					rng := rand.New(rand.NewPCG(9, uint64(i)))
					n, m := pick(nulls, rng), pick(fields, rng)
					v := tables[k].power(n, m) / tables[0].power(n, m)
					sum += v
					square += v * v
				}
				fmt.Printf("  %-24s power %.3f, share of the oracle's %.3f ± %.3f\n", name, p, p/oracle, math.Sqrt(math.Max(0, square/200-sum*sum/200/200)))
			}
		}
	}
}

// blur makes pixels within two of a boundary mixtures: a ladder of spectra between
// those of the two phases stands for the share of the second in 5 × 5 pixels.
func (m *mosaic) blur() {
	second := make([]float64, len(m.label))
	ones := make([]float64, len(m.label))
	for p, k := range m.label {
		second[p], ones[p] = float64(k), 1
	}
	a, b := m.spectra[0], m.spectra[1]
	const steps = 25
	m.spectra = make([][]float64, steps+1)
	for i := range m.spectra {
		m.spectra[i] = make([]float64, len(a))
		for c := range a {
			m.spectra[i][c] = (float64(steps-i)*a[c] + float64(i)*b[c]) / steps
		}
	}
	sum, n := boxSum(second, m.w, m.h, 2), boxSum(ones, m.w, m.h, 2)
	for p := range m.label {
		m.label[p] = int(math.Round(steps * sum[p] / n[p]))
	}
}
