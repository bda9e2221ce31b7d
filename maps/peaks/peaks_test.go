package peaks

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat"

	"example.org/fleck/maps"
	"example.org/fleck/maps/cube"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/fit"
	"example.org/fleck/spectra/synth"
	"example.org/fleck/spectra/xray"
)

const (
	width, height, channels = 32, 24, 512
	continuum               = 150.0 // counts per pixel above 200 eV
)

var (
	scale    = spectra.Calibration{OffsetEV: -40, GainEV: 20}
	families = []fit.Family{{Element: 26, Family: xray.FamilyK}, {Element: 24, Family: xray.FamilyK}, {Element: 22, Family: xray.FamilyK}}
)

// truth returns the expected net counts of the families in pixel (x, y): iron
// grows to the right, chromium downwards, titanium is the same everywhere.
func truth(x, y int) []float64 {
	return []float64{
		200 + 400*float64(x)/(width-1),
		150 + 150*float64(y)/(height-1),
		60,
	}
}

// expected returns the spectra of one net count of each family, their escape
// peaks included, and of one count of Kramers' continuum above 200 eV.
func expected() (lines [][]float64, bare []float64) {
	det := spectra.DefaultDetector()
	for _, f := range families {
		var photons []synth.Line
		detected := 0.0
		for _, w := range xray.FamilyWeights(f.Element, f.Family, 15000) {
			photons = append(photons, synth.Line{Energy: w.Energy, Photons: w.Weight})
			detected += w.Weight * det.Efficiency(w.Energy)
		}
		for i := range photons {
			photons[i].Photons /= detected
		}
		s := make([]float64, channels)
		synth.AddLines(s, det, scale, photons)
		lines = append(lines, s)
	}
	per := make([]float64, channels)
	for i := range per {
		if e := float64(scale.Energy(float64(i))); e > 100 && e < 15000 {
			per[i] = (15000 - e) / e
		}
	}
	bare = make([]float64, channels)
	synth.AddContinuum(bare, det, scale, per)
	sum := 0.0
	for i, v := range bare {
		if scale.Energy(float64(i)) > 200 {
			sum += v
		}
	}
	for i := range bare {
		bare[i] /= sum
	}
	return lines, bare
}

// field draws a cube around truth.
func field(t testing.TB, seed uint64) *cube.Memory {
	t.Helper()
	m, err := cube.NewMemory(cube.Header{
		Width: width, Height: height, Channels: channels, Title: "steel",
		Calibration: scale, CalibrationKnown: true, Conditions: spectra.Conditions{BeamEnergy: 15000, LiveTimeS: 50},
		Pixel: maps.Pixel{X: 2 * maps.Micrometre, Y: 3 * maps.Micrometre},
	})
	if err != nil {
		t.Fatal(err)
	}
	lines, bare := expected()
	rng := rand.New(rand.NewPCG(seed, 1))
	for y := range height {
		for x := range width {
			px, net := m.Spectrum(x, y), truth(x, y)
			for c := range px {
				mu := continuum * bare[c]
				for k, v := range net {
					mu += v * lines[k][c]
				}
				px[c] = synth.Poisson(rng, mu)
			}
		}
	}
	return m
}

// frozen fits the sum spectrum of a cube and freezes the result.
func frozen(t testing.TB, m cube.Source) (*fit.Result, *fit.Fitter) {
	t.Helper()
	sums, err := cube.SumSpectra(context.Background(), m, 2, nil)
	if err != nil {
		t.Fatal(err)
	}
	r, err := fit.Spectrum(SumSpectrum(m.Header(), sums.Sum), fit.Options{Families: families})
	if err != nil {
		t.Fatal(err)
	}
	if r.Status != fit.Converged {
		t.Fatalf("sum spectrum: %v", r.Status)
	}
	f, err := r.Freeze()
	if err != nil {
		t.Fatal(err)
	}
	return r, f
}

