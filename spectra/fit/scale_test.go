package fit

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

// TestFindScale recovers scales from the counts alone, within a tenth of the
// resolution at the lines.
func TestFindScale(t *testing.T) {
	if testing.Short() {
		t.Skip("long: left out of short runs")
	}
	det := spectra.DefaultDetector()
	for i, cal := range []spectra.Calibration{{OffsetEV: 0, GainEV: 10}, {OffsetEV: -200, GainEV: 10}, {OffsetEV: 35, GainEV: 5.02}, {OffsetEV: -480, GainEV: 19.7}} {
		n := int(math.Ceil(cal.Channel(15500)))
		s := simulate(t, cal, n, 15000, det, 2e5, family{"O", xray.FamilyK, 3e4}, family{"Si", xray.FamilyK, 1e5}, family{"Ca", xray.FamilyK, 5e4}, family{"Fe", xray.FamilyK, 5e4}, family{"Fe", xray.FamilyL, 2e4})
		s = noisy(s, rand.New(rand.NewPCG(14, uint64(i))))
		s.Calibration = spectra.Calibration{}
		got, err := FindScale(s, []xray.Element{8, 14, 20, 26}, det)
		if err != nil {
			t.Errorf("%+v: %v", cal, err)
			continue
		}
		for _, e := range []xray.Energy{1740, 3691, 6404} {
			if d := float64(got.Energy(cal.Channel(e)) - e); math.Abs(d) > 0.1*det.FWHM(e) {
				t.Errorf("%+v: at %.0f eV off by %.1f eV (found %+v)", cal, float64(e), d, got)
			}
		}
	}
	flat := &spectra.Spectrum{Counts: make([]float64, 512)}
	for i := range flat.Counts {
		flat.Counts[i] = 100
	}
	if _, err := FindScale(flat, []xray.Element{14, 26}, det); !errors.Is(err, ErrNoScale) {
		t.Errorf("a flat spectrum: error %v, want ErrNoScale", err)
	}
}
