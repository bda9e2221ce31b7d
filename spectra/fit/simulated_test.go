package fit

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/synth"
	"example.org/fleck/spectra/xray"
)

// family is a line family with its true counts.
type family struct {
	z      string
	f      xray.Family
	counts float64
}

// simulate returns the expected spectrum of a set of families on Kramers'
// continuum as the detector of the fit sees it.
func simulate(t testing.TB, cal spectra.Calibration, channels int, beam xray.Energy, det spectra.Detector, continuum float64, fams ...family) *spectra.Spectrum {
	t.Helper()
	s := &spectra.Spectrum{Calibration: cal, Counts: make([]float64, channels)}
	s.BeamEnergy = beam
	for _, f := range fams {
		z := element(t, f.z)
		fl, err := linesOf(Family{z, f.f}, beam, det, Specimen{})
		if err != nil {
			t.Fatal(err)
		}
		for _, g := range fl.groups {
			g.add(s.Counts, cal, det, f.counts*g.weight)
		}
	}
	per := make([]float64, channels)
	bare := make([]float64, channels)
	for i := range per {
		if e := float64(cal.Energy(float64(i))); e > 60 && e < float64(beam) {
			per[i] = (float64(beam) - e) / e
		}
	}
	synth.AddContinuum(bare, det, cal, per)
	sum := 0.0
	for i, v := range bare {
		if float64(cal.Energy(float64(i))) > 200 {
			sum += v
		}
	}
	for i, v := range bare {
		s.Counts[i] += continuum * v / sum
	}
	return s
}

