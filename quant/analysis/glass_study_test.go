//go:build study

package analysis

import (
	"maps"
	"math"
	"slices"
	"testing"
)

// TestStudyGlasses compares 90 measured glasses with their table of oxides,
// oxygen by stoichiometry. The data do not state beam energy, take-off angle and
// window; the axis ends at 7.8 keV, so the end of the continuum is not seen.
// Assumed and varied: beam 15 to 30 keV, beryllium 7.5, 12.7 and 25 µm, take-off
// 35 deg (30 and 45 for comparison). Wanted are 10 % above 5 mass % and 25 % from
// 1 to 5 %. Without a reference most assumptions miss them (the best of the grid,
// 25 keV and 25 µm, has 7 and 22 %, the worst 81 and 70 %); with one vessel as
// reference and 7.5 µm they hold at every beam energy: 2.6 to 2.9 % and 8 to 17 %.
// Nothing is fitted to the table, except where one vessel serves as the user's
// own reference: that one is left out of the comparison.
//
// The window cannot be told from the spectra themselves. Its lines and its
// continuum contradict each other: Na to Al are so weak that they ask for 25 µm
// of beryllium and more, while the continuum below them asks for less than 7.5
// (the fit takes 48 µg/cm² of silicon off) and fits worse the thicker the window
// is. Counts below the lines that no model holds, of the detector or of the
// averaging, would do that. No element shows two families between 0.8 and 7.7 keV
// whose ratio would tell, and the end of the continuum, which would tell the beam
// energy, is not recorded.
//
// The table sums to 100 % and was probably derived from such spectra, so it is
// no independent truth.
func TestStudyGlasses(t *testing.T) {
	glasses := readGlasses(t)
	run := func(beam, takeOff, berylliumUM float64, reference bool) {
		opt := glassOptions()
		opt.Fit.Detector.Window[0].ThicknessM = berylliumUM * 1e-6
		test := glasses
		if reference {
			relative, err := Calibrate(glasses[0].reference(t, beam, takeOff), opt)
			if err != nil {
				t.Fatal(err)
			}
			opt.Relative, test = relative, glasses[1:]
		}
		fits := glassFits(t, test, beam, takeOff, opt.Fit.Detector)
		deviance, expected, extra := 0.0, 0.0, [3]float64{}
		for _, r := range fits {
			for i, x := range r.Detector.ExtraUgCm2 {
				extra[i] += x / float64(len(fits))
			}
			deviance += r.Deviance / float64(len(fits))
			expected += r.ExpectedDeviance / float64(len(fits))
		}
		t.Logf("beam %g keV, take-off %g deg, Be %g µm, reference %v: mean deviance %.0f (%.0f of raw counts); the continuum asks for %+.0f, %+.0f and %+.0f µg/cm² of Si, O and C", beam, takeOff, berylliumUM, reference, deviance, expected, extra[0], extra[1], extra[2])
		d := compareGlass(t, test, fits, glasses[0].spectrum(beam, takeOff).Conditions, opt)
		d.log(t)
		if !reference || berylliumUM != 7.5 {
			return // how the result hangs on what is assumed; the targets need not hold
		}
		if m := median(absolute(d.all(0))); !(m <= 0.10) || math.IsNaN(m) {
			t.Errorf("median deviation of oxides above 5 mass %% is %.1f %%, want at most 10", 100*m)
		}
		if m := median(absolute(d.all(1))); !(m <= 0.25) || math.IsNaN(m) {
			t.Errorf("median deviation of oxides from 1 to 5 mass %% is %.1f %%, want at most 25", 100*m)
		}
	}
	if testing.Short() {
		glasses = glasses[:12]
		coverage(t, glasses)
		run(20, 35, 7.5, true)
		return
	}
	coverage(t, glasses)
	for _, beam := range []float64{15, 20, 25, 30} {
		for _, be := range []float64{7.5, 12.7, 25} {
			run(beam, 35, be, false)
		}
		run(beam, 35, 7.5, true)
	}
	run(20, 35, 25, true)
	run(20, 30, 7.5, false)
	run(20, 45, 7.5, false)
}

// coverage counts how often the budget's 95 % interval, two standard
// uncertainties, holds the table's value, with each of three vessels as
// reference, at 20 keV.
func coverage(t *testing.T, glasses []vessel) {
	const beam, takeOff = 20, 35
	for _, ref := range []int{0, 5, 10} {
		opt := glassOptions()
		opt.SkipBudget = false
		relative, err := Calibrate(glasses[ref].reference(t, beam, takeOff), opt)
		if err != nil {
			t.Fatal(err)
		}
		opt.Relative = relative
		test := slices.Concat(glasses[:ref], glasses[ref+1:min(31, len(glasses))])
		fits := glassFits(t, test, beam, takeOff, opt.Fit.Detector)
		in, all, pulls := map[string]int{}, map[string]int{}, map[string]float64{}
		for i, v := range test {
			q, err := FromFit(fits[i], glasses[0].spectrum(beam, takeOff).Conditions, opt)
			if err != nil {
				t.Fatal(err)
			}
			for _, o := range q.Oxides {
				stated := v.table[o.Cation]
				if stated < 0.01 {
					continue
				}
				class := "from 1 to 5 %"
				if stated > 0.05 {
					class = "above 5 %"
				}
				for _, c := range []string{class, class + ", " + o.Formula} {
					all[c]++
					pulls[c] += (float64(o.Mass) - stated) / o.Sigma
					if math.Abs(float64(o.Mass)-stated) <= 2*o.Sigma {
						in[c]++
					}
				}
			}
		}
		for _, class := range slices.Sorted(maps.Keys(all)) {
			t.Logf("reference %s, oxides %s: %d of %d table values within two standard uncertainties of the budget, mean pull %+.2f", glasses[ref].id, class, in[class], all[class], pulls[class]/float64(all[class]))
		}
		if n := all["above 5 %"]; in["above 5 %"] < n*9/10 {
			t.Errorf("reference %s: %d of %d table values above 5 %% covered, want 90 %%", glasses[ref].id, in["above 5 %"], n)
		}
	}
}
