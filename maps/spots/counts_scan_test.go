package spots

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"example.org/fleck/maps"
)

// preparedCounts is a search in a count map up to its replicas.
func preparedCounts(t testing.TB, m maps.Map, opt Options) *countSearch {
	if err := opt.searchDefaults(len(m.V)); err != nil {
		t.Fatal(err)
	}
	if err := opt.levels(); err != nil {
		t.Fatal(err)
	}
	s := &countSearch{n: make([]float64, len(m.V)), valid: make([]bool, len(m.V)), phi: 1, windowS: 5 * opt.Widths[len(opt.Widths)-1]}
	for p, v := range m.V {
		if !math.IsNaN(v) {
			s.n[p], s.valid[p] = v, true
		}
	}
	s.search = search{w: m.W, h: m.H, opt: opt, progress: newProgress(nil, 0)}
	s.prepare()
	return s
}

// unevenCounts are maps of faint and strong counts, plain, with spots, with a wide
// scatter, without some of their pixels, and of odd sizes.
func unevenCounts() []maps.Map {
	rng := rand.New(rand.NewPCG(21, 21))
	sp := scatter(rng, 6, 70, 50, 1.2, 30, 10, nil)
	holes := countMap(rng, 61, 43, func(x, y int) float64 { return 1 + float64(x)/10 }, 1.8, nil)
	for y := range holes.H {
		for x := range holes.W {
			if x < 9 || x+y > 90 || x == 30 && y%3 == 0 {
				holes.Set(x, y, math.NaN())
			}
		}
	}
	return []maps.Map{
		countMap(rng, 70, 50, func(x, y int) float64 { return 3 }, 1, nil),
		countMap(rng, 70, 50, func(x, y int) float64 { return 2 + float64(y)/20 }, 1, sp),
		countMap(rng, 96, 64, func(x, y int) float64 { return 800 }, 60, nil),
		countMap(rng, 90, 40, func(x, y int) float64 { return 0.02 }, 1, nil),
		holes,
		countMap(rng, 7, 5, func(x, y int) float64 { return 4 }, 1, nil),
	}
}

// The local maxima by bounds are those of the whole scan by transforms. The heights
// differ by the rounding of the transforms, about 1e-15 of the largest ratios, which are
// below 1e3 here.
func TestCountScan(t *testing.T) {
	for i, m := range unevenCounts() {
		for _, widths := range [][]float64{nil, {0.2, 1}, {2.2}} {
			s := preparedCounts(t, m, Options{Widths: widths, Bootstrap: 39})
			class, scan := newClassMaps(2, len(s.n)), newCountScan(s.bank, s.valid)
			whole, sc := newScanned(len(s.n)), s.bank.newScratch()
			if scan.costly >= 0 {
				scan.costly = len(s.n)
			}
			for stream := range uint64(4) {
				s.draw(class, stream)
				s.bank.scan(whole, class, sc)
				want := localMaxima(nil, whole.u, s.w, s.h)
				got, top := scan.peaks(class)
				slices.SortFunc(got, func(a, b peak) int { return cmp.Or(cmp.Compare(b.u, a.u), cmp.Compare(a.p, b.p)) })
				if math.Abs(top-slices.Max(whole.u)) > 1e-11 || len(got) != len(want) {
					t.Fatalf("map %d, widths %v, replica %d: %d maxima up to %g, want %d up to %g", i, widths, stream, len(got), top, len(want), slices.Max(whole.u))
				}
				for k := range want {
					if got[k].p != want[k].p || math.Abs(got[k].u-want[k].u) > 1e-11 {
						t.Fatalf("map %d, widths %v, replica %d: maximum %d is %v, want %v", i, widths, stream, k, got[k], want[k])
					}
				}
			}
		}
	}
}

// Heights and limit are those by transforms, for any number of workers.
func TestCountsLikeTransforms(t *testing.T) {
	if testing.Short() {
		t.Skip("long: left out of short runs")
	}
	ctx := context.Background()
	rng := rand.New(rand.NewPCG(22, 22))
	holed := countMap(rng, 34, 26, func(x, y int) float64 { return 3 }, 2, []planted{{x: 20, y: 12, s: 1.2, f: 20}})
	for x := range 6 {
		holed.Set(x, 3+x, math.NaN())
	}
	for i, m := range []maps.Map{holed, countMap(rng, 7, 5, func(x, y int) float64 { return 4 }, 1, nil)} {
		s := preparedCounts(t, m, Options{Widths: []float64{1, 2.5}, LimitWidths: []float64{2}, Bootstrap: 39, Workers: 3})
		bounds := s.scanner
		s.scanner = nil
		if err := s.simulate(ctx); err != nil {
			t.Fatal(err)
		}
		want := s.null
		limit, err := s.limit(ctx)
		if err != nil {
			t.Fatal(err)
		}
		s.scanner = bounds
		// The same threshold, so that rounding does not decide about a spot.
		if got, err := s.limit(ctx); err != nil || printed(got) != printed(limit) {
			t.Errorf("map %d: limit %+v, %v; want %+v", i, got, err, limit)
		}
		var first nullLaw
		for _, workers := range []int{1, 3} {
			s.opt.Workers = workers
			if err := s.simulate(ctx); err != nil {
				t.Fatal(err)
			}
			if workers == 1 {
				first = s.null
			}
		}
		if !reflect.DeepEqual(first, s.null) {
			t.Errorf("map %d: other heights with three workers than with one", i)
		}
		if len(first.heights) != len(want.heights) {
			t.Fatalf("map %d: %d heights, want %d", i, len(first.heights), len(want.heights))
		}
		for k, v := range append(slices.Clone(first.heights), first.maxima...) {
			if w := append(slices.Clone(want.heights), want.maxima...)[k]; math.Abs(v-w) > 1e-11 {
				t.Fatalf("map %d: height %d is %v, want %v", i, k, v, w)
			}
		}
	}
}

