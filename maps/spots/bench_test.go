package spots

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// wideWorld is a field of 1024 channels of 10 eV: a steel-like substrate and a
// titania-like target, Gaussian lines of 90 eV FWHM at all energies (for speed
// only the shape matters).
func wideWorld() (s0 []float64, target, confuser Template) {
	const n = 1024
	mix := func(continuum float64, lines map[int]float64) []float64 {
		out := make([]float64, n)
		for c := range out {
			e := 10 * float64(c+1)
			out[c] = continuum * (15000 - e) / e * math.Exp(-math.Pow(400/e, 2)) / 30000
		}
		for _, at := range []int{52, 231, 425, 447, 451, 483, 493, 541, 573, 640, 706} {
			for c := range out {
				d := float64(c-at) / 3.8
				out[c] += lines[at] * math.Exp(-d*d/2) / (3.8 * math.Sqrt(2*math.Pi))
			}
		}
		t := sumOf(out)
		for c := range out {
			out[c] /= t
		}
		return out
	}
	own := func(name string, continuum float64, lines map[int]float64, own map[int]float64) Template {
		t := Template{Name: name, Spectrum: mix(continuum, lines)}
		rest := map[int]float64{}
		for at, a := range lines {
			rest[at] = a - own[at]
		}
		// The family is what the rest leaves of the whole; both share one scale.
		whole, other := sumOf(mixRaw(n, continuum, lines)), mixRaw(n, continuum, rest)
		t.Line = make([]float64, n)
		for c := range t.Line {
			t.Line[c] = math.Max(0, t.Spectrum[c]-other[c]/whole)
		}
		return t
	}
	s0 = mix(.5, map[int]float64{52: .01, 541: .12, 573: .05, 640: .35, 706: .05})
	target = own("TiO2", .3, map[int]float64{52: .15, 451: .45, 493: .07}, map[int]float64{451: .45, 493: .07})
	confuser = own("BaSO4", .3, map[int]float64{52: .15, 231: .2, 447: .2, 483: .12}, map[int]float64{447: .2, 483: .12})
	return s0, target, confuser
}

func mixRaw(n int, continuum float64, lines map[int]float64) []float64 {
	out := make([]float64, n)
	for c := range out {
		e := 10 * float64(c+1)
		out[c] = continuum * (15000 - e) / e * math.Exp(-math.Pow(400/e, 2)) / 30000
	}
	for _, at := range []int{52, 231, 425, 447, 451, 483, 493, 541, 573, 640, 706} {
		for c := range out {
			d := float64(c-at) / 3.8
			out[c] += lines[at] * math.Exp(-d*d/2) / (3.8 * math.Sqrt(2*math.Pi))
		}
	}
	return out
}

func benchField(b *testing.B, side int, spots int) (*Field, Options) {
	s0, target, confuser := wideWorld()
	rng := rand.New(rand.NewPCG(1, 1))
	sp := scatter(rng, spots, side, side, 1.2, .12, 10, target.Spectrum)
	f := worldField(rng, side, side, 150, s0, sp)
	b.ResetTimer()
	return f, Options{Substrate: s0, SubstrateCounts: 1e7, Target: target, Confusers: []Template{confuser}, Seed: 1, NoLimit: true}
}

// BenchmarkScan is one scan of a field: 5 widths, 4 strengths, 12 classes.
func BenchmarkScan(b *testing.B) {
	for _, side := range []int{128, 512} {
		b.Run(fmt.Sprintf("w=%d/ch=1024/counts=150/workers=1", side), func(b *testing.B) {
			f, opt := benchField(b, side, 0)
			opt.Workers = 1
			opt, err := opt.withDefaults(f)
			if err != nil {
				b.Fatal(err)
			}
			s := newCubeSearch(f, opt)
			if err := s.prepare(context.Background()); err != nil {
				b.Fatal(err)
			}
			sc, out := s.bank.newScratch(), newScanned(side*side)
			b.ReportAllocs()
			for b.Loop() {
				s.bank.scan(out, s.class, sc)
			}
			b.ReportMetric(float64(side*side)*float64(b.N)/b.Elapsed().Seconds(), "px/s")
		})
	}
}

// BenchmarkReplica draws one replica of the null.
func BenchmarkReplica(b *testing.B) {
	f, opt := benchField(b, 128, 0)
	opt, err := opt.withDefaults(f)
	if err != nil {
		b.Fatal(err)
	}
	s := newCubeSearch(f, opt)
	if err := s.prepare(context.Background()); err != nil {
		b.Fatal(err)
	}
	class := newClassMaps(s.ground.phases[0].cl.n(), len(f.totals))
	i := uint64(0)
	for b.Loop() {
		s.draw(class, i)
		i++
	}
	b.ReportMetric(float64(len(f.totals))*float64(b.N)/b.Elapsed().Seconds(), "px/s")
}

// BenchmarkFind is the whole search with 199 replicas and 20 spots to name.
func BenchmarkFind(b *testing.B) {
	f, opt := benchField(b, 128, 20)
	for b.Loop() {
		if _, err := Find(context.Background(), f, opt); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(len(f.totals))*float64(b.N)/b.Elapsed().Seconds(), "px/s")
}

// BenchmarkVerdict names one spot among two compounds in 1024 channels.
func BenchmarkVerdict(b *testing.B) {
	f, opt := benchField(b, 64, 1)
	opt.Bootstrap = 99
	r, err := Find(context.Background(), f, opt)
	if err != nil || len(r.Spots) != 1 {
		b.Fatalf("%v, %d spots", err, len(r.Spots))
	}
	opt, _ = opt.withDefaults(f)
	s := newCubeSearch(f, opt)
	if err := s.prepare(context.Background()); err != nil {
		b.Fatal(err)
	}
	s.m.parts = []component{{x: r.Spots[0].XPx, y: r.Spots[0].YPx, s: r.Spots[0].WidthPx, f: .12}}
	s.spots = []found{{parts: []int{0}}}
	s.m.sumUp()
	whole := append([]float64(nil), s.m.frac...)
	j := newJudge(opt, 0)
	for b.Loop() {
		sp, win := s.measure(0, s.m.fork(), whole)
		j.verdict(&sp, gather(f, &s.ground, nil, win))
	}
}