func element(t testing.TB, symbol string) xray.Element {
	t.Helper()
	z, err := xray.ParseElement(symbol)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

func noisy(s *spectra.Spectrum, rng *rand.Rand) *spectra.Spectrum {
	out := *s
	out.Counts = synth.Noise(s.Counts, rng)
	return &out
}

// TestPulls fits many noisy spectra and checks that (value − truth)/sigma has
// mean 0 and width 1. With n spectra the mean has a standard error of 1/√n and
// the width one of 1/√(2n); the limits are five of them, so that a correct
// program fails less than once in 10⁶ runs of a comparison.
func TestPulls(t *testing.T) {
	det := spectra.DefaultDetector()
	cal := spectra.Calibration{OffsetEV: -50, GainEV: 10}
	truth := []family{{"O", xray.FamilyK, 3000}, {"Si", xray.FamilyK, 5000}, {"Ti", xray.FamilyK, 2000}, {"Fe", xray.FamilyK, 20000}, {"Cr", xray.FamilyK, 8000}}
	s := simulate(t, cal, 1024, 15000, det, 40000, truth...)
	var families []Family
	for _, f := range truth {
		families = append(families, Family{element(t, f.z), f.f})
	}
	const n = 120
	sum, sq := make([]float64, len(truth)), make([]float64, len(truth))
	for i := range n {
		r, err := Spectrum(noisy(s, rand.New(rand.NewPCG(7, uint64(i)))), Options{Families: families})
		if err != nil {
			t.Fatal(err)
		}
		if r.Status != Converged {
			t.Fatalf("spectrum %d: %v", i, r.Status)
		}
		for k, f := range r.Families {
			p := (f.NetCounts - truth[k].counts) / f.Sigma
			sum[k] += p
			sq[k] += p * p
		}
	}
	for k, f := range truth {
		mean := sum[k] / n
		width := math.Sqrt(sq[k]/n - mean*mean)
		t.Logf("%s %s: pull mean %+.3f, width %.3f", f.z, f.f, mean, width)
		if math.Abs(mean) > 5/math.Sqrt(n) {
			t.Errorf("%s %s: mean pull %.3f", f.z, f.f, mean)
		}
		if math.Abs(width-1) > 5/math.Sqrt(2*n) {
			t.Errorf("%s %s: width of pulls %.3f", f.z, f.f, width)
		}
	}
}

// TestRefinesScale starts from a scale that is off and must come back to the
// true one.
func TestRefinesScale(t *testing.T) {
	det := spectra.DefaultDetector()
	det.NoiseEV = 46
	cal := spectra.Calibration{OffsetEV: -3, GainEV: 10.004}
	s := simulate(t, cal, 1024, 15000, det, 2e5, family{"Si", xray.FamilyK, 4e5}, family{"Fe", xray.FamilyK, 2e5})
	s = noisy(s, rand.New(rand.NewPCG(11, 1)))
	s.Calibration = spectra.Calibration{OffsetEV: 0, GainEV: 10}
	r, err := Spectrum(s, Options{Families: []Family{{14, xray.FamilyK}, {26, xray.FamilyK}}})
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range []xray.Energy{1740, 6404} {
		// The channel of a line must be where it was put.
		if d := float64(r.Calibration.Energy(cal.Channel(e)) - e); math.Abs(d) > 0.5 {
			t.Errorf("at %g eV the scale is off by %.2f eV", float64(e), d)
		}
	}
	if d := r.FWHMManganese() - det.FWHM(5898.8); math.Abs(d) > 1 {
		t.Errorf("resolution at Mn K-L3 %.2f eV off", d)
	}
}

// TestFitterKeepsCounts: at the optimum of a linear Poisson model the model
// holds as many counts as the data (a property of maximum likelihood, e.g.
// Baker & Cousins 1984).
func TestFitterKeepsCounts(t *testing.T) {
	det := spectra.DefaultDetector()
	cal := spectra.Calibration{OffsetEV: 0, GainEV: 15}
	strong := simulate(t, cal, 1024, 15000, det, 1e6, family{"Fe", xray.FamilyK, 4e5}, family{"Cr", xray.FamilyK, 1e5}, family{"Ti", xray.FamilyK, 1e4})
	families := []Family{{26, xray.FamilyK}, {24, xray.FamilyK}, {22, xray.FamilyK}}
	r, err := Spectrum(noisy(strong, rand.New(rand.NewPCG(3, 3))), Options{Families: families})
	if err != nil {
		t.Fatal(err)
	}
	fitter, err := r.Freeze()
	if err != nil {
		t.Fatal(err)
	}
	weak := *strong
	weak.Counts = make([]float64, len(strong.Counts))
	for i, v := range strong.Counts {
		weak.Counts[i] = v * 1e-4
	}
	var px PixelResult
	var sc Scratch
	low, high := fitter.Channels()
	for i := range 50 {
		n := noisy(&weak, rand.New(rand.NewPCG(5, uint64(i))))
		row := make([]uint32, len(n.Counts))
		total := 0.0
		for c, v := range n.Counts {
			row[c] = uint32(v)
			if c >= low && c < high {
				total += v
			}
		}
		fitter.FitRow(&px, row, &sc)
		if px.Status != Converged {
			t.Fatalf("spectrum %d: %v", i, px.Status)
		}
		got := px.Continuum
		for k, v := range px.NetCounts {
			got += v * templateSum(t, r, fitter, k)
		}
		if math.Abs(got-total) > 1e-6*total {
			t.Fatalf("spectrum %d: model %.9g counts, data %.9g", i, got, total)
		}
	}
}

// templateSum is the counts in range per net count of family k: escape peaks
// add to them, lines out of range are missing.
func templateSum(t *testing.T, r *Result, f *Fitter, k int) float64 {
	t.Helper()
	sum := 0.0
	for _, v := range r.FamilyModel(k) {
		sum += v
	}
	return sum / r.Families[k].NetCounts
}

// TestFitRowAllocates nothing in the inner loop.
func TestFitRowAllocates(t *testing.T) {
	det := spectra.DefaultDetector()
	s := simulate(t, spectra.Calibration{GainEV: 15}, 1024, 15000, det, 1e5, family{"Fe", xray.FamilyK, 4e4})
	r, err := Spectrum(noisy(s, rand.New(rand.NewPCG(1, 1))), Options{Families: []Family{{26, xray.FamilyK}}})
	if err != nil {
		t.Fatal(err)
	}
	f, err := r.Freeze()
	if err != nil {
		t.Fatal(err)
	}
	row := make([]uint32, 1024)
	for i := range row {
		if i%7 == 0 {
			row[i] = 1
		}
	}
	var px PixelResult
	var sc Scratch
	f.FitRow(&px, row, &sc)
	if n := testing.AllocsPerRun(50, func() { f.FitRow(&px, row, &sc) }); n != 0 {
		t.Errorf("%g allocations per pixel, want 0", n)
	}
}

func TestBadInput(t *testing.T) {
	good := func() *spectra.Spectrum {
		s := &spectra.Spectrum{Title: "x", Calibration: spectra.Calibration{GainEV: 10}, Counts: make([]float64, 1024)}
		s.BeamEnergy = 15000
		for i := range s.Counts {
			s.Counts[i] = 5
		}
		return s
	}
	iron := Options{Families: []Family{{26, xray.FamilyK}}}
	tests := []struct {
		name string
		s    func() *spectra.Spectrum
		opt  Options
		want string // part of the error
	}{
		{"no families", good, Options{}, "no line families"},
		{"no channels", func() *spectra.Spectrum { s := good(); s.Counts = nil; return s }, iron, "no channels"},
		{"negative counts", func() *spectra.Spectrum { s := good(); s.Counts[17] = -3; return s }, iron, "channel 17 holds -3"},
		{"no scale", func() *spectra.Spectrum { s := good(); s.GainEV = 0; return s }, iron, "gain"},
		{"keV taken for eV", func() *spectra.Spectrum { s := good(); s.GainEV = 0.01; return s }, iron, "energy scale"},
		{"beam below the edge", func() *spectra.Spectrum { s := good(); s.BeamEnergy = 5000; return s }, iron, "Fe K"},
		{"twice", good, Options{Families: []Family{{26, xray.FamilyK}, {26, xray.FamilyK}}}, "twice"},
		{"too many terms", good, Options{Families: iron.Families, ContinuumTerms: 99}, "1 to 8"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Spectrum(tt.s(), tt.opt)
			if err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("error %v, want one with %q", err, tt.want)
			}
		})
	}
}