func mustFit(t testing.TB, src cube.Source, f *fit.Fitter, workers int) *Result {
	t.Helper()
	r, err := Fit(context.Background(), src, f, Options{Workers: workers})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// TestPulls: (value − truth)/sigma of the strong families has mean 0 and width
// 1. Over n pixels the mean has a standard error of 1/√n and the width one of
// 1/√(2n); the limits are five of them. (An estimate with its own uncertainty
// has a mean pull of about −1/(2√counts), −0.03 here, within them.)
func TestPulls(t *testing.T) {
	fields := uint64(6)
	if testing.Short() {
		fields = 1
	}
	var pulls [2][]float64
	for seed := range fields {
		m := field(t, 1+seed)
		_, f := frozen(t, m)
		r := mustFit(t, m, f, 0)
		for k := range pulls {
			for y := range height {
				for x := range width {
					pulls[k] = append(pulls[k], (r.Stacks[k].Value.At(x, y)-truth(x, y)[k])/r.Stacks[k].Sigma.At(x, y))
				}
			}
		}
	}
	for k, p := range pulls {
		mean, spread := stat.MeanStdDev(p, nil)
		n := float64(len(p))
		t.Logf("%s: pull mean %+.4f, width %.4f of %g pixels", families[k], mean, spread, n)
		if limit := 5 / math.Sqrt(n); !(math.Abs(mean) <= limit) {
			t.Errorf("%s: mean pull %+.3f, limit %.3f", families[k], mean, limit)
		}
		if limit := 5 / math.Sqrt(2*n); !(math.Abs(spread-1) <= limit) {
			t.Errorf("%s: width of pulls %.3f, want 1 ± %.3f", families[k], spread, limit)
		}
	}
}

// TestSumOfMaps: the maps of a strong family add up to the fit of the sum
// spectrum. Both read the same counts, so they must agree within what the sum
// spectrum itself leaves open.
func TestSumOfMaps(t *testing.T) {
	m := field(t, 2)
	sum, f := frozen(t, m)
	r := mustFit(t, m, f, 0)
	if !slices.Equal(r.Families, f.Families) || len(r.Stacks) != len(families) {
		t.Fatalf("families %v with %d stacks, want %v", r.Families, len(r.Stacks), families)
	}
	for k, fam := range r.Families[:2] {
		fr, ok := sum.Find(fam)
		if !ok {
			t.Fatalf("%s is not in the fit of the sum spectrum", fam)
		}
		got := r.Stacks[k].Value.Stats().Sum
		t.Logf("%s: maps %.0f, sum spectrum %.0f ± %.0f", fam, got, fr.NetCounts, fr.Sigma)
		if !(math.Abs(got-fr.NetCounts) <= fr.Sigma) {
			t.Errorf("%s: maps add up to %.0f, the sum spectrum holds %.0f ± %.0f", fam, got, fr.NetCounts, fr.Sigma)
		}
	}
	if sum := r.Continuum.Stats().Sum; !(math.Abs(sum/(width*height*continuum)-1) <= 0.05) {
		// 5 %: the shape of the continuum is fitted, not given (115 000 counts
		// would allow 1 %).
		t.Errorf("continuum of %.0f counts, want about %.0f", sum, float64(width*height*continuum))
	}
	if v := r.Stacks[0].Value; v.What != "Fe K net counts" || v.Unit != "counts" || v.Pixel != m.Head.Pixel || v.Check() != nil {
		t.Errorf("map %q in %q, pixel %v: %v", v.What, v.Unit, v.Pixel, v.Check())
	}
}

// TestPermutation: pixels know nothing of their neighbours, so the same pixels
// in another order give the same values, bit by bit, in that order.
func TestPermutation(t *testing.T) {
	m := field(t, 3)
	_, f := frozen(t, m)
	mixed, err := cube.NewMemory(m.Head)
	if err != nil {
		t.Fatal(err)
	}
	perm := rand.New(rand.NewPCG(3, 2)).Perm(width * height)
	for i, from := range perm {
		copy(mixed.Data[i*channels:(i+1)*channels], m.Data[from*channels:(from+1)*channels])
	}
	a, b := mustFit(t, m, f, 2), mustFit(t, mixed, f, 2)
	for k := range a.Stacks {
		for i, from := range perm {
			if math.Float64bits(a.Stacks[k].Value.V[from]) != math.Float64bits(b.Stacks[k].Value.V[i]) ||
				math.Float64bits(a.Stacks[k].Sigma.V[from]) != math.Float64bits(b.Stacks[k].Sigma.V[i]) ||
				math.Float64bits(a.Continuum.V[from]) != math.Float64bits(b.Continuum.V[i]) {
				t.Fatalf("%s: pixel %d moved to %d changed", a.Families[k], from, i)
			}
		}
	}
}

// TestWorkers gives the same bits for any number of workers.
func TestWorkers(t *testing.T) {
	m := field(t, 4)
	_, f := frozen(t, m)
	clear(m.Spectrum(5, 7))
	want := mustFit(t, m, f, 1)
	for _, workers := range []int{2, 3, 8} {
		got := mustFit(t, m, f, workers)
		if got.Empty != want.Empty || got.NotFitted != want.NotFitted || !sameBits(got.Continuum, want.Continuum) {
			t.Errorf("%d workers: continuum or pixel counts differ", workers)
		}
		for k := range want.Stacks {
			if !sameBits(got.Stacks[k].Value, want.Stacks[k].Value) || !sameBits(got.Stacks[k].Sigma, want.Stacks[k].Sigma) ||
				!slices.Equal(got.Stacks[k].Status, want.Stacks[k].Status) {
				t.Errorf("%d workers: %s differs", workers, want.Families[k])
			}
		}
	}
}

func sameBits(a, b maps.Map) bool {
	return slices.EqualFunc(a.V, b.V, func(x, y float64) bool { return math.Float64bits(x) == math.Float64bits(y) })
}

// TestEmptyPixels: without counts in the fitted range a pixel is empty in every
// stack, holds 0, and is uncertain by about one count; nothing becomes NaN, and
// no other pixel is touched.
func TestEmptyPixels(t *testing.T) {
	m := field(t, 5)
	_, f := frozen(t, m)
	full := mustFit(t, m, f, 2)
	low, _ := f.Channels()
	if low < 1 {
		t.Fatalf("the fitted range begins at channel %d, no room below", low)
	}
	empty := map[int]bool{}
	for _, p := range [][2]int{{0, 0}, {9, 0}, {31, 11}, {31, 23}} {
		clear(m.Spectrum(p[0], p[1]))
		empty[p[1]*width+p[0]] = true
	}
	m.Spectrum(9, 0)[low-1] = 1000 // counts, but none in range
	r := mustFit(t, m, f, 2)
	if r.Empty != len(empty) || r.NotFitted != 0 {
		t.Errorf("%d empty and %d failed pixels, want %d and 0", r.Empty, r.NotFitted, len(empty))
	}
	for k, s := range r.Stacks {
		for i, v := range s.Value.V {
			sigma := s.Sigma.V[i]
			if !empty[i] {
				if s.Status[i] != maps.OK || v != full.Stacks[k].Value.V[i] || sigma != full.Stacks[k].Sigma.V[i] {
					t.Fatalf("%s: full pixel %d: %v, %g ± %g", r.Families[k], i, s.Status[i], v, sigma)
				}
				continue
			}
			// One count in the family's shape, a part of it (escape peaks, at most
			// 1 % here) beyond the full-energy peaks.
			if s.Status[i] != maps.Empty || v != 0 || r.Continuum.V[i] != 0 || !(math.Abs(sigma-1) < 0.02) {
				t.Errorf("%s: empty pixel %d: %v, %g ± %g, continuum %g", r.Families[k], i, s.Status[i], v, sigma, r.Continuum.V[i])
			}
		}
	}
}

// TestOneCount: a single count anywhere in range is fitted, not lost.
func TestOneCount(t *testing.T) {
	m := field(t, 5)
	_, f := frozen(t, m)
	clear(m.Data)
	for i := range width {
		m.Spectrum(i, 0)[int(math.Round(scale.Channel(6400)))-8+i/2] = 1
	}
	r := mustFit(t, m, f, 1)
	if want := width*height - width; r.Empty != want || r.NotFitted != 0 {
		t.Errorf("%d empty and %d failed pixels, want %d and 0", r.Empty, r.NotFitted, want)
	}
	for x := range width {
		total := r.Continuum.At(x, 0)
		for _, s := range r.Stacks {
			total += s.Value.At(x, 0)
			if sigma := s.Sigma.At(x, 0); !(sigma > 0) || math.IsInf(sigma, 0) {
				t.Errorf("pixel %d: sigma %g", x, sigma)
			}
		}
		// Maximum likelihood keeps the counts (Baker & Cousins 1984); escape peaks
		// make up to 1 % of them.
		if !(math.Abs(total-1) < 0.02) {
			t.Errorf("pixel %d of one count: amplitudes add up to %g", x, total)
		}
	}
}

// TestOtherChannels refuses a cube with more or fewer channels than the model,
// whose energy scale cannot be the same.
func TestOtherChannels(t *testing.T) {
	_, f := frozen(t, field(t, 6))
	for _, n := range []int{1, channels - 1, channels + 1, 2 * channels} {
		m, err := cube.NewMemory(cube.Header{Width: 2, Height: 2, Channels: n})
		if err != nil {
			t.Fatal(err)
		}
		r, err := Fit(context.Background(), m, f, Options{})
		if err == nil || r != nil || !strings.HasPrefix(err.Error(), "peaks: ") || !strings.Contains(err.Error(), "512") {
			t.Errorf("%d channels: result %v, error %v; want an error with 512", n, r, err)
		}
	}
}

// TestProgress is called once for every row, to the end, and a cancelled
// context stops the fit.
func TestProgress(t *testing.T) {
	m := field(t, 6)
	_, f := frozen(t, m)
	var calls []int
	_, err := Fit(context.Background(), m, f, Options{Workers: 3, Progress: func(done, total int) {
		if total != height {
			t.Errorf("total %d, want %d rows", total, height)
		}
		calls = append(calls, done)
	}})
	if err != nil {
		t.Fatal(err)
	}
	for i, done := range calls {
		if done != i+1 {
			t.Fatalf("call %d says %d rows", i, done)
		}
	}
	if len(calls) != height {
		t.Errorf("%d calls, want %d", len(calls), height)
	}
	ctx, cancel := context.WithCancel(context.Background())
	r, err := Fit(ctx, m, f, Options{Workers: 2, Progress: func(int, int) { cancel() }})
	if !errors.Is(err, context.Canceled) || r != nil {
		t.Errorf("cancelled fit: result %v, error %v", r, err)
	}
}

// TestSumSpectrum carries scale, conditions and counts beyond 32 bit.
func TestSumSpectrum(t *testing.T) {
	h := cube.Header{Title: "steel", Calibration: scale, Conditions: spectra.Conditions{BeamEnergy: 15000, LiveTimeS: 50}}
	s := SumSpectrum(h, []uint64{0, 3, 1 << 40})
	if s.Title != h.Title || s.Calibration != h.Calibration || s.Conditions != h.Conditions || !slices.Equal(s.Counts, []float64{0, 3, 1 << 40}) {
		t.Errorf("got %+v", s)
	}
}

func BenchmarkFit(b *testing.B) {
	m := field(b, 7)
	_, f := frozen(b, m)
	b.ReportAllocs()
	b.SetBytes(int64(4 * len(m.Data)))
	for b.Loop() {
		mustFit(b, m, f, 1)
	}
	b.ReportMetric(float64(b.N*width*height)/b.Elapsed().Seconds(), "px/s")
}