// printed is a limit as text, in which NaN equals NaN.
func printed(l Limit) string { return fmt.Sprintf("%+v", l) }

// The moments about every pixel give the background of the moments about the origin.
// Rounding of the latter grows with the square of the side over the window.
func TestCountLevel(t *testing.T) {
	for i, m := range unevenCounts() {
		for _, windowS := range []float64{2.5, 6, 40} {
			s := preparedCounts(t, m, Options{Widths: []float64{1}, Bootstrap: 39})
			s.windowS = windowS
			s.plain = s.moments(nil)
			s.planes = s.newPlanes()
			got := make([]float64, len(s.n))
			s.level(got, s.n)
			for p, want := range s.background(s.n, nil) {
				if !(math.Abs(got[p]-want) <= 1e-11*want) {
					t.Fatalf("map %d, window %g: background %v of pixel %d, want %v", i, windowS, got[p], p, want)
				}
			}
		}
	}
}

func TestLogBound(t *testing.T) {
	for _, s := range []float64{0.2, 0.8, 4} {
		r := radiusPx(s)
		p := newProfile(profile{}, float64(r), float64(r), s, 2*r+1, 2*r+1)
		for f := 1e-6; f < 1e6; f *= 2.3 {
			a2, a3 := logBound(f, p.k)
			if !(a2 > 0 && a3 >= 0) {
				t.Fatalf("f = %g: weights %g, %g", f, a2, a3)
			}
			for i := range 1001 {
				k := float64(i) / 1000
				// The terms round to 1e-15 of the largest.
				if bound := f*k - a2*k*k + a3*k*k*k; !(bound >= math.Log1p(f*k)-1e-14*(f+a2+a3)) {
					t.Fatalf("f = %g: bound %v at %g below %v", f, bound, k, math.Log1p(f*k))
				}
			}
		}
	}
	// The series against the closed form where both are good.
	low, slopeLow := logLoss(math.Nextafter(0.1, 0))
	high, slopeHigh := logLoss(0.1)
	if math.Abs(low-high) > 1e-13 || math.Abs(slopeLow-slopeHigh) > 1e-12 {
		t.Errorf("series %v, %v; closed form %v, %v", low, slopeLow, high, slopeHigh)
	}
}

// BenchmarkCountReplica draws and searches one replica of a map of 400 × 600 pixels, by
// transforms of all of it and as the search does.
func BenchmarkCountReplica(b *testing.B) {
	rng := rand.New(rand.NewPCG(2, 2))
	s := preparedCounts(b, countMap(rng, 400, 600, func(x, y int) float64 { return 1.5 + float64(x)/800 }, 1.2, nil), Options{})
	class, scan := newClassMaps(2, len(s.n)), newCountScan(s.bank, s.valid)
	report := func(b *testing.B) {
		b.ReportMetric(float64(len(s.n))*float64(b.N)/b.Elapsed().Seconds(), "px/s")
	}
	b.Run("way=transforms", func(b *testing.B) {
		whole, sc := newScanned(len(s.n)), s.bank.newScratch()
		i := uint64(0)
		for b.Loop() {
			s.draw(class, i)
			s.bank.scan(whole, class, sc)
			localMaxima(nil, whole.u, s.w, s.h)
			i++
		}
		report(b)
	})
	b.Run("way=bounds", func(b *testing.B) {
		i := uint64(0)
		for b.Loop() {
			s.draw(class, i)
			scan.peaks(class)
			i++
		}
		report(b)
	})
}

// BenchmarkCountLevel is the background of a replica of 400 × 600 pixels.
func BenchmarkCountLevel(b *testing.B) {
	rng := rand.New(rand.NewPCG(3, 3))
	s := preparedCounts(b, countMap(rng, 400, 600, func(x, y int) float64 { return 2 }, 1, nil), Options{})
	out := make([]float64, len(s.n))
	b.Run("way=blur", func(b *testing.B) {
		for b.Loop() {
			copy(out, s.background(s.n, nil))
		}
		b.ReportMetric(float64(len(s.n))*float64(b.N)/b.Elapsed().Seconds(), "px/s")
	})
	b.Run("way=level", func(b *testing.B) {
		for b.Loop() {
			s.level(out, s.n)
		}
		b.ReportMetric(float64(len(s.n))*float64(b.N)/b.Elapsed().Seconds(), "px/s")
	})
}
