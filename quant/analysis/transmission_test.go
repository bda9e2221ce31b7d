package analysis

import (
	"math"
	"os"
	"path/filepath"
	"testing"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/msa"
	"example.org/fleck/spectra/xray"
)

// TestAluminiumTransmission compares the tabulated attenuation of aluminium
// with the transmission of a 0.2 mm window measured with an X-ray tube (open
// ground-calibration data of a space instrument, 2024; 25 kV, gold lines,
// silicon drift detector): from 7.5 to 12 keV within 3 %, with the thickness
// fitted. Below that too few photons pass.
func TestAluminiumTransmission(t *testing.T) {
	read := func(name string) *spectra.Spectrum {
		root := os.Getenv("FLECK_REAL_DATA")
		if root == "" {
			t.Skip("FLECK_REAL_DATA is not set: no measured spectra")
		}
		f, err := os.Open(filepath.Join(root, "tube-al-filter", name))
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		file, err := msa.ReadCSV(f)
		if err != nil {
			t.Fatal(err)
		}
		s := file.Spectrum
		// Two Au L lines of the file's own header: L3-M5 and L2-M4 (Deslattes et
		// al. 2003) at channels 904.04 and 1074.76.
		s.GainEV = (11442.5 - 9713.4) / (1074.76 - 904.04)
		s.OffsetEV = 9713.4 - 904.04*s.GainEV
		return &s
	}
	open := read("20241217_111314_25kV_40uA_Alwin1_0pt2mm_unfilt1.csv")
	open2 := read("20241217_125110_25kV_40uA_Alwin1_0pt2mm_unfilt2.csv")
	for _, name := range []string{"20241217_113050_25kV_40uA_Alwin1_0pt2mm_asic3_center.csv", "20241217_121720_25kV_40uA_Alwin1_0pt2mm_asic0_center.csv"} {
		filtered := read(name)
		// A band's transmission depends on where its photons lie, so the open
		// spectrum is attenuated channel by channel and summed. One mass depth and
		// one factor are fitted by least squares on the logarithms of the band
		// ratios. The factor stands for the tube's output and for dead time: in
		// three of the four files the live time equals the real time.
		const width = 500.0 // eV per band
		al := xray.Element(13)
		in := func(s *spectra.Spectrum, lo, depth float64) float64 {
			n := 0.0
			for i, c := range s.Counts {
				if e := s.Energy(float64(i)); float64(e) >= lo && float64(e) < lo+width {
					n += c * math.Exp(-float64(al.Attenuation(e))*depth)
				}
			}
			return n
		}
		ratios := func(depth float64) (r []float64, factor float64) {
			for lo := 7500.0; lo < 12000; lo += width {
				want := filtered.LiveTimeS / (open.LiveTimeS + open2.LiveTimeS) * (in(open, lo, depth) + in(open2, lo, depth))
				r = append(r, math.Log(in(filtered, lo, 0)/want))
				factor += r[len(r)-1]
			}
			return r, factor / float64(len(r))
		}
		chi2 := func(depth float64) float64 {
			r, factor := ratios(depth)
			sum := 0.0
			for _, v := range r {
				sum += (v - factor) * (v - factor)
			}
			return sum
		}
		lo, hi := 0.02, 0.1 // g/cm²
		for hi-lo > 1e-6 {
			a, b := lo+(hi-lo)/3, hi-(hi-lo)/3
			if chi2(a) < chi2(b) {
				hi = b
			} else {
				lo = a
			}
		}
		depth := (lo + hi) / 2
		r, factor := ratios(depth)
		t.Logf("%s: %.1f µm of aluminium, factor %.3f", name, depth/2.70*1e4, math.Exp(factor))
		for i, v := range r {
			lo := 7500 + float64(i)*width
			off := math.Exp(v-factor) - 1
			t.Logf("  %5.0f to %5.0f eV: %+.1f %%", lo, lo+width, 100*off)
			if math.Abs(off) > 0.03 {
				t.Errorf("%s, %.0f to %.0f eV: transmission %+.1f %% from the table", name, lo, lo+width, 100*off)
			}
		}
	}
}
