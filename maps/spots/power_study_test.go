//go:build study

package spots

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"testing"
	"time"
)

// A detector returns the map of its statistic for one field of the study; rng
// is its own source of chance (blank fields).
type detector struct {
	name string
	run  func(f *Field, rng *rand.Rand) []float64
}

type cell struct {
	counts, width, d float64
	perMap           int
}

func (c cell) fraction(i1 float64) float64 {
	k2, _ := kernelEnergy(c.width)
	return c.d / math.Sqrt(c.counts*i1*k2)
}

func information(s0, s1 []float64) float64 {
	t := 0.0
	for c := range s0 {
		d := s1[c] - s0[c]
		t += d * d / s0[c]
	}
	return t
}

// oracle is the Neyman–Pearson statistic with spectra, size and strength
// known and the place scanned, one class per channel.
func oracle(c cell, s0, s1 []float64, w, h int) detector {
	n := len(s0)
	cl := &classes{of: make([]uint8, n), s0: s0, s1: s1, r: make([]float64, n)}
	for i := range s0 {
		cl.of[i] = uint8(i)
		cl.r[i] = s1[i] / s0[i]
	}
	b := newBank(w, h, mixtureLaw(cl.r), []float64{c.width}, []trial{{0, c.fraction(information(s0, s1)), 0}}, 1)
	return detector{"oracle", func(f *Field, _ *rand.Rand) []float64 {
		out := newScanned(w * h)
		b.scan(out, cl.mapsOf(f), b.newScratch())
		return out.best
	}}
}

func searcher(f *Field, opt Options) *cubeSearch {
	opt, err := opt.withDefaults(f)
	if err != nil {
		panic(err)
	}
	opt.Workers = 1
	s := newCubeSearch(f, opt)
	if err := s.prepare(context.Background()); err != nil {
		panic(err)
	}
	return s
}

// blankSpectrum is the sum spectrum of a blank field with the same counts.
func blankSpectrum(rng *rand.Rand, s0 []float64, counts float64) []float64 {
	out := make([]float64, len(s0))
	for c, p := range s0 {
		out[c] = float64(poissonDraw(rng, counts*p))
	}
	return out
}

func studyDetectors(c cell, s0 []float64, tgt Template, w, h int) []detector {
	lineOnly := tgt
	// The own line alone, as a map of one line would use it.
	lineOnly.Spectrum = append([]float64(nil), tgt.Line...)
	return []detector{
		oracle(c, s0, tgt.Spectrum, w, h),
		{"known substrate", func(f *Field, _ *rand.Rand) []float64 {
			return searcher(f, Options{Target: tgt, Substrate: s0}).first.u
		}},
		{"blank field", func(f *Field, rng *rand.Rand) []float64 {
			b := blankSpectrum(rng, s0, f.Total())
			return searcher(f, Options{Target: tgt, Substrate: b, SubstrateCounts: sumOf(b)}).first.u
		}},
		{"same field", func(f *Field, _ *rand.Rand) []float64 {
			return searcher(f, Options{Target: tgt}).first.u
		}},
		{"line only, same field", func(f *Field, _ *rand.Rand) []float64 {
			return searcher(f, Options{Target: lineOnly}).first.u
		}},
	}
}

// measure returns the threshold of 5 % false alarms per field and the power.
func studyPower(det detector, c cell, s0 []float64, tgt Template, w, h, nulls, fields int) (threshold, power float64, n int) {
	f := c.fraction(information(s0, tgt.Spectrum))
	maxima := make([]float64, nulls)
	parallel(nulls, 0, func() func(int) {
		return func(i int) {
			rng := rand.New(rand.NewPCG(1, uint64(i)))
			fd := worldField(rng, w, h, c.counts, s0, nil)
			maxima[i] = slices.Max(det.run(fd, rng))
		}
	})
	slices.Sort(maxima)
	threshold = maxima[int(math.Ceil(.95*float64(nulls)))-1]
	hits, total := make([]int, fields), make([]int, fields)
	parallel(fields, 0, func() func(int) {
		return func(i int) {
			rng := rand.New(rand.NewPCG(2, uint64(i)))
			sp := scatter(rng, c.perMap, w, h, c.width, f, 6*c.width, tgt.Spectrum)
			fd := worldField(rng, w, h, c.counts, s0, sp)
			u := det.run(fd, rng)
			total[i] = len(sp)
			r := math.Max(2, 1.5*c.width)
			for _, q := range sp {
				top := math.Inf(-1)
				for y := range h {
					for x := range w {
						if math.Hypot(float64(x)-q.x, float64(y)-q.y) <= r {
							top = math.Max(top, u[y*w+x])
						}
					}
				}
				if top > threshold {
					hits[i]++
				}
			}
		}
	})
	h0 := 0
	for i := range hits {
		h0 += hits[i]
		n += total[i]
	}
	return threshold, float64(h0) / float64(n), n
}

func envInt(name string, def int) int {
	if v, err := strconv.Atoi(os.Getenv(name)); err == nil {
		return v
	}
	return def
}

// TestStudyPower prints the power against the oracle, at 5 % false alarms per
// field, over dose, size and strength. NULLS and FIELDS set the effort,
// FIRST and LAST choose rows.
func TestStudyPower(t *testing.T) {
	s0, tgt := worldAluminium(), worldSilica()
	nulls, fields := envInt("NULLS", 300), envInt("FIELDS", 60)
	fmt.Printf("information per count %.2f; %d fields without, %d with spots\n", information(s0, tgt.Spectrum), nulls, fields)
	first, last := envInt("FIRST", 0), envInt("LAST", 99)
	for i, c := range []cell{
		{20, 1, 6, 9}, {50, 1, 6, 9}, {50, 1, 7, 9}, {100, 1, 6, 9}, {200, 1, 6, 9},
		{50, 2.5, 6, 9}, {100, 2.5, 5, 9}, {100, 2.5, 6, 9}, {200, 2.5, 6, 9}, {100, 1.5, 6, 1},
	} {
		if i < first || i > last {
			continue
		}
		fmt.Printf("counts/px %g, width %g px, d %g, %d per field\n", c.counts, c.width, c.d, c.perMap)
		base := math.NaN()
		for _, det := range studyDetectors(c, s0, tgt, 64, 64) {
			start := time.Now()
			nf := fields
			if c.perMap == 1 {
				nf *= 6
			}
			thr, p, n := studyPower(det, c, s0, tgt, 64, 64, nulls, nf)
			if math.IsNaN(base) {
				base = p
			}
			fmt.Printf("  %-22s threshold %5.2f  power %.3f ± %.3f  of oracle %.3f   (%.0f s)\n", det.name, thr, p, math.Sqrt(p*(1-p)/float64(n)), p/base, time.Since(start).Seconds())
		}
	}
}