// TestPoorData: failure of the data is a status or a warning, never NaN.
func TestPoorData(t *testing.T) {
	for _, tt := range []struct {
		name   string
		counts func(c []float64)
		status Status
	}{
		{"all zero", func([]float64) {}, Empty},
		{"one count", func(c []float64) { c[640] = 1 }, Converged},
		{"one channel", func(c []float64) { c[640] = 1e7 }, Converged},
		{"fractions", func(c []float64) {
			for i := range c {
				c[i] = 0.37
			}
		}, Converged},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := &spectra.Spectrum{Calibration: spectra.Calibration{GainEV: 10}, Counts: make([]float64, 1024)}
			s.BeamEnergy = 15000
			tt.counts(s.Counts)
			r, err := Spectrum(s, Options{Families: []Family{{26, xray.FamilyK}, {24, xray.FamilyK}, {8, xray.FamilyK}}})
			if err != nil {
				t.Fatal(err)
			}
			if r.Status != tt.status && !(tt.name == "one channel" && r.Status == NotConverged) {
				t.Errorf("status %v, want %v", r.Status, tt.status)
			}
			for _, f := range r.Families {
				if math.IsNaN(f.NetCounts) || math.IsInf(f.NetCounts, 0) || f.NetCounts < 0 || math.IsNaN(f.Sigma) {
					t.Errorf("%s: %g ± %g", f.Family, f.NetCounts, f.Sigma)
				}
			}
			for _, m := range r.Model {
				if math.IsNaN(m) || m < 0 {
					t.Fatalf("model %g", m)
				}
			}
			if tt.name == "fractions" && !strings.Contains(fmt.Sprint(r.Warnings), "Poisson") {
				t.Errorf("no warning that Poisson statistics do not hold: %q", r.Warnings)
			}
		})
	}
}

