package analysis

import (
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/fit"
	"example.org/fleck/spectra/msa"
	"example.org/fleck/spectra/xray"
)

// measured reads a spectrum of the folder of real data; it skips the test where
// the folder is not named.
func measured(t testing.TB, parts ...string) *spectra.Spectrum {
	t.Helper()
	root := os.Getenv("FLECK_REAL_DATA")
	if root == "" {
		t.Skip("FLECK_REAL_DATA is not set: no measured spectra")
	}
	f, err := os.Open(filepath.Join(append([]string{root}, parts...)...))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	file, err := msa.Read(f)
	if err != nil {
		t.Fatal(err)
	}
	return &file.Spectrum
}

func elements(t testing.TB, symbols ...string) []xray.Element {
	t.Helper()
	var out []xray.Element
	for _, s := range symbols {
		z, err := xray.ParseElement(s)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, z)
	}
	return out
}

// TestMeasuredFits fits spectra of a silicon drift detector at 5 and 15 keV
// (open data, 2022: Si, Mo and GaAs wafers, nanowires on a grid). The position
// of every strong line from 1 to 10 keV must agree with the tables (Deslattes et
// al. 2003) within 3 eV after refinement, and the sums of data and model over bands of
// one FWHM within 5 standard deviations or 1 %.
func TestMeasuredFits(t *testing.T) {
	tests := []struct {
		file     string
		elements []string
		dominant string
	}{
		{"Si_15kV.emsa", []string{"C", "O", "Si"}, "Si K"},
		{"Si_05kV.emsa", []string{"C", "O", "Si"}, "Si K"},
		{"Mo_15kV.emsa", []string{"C", "O", "Mo", "Na"}, "Mo L"},
		{"GaAs_05kV.emsa", []string{"C", "O", "Ga", "As"}, "Ga L"},
		{"GaAs_15kV.emsa", []string{"C", "O", "Ga", "As"}, "Ga L"},
		{"NW_05kV.emsa", []string{"C", "N", "O", "Ga", "As", "Sb", "Cu", "Si"}, "Ga L"},
	}
	for _, tt := range tests {
		t.Run(tt.file, func(t *testing.T) {
			s := measured(t, "sem-metals", tt.file)
			z := elements(t, tt.elements...)
			low := fit.LowEV(z, s.BeamEnergy)
			r, err := Spectrum(s, fit.Options{Families: fit.FamiliesOf(z, s.BeamEnergy, low, float64(s.BeamEnergy))})
			if err != nil {
				t.Fatal(err)
			}
			if r.Status != fit.Converged {
				t.Errorf("status %v after %d steps", r.Status, r.Iterations)
			}
			t.Logf("deviance %.0f, expected %.0f; scale %.2f eV + %.4f eV per channel, FWHM at Mn K-L3 %.1f eV", r.Deviance, r.ExpectedDeviance, r.Calibration.OffsetEV, r.Calibration.GainEV, r.FWHMManganese())
			top := slices.MaxFunc(r.Families, func(a, b fit.FamilyResult) int {
				return int(math.Copysign(1, a.NetCounts-b.NetCounts))
			})
			if top.Family.String() != tt.dominant {
				t.Errorf("dominant family %s, want %s", top.Family, tt.dominant)
			}
			for _, f := range r.Families {
				main, _ := fit.MainLine(f.Element, f.Family.Family, s.BeamEnergy)
				if f.NetCounts > 5000 && main.Energy > 1000 && main.Energy < 10000 && math.Abs(f.ShiftEV) > 3 {
					t.Errorf("%s lies %.2f ± %.2f eV off its table energy, want within 3 eV", f.Family, f.ShiftEV, f.ShiftSigmaEV)
				}
			}
			for _, b := range r.Bands(low) {
				if math.Abs(b.Sigmas()) > 5 && math.Abs(b.Relative()) > 0.01 {
					t.Errorf("%.0f to %.0f eV: %.0f counts, model %.0f (%.1f standard deviations, %.1f %%)", b.FromEV, b.ToEV, b.Counts, b.Model, b.Sigmas(), 100*b.Relative())
				}
			}
		})
	}
}

