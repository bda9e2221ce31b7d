//go:build study

package spots

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
	"time"
)

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