// TestIdentifySimulated finds the planted elements, and no others, in noisy
// spectra with overlaps.
func TestIdentifySimulated(t *testing.T) {
	if testing.Short() {
		t.Skip("long: left out of short runs")
	}
	det := spectra.DefaultDetector()
	cal := spectra.Calibration{GainEV: 10}
	for i, set := range [][]family{
		{{"O", xray.FamilyK, 4000}, {"Si", xray.FamilyK, 20000}},
		{{"Cr", xray.FamilyK, 8000}, {"Fe", xray.FamilyK, 30000}, {"Cr", xray.FamilyL, 4000}, {"Fe", xray.FamilyL, 20000}},
		{{"Al", xray.FamilyK, 30000}},
	} {
		s := noisy(simulate(t, cal, 1024, 15000, det, 60000, set...), rand.New(rand.NewPCG(21, uint64(i))))
		id, err := Identify(s, IdentifyOptions{})
		if err != nil {
			t.Fatal(err)
		}
		want := map[string]bool{}
		for _, f := range set {
			want[f.z] = true
		}
		got := map[string]bool{}
		for _, e := range id.Elements {
			got[e.Element.Symbol()] = true
			if !want[e.Element.Symbol()] {
				t.Errorf("set %d: %s found, %.0f ± %.0f, q = %.2g", i, e.Element.Symbol(), e.NetCounts, e.Sigma, e.QValue)
			}
		}
		for z := range want {
			if !got[z] {
				t.Errorf("set %d: %s not found", i, z)
			}
		}
	}
}

func ExampleSpectrum() {
	// A simulated spectrum: titanium and iron on a flat background.
	s := &spectra.Spectrum{Calibration: spectra.Calibration{GainEV: 10}, Counts: make([]float64, 1024)}
	s.BeamEnergy = 15 * xray.KeV
	synth.AddLines(s.Counts, spectra.DefaultDetector(), s.Calibration, []synth.Line{{Energy: 4510.8, Photons: 2000}, {Energy: 6403.8, Photons: 9000}})
	for i := range s.Counts {
		s.Counts[i] = math.Round(s.Counts[i] + 20)
	}
	r, err := Spectrum(s, Options{Families: []Family{{22, xray.FamilyK}, {26, xray.FamilyK}}, FixCalibration: true})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, f := range r.Families {
		fmt.Printf("%s is there: %v\n", f.Family, f.Significance() > 5)
	}
	// Output:
	// Ti K is there: true
	// Fe K is there: true
}

func BenchmarkSpectrum(b *testing.B) {
	det := spectra.DefaultDetector()
	fams := []family{{"C", xray.FamilyK, 1e4}, {"O", xray.FamilyK, 3e4}, {"Na", xray.FamilyK, 1e4}, {"Mg", xray.FamilyK, 1e4}, {"Al", xray.FamilyK, 3e4}, {"Si", xray.FamilyK, 9e4}, {"P", xray.FamilyK, 5e3}, {"S", xray.FamilyK, 5e3}, {"Cl", xray.FamilyK, 5e3}, {"K", xray.FamilyK, 2e4}, {"Ca", xray.FamilyK, 4e4}, {"Ti", xray.FamilyK, 5e3}, {"Mn", xray.FamilyK, 5e3}, {"Fe", xray.FamilyK, 3e4}, {"Cu", xray.FamilyK, 5e3}}
	s := noisy(simulate(b, spectra.Calibration{GainEV: 10}, 2048, 15000, det, 5e5, fams...), rand.New(rand.NewPCG(1, 2)))
	var families []Family
	for _, f := range fams {
		families = append(families, Family{element(b, f.z), f.f})
	}
	for b.Loop() {
		if _, err := Spectrum(s, Options{Families: families}); err != nil {
			b.Fatal(err)
		}
	}
}

// TestWrongBeamEnergy fits a spectrum whose stated beam energy is far off: the
// fit must end with a status and finite numbers.
func TestWrongBeamEnergy(t *testing.T) {
	det := spectra.DefaultDetector()
	for _, stated := range []xray.Energy{9000, 13000, 20000, 30000} {
		s := noisy(simulate(t, spectra.Calibration{GainEV: 10}, 2048, 15000, det, 4e5, family{"Si", xray.FamilyK, 2e5}, family{"Fe", xray.FamilyK, 1e5}), rand.New(rand.NewPCG(17, uint64(stated))))
		s.BeamEnergy = stated
		r, err := Spectrum(s, Options{Families: []Family{{14, xray.FamilyK}, {26, xray.FamilyK}}})
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range r.Families {
			if math.IsNaN(f.NetCounts) || math.IsInf(f.NetCounts, 0) || math.IsNaN(f.Sigma) {
				t.Errorf("stated %g keV: %s %g ± %g", stated.KeV(), f.Family, f.NetCounts, f.Sigma)
			}
		}
	}
}