// TestMeasuredIdentification checks which elements the same spectra show. The
// files titled "Cu" show a carbon film; the copper of the grid shows at 30 keV
// only. An ambiguous element counts for any of its group: sulphur and molybdenum
// at 2.3 keV under the sums of Ga L and As L, for one. Anything else, such as
// the lanthanides whose M lines lie on Ga L and Cu L, cannot be there.
func TestMeasuredIdentification(t *testing.T) {
	tests := []struct {
		file string
		must []string // to be found
		may  []string // plausible as film, grid, contamination or detector
	}{
		{"Si_05kV.emsa", []string{"Si", "C"}, []string{"O"}},
		{"Si_15kV.emsa", []string{"Si", "C"}, []string{"O"}},
		{"Mo_05kV.emsa", []string{"Mo"}, []string{"C", "O", "N", "Na"}},
		{"Mo_15kV.emsa", []string{"Mo"}, []string{"C", "O", "N", "Na"}},
		{"GaAs_05kV.emsa", []string{"Ga", "As", "C", "O"}, nil},
		{"GaAs_15kV.emsa", []string{"Ga", "As", "C"}, []string{"O", "Si"}},
		{"NW_05kV.emsa", []string{"Ga", "As", "Sb", "C"}, []string{"O", "N", "Si", "Cu"}},
		{"NW_15kV.emsa", []string{"Ga", "As", "Sb", "C", "Cu"}, []string{"O", "N", "Si", "Ni", "S", "Mo", "P", "In"}},
		{"Cu_05kV.emsa", []string{"C"}, []string{"O", "N", "Si"}},
		{"Cu_30kV.emsa", []string{"C", "Cu"}, []string{"O", "N", "Si", "S", "Na"}},
	}
	for _, tt := range tests {
		t.Run(tt.file, func(t *testing.T) {
			s := measured(t, "sem-metals", tt.file)
			id, err := Identify(s, fit.IdentifyOptions{})
			if err != nil {
				t.Fatal(err)
			}
			found := map[string]bool{}
			for _, e := range id.Elements {
				t.Logf("%s %s %.0f ± %.0f, q = %.2g, %s %v", e.Element, e.Family, e.NetCounts, e.Sigma, e.QValue, e.Status, e.Group)
				possible := false
				for _, z := range append([]xray.Element{e.Element}, e.Group...) {
					found[z.Symbol()] = true
					possible = possible || slices.Contains(tt.must, z.Symbol()) || slices.Contains(tt.may, z.Symbol())
				}
				if !possible {
					t.Errorf("%s is not in the specimen (group %v)", e.Element, e.Group)
				}
			}
			for _, want := range tt.must {
				if !found[want] {
					t.Errorf("%s is missing", want)
				}
			}
		})
	}
}

// TestMeasuredScale finds the energy scale of measured spectra from the counts
// and the elements alone: within 10 eV of the scale of the file at lines from
// 1 to 10 keV, a tenth of the resolution. The electronics' zero peak is in the
// spectra and must not be taken for a line.
func TestMeasuredScale(t *testing.T) {
	for _, tt := range []struct {
		file     string
		elements []string
		at       []xray.Energy
	}{
		{"GaAs_15kV.emsa", []string{"Ga", "As"}, []xray.Energy{1098, 1282, 9240, 10530}},
		{"NW_15kV.emsa", []string{"C", "O", "Ga", "As", "Cu"}, []xray.Energy{1098, 8040, 9240}},
		{"Cu_30kV.emsa", []string{"C", "O", "Cu"}, []xray.Energy{524.9, 8040}},
	} {
		t.Run(tt.file, func(t *testing.T) {
			s := measured(t, "sem-metals", tt.file)
			stated := s.Calibration
			s.Calibration = spectra.Calibration{}
			got, err := fit.FindScale(s, elements(t, tt.elements...), spectra.Detector{})
			if err != nil {
				t.Fatal(err)
			}
			for _, e := range tt.at {
				d := float64(got.Energy(stated.Channel(e)) - e)
				t.Logf("at %.0f eV: %+.1f eV", float64(e), d)
				if math.Abs(d) > 10 {
					t.Errorf("at %.0f eV off by %.1f eV (found %+v, stated %+v)", float64(e), d, got, stated)
				}
			}
		})
	}
}
