package msa

import (
	"errors"
	"os"
	"reflect"
	"strings"
	"testing"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

func TestReadCSV(t *testing.T) {
	const times = "# live_time_s: 10\n# real_time_s: 12\n"
	scale := spectra.Calibration{OffsetEV: 100, GainEV: 20}
	none := spectra.Calibration{}
	counts := []float64{5, 6, 7}
	tests := []struct {
		name   string
		text   string
		scale  spectra.Calibration
		counts []float64
		want   []string
	}{
		{"energy_ev", times + "energy_ev,counts\n100,5\n120,6\n140,7\n", scale, counts, nil},
		{"energy_kev", times + "energy_kev,counts\n0.1,5\n0.12,6\n0.14,7\n", scale, counts, nil},
		{"other order, quotes and blanks", times + "\"counts\", \"Energy (eV)\"\n5, 100\n6, 120\n7, 140\n", scale, counts, nil},
		{"semicolons", times + "energy_ev;counts\n100;5\n120;6\n140;7\n", scale, counts, []string{`line 3: columns separated by ";"; commas expected`}},
		{"tabs", times + "energy_ev\tcounts\n100\t5\n120\t6\n140\t7\n", scale, counts, []string{`line 3: columns separated by "\t"; commas expected`}},
		{"channel", times + "channel,counts\n0,5\n1,6\n2,7\n", none, counts, []string{"line 3: no energies: the spectrum has no energy scale"}},
		{"channel from 1", times + "channel,counts\n1,5\n2,6\n3,7\n", none, counts,
			[]string{"line 3: no energies: the spectrum has no energy scale", "line 4: channels begin at 1; channel 1 of the table is index 0"}},
		{"counts alone", times + "counts\n5\n6\n7\n", none, counts, []string{"line 3: no energies: the spectrum has no energy scale"}},
		{"numbers alone", times + "5\n6\n7\n", none, counts, []string{"line 3: no line of column names", "line 3: no energies: the spectrum has no energy scale"}},
		{"two columns without names, energies", times + "100,5\n120,6\n140,7\n", scale, counts,
			[]string{"line 3: no line of column names", "line 3: first column taken as energies in eV"}},
		{"two columns without names, keV", times + "0.1,5\n0.12,6\n0.14,7\n", scale, counts,
			[]string{"line 3: no line of column names", "line 3: first column taken as energies in keV"}},
		{"two columns without names, channels", times + "0,5\n1,6\n2,7\n", none, counts,
			[]string{"line 3: no line of column names", "line 3: first column taken as channel numbers", "line 3: no energies: the spectrum has no energy scale"}},
		{"scale in comments", times + "# offset_ev: 100\n# gain_ev: 20\nchannel,counts\n0,5\n1,6\n2,7\n", scale, counts, nil},
		{"scale in comments disagrees", times + "# offset_ev: 90\n# gain_ev: 20\nenergy_ev,counts\n100,5\n120,6\n140,7\n", scale, counts,
			[]string{"line 5: the scale of the header (90 eV + i·20 eV) disagrees with the x column by 10 eV on line 6; the x column is used (100 eV + i·20 eV)"}},
		{"no times", "energy_ev,counts\n100,5\n120,6\n140,7\n", scale, counts,
			[]string{"line 1: LIVETIME: live time missing: no count rates", "line 1: REALTIME: real time missing: no dead time"}},
		{"live time no number", "# live_time_s: ten\n# real_time_s: 12\nenergy_ev,counts\n100,5\n120,6\n140,7\n", scale, counts,
			[]string{`line 1: live_time_s: value "ten" is not a number; not used`}},
		{"fractional and negative", times + "energy_ev,counts\n100,5.5\n120,-6\n140,7\n", scale, []float64{5.5, -6, 7},
			[]string{"line 4: counts are not whole numbers: Poisson statistics do not hold (first 5.5 in channel 0, 1 of 3 values)",
				"line 5: negative counts: not raw counts (first -6 in channel 1, 1 of 3 values)"}},
		{"CR LF, BOM, blank line", "\xEF\xBB\xBF" + strings.ReplaceAll(times+"energy_ev,counts\n100,5\n\n120,6\n140,7\n", "\n", "\r\n"), scale, counts,
			[]string{"line 1: UTF-8 byte-order mark before the text", "line 1: lines end in CR LF, not LF", "line 5: blank line"}},
	}
	for _, x := range tests {
		t.Run(x.name, func(t *testing.T) {
			f, err := ReadCSV(strings.NewReader(x.text))
			if err != nil {
				t.Fatal(err)
			}
			if f.Spectrum.Calibration != x.scale {
				t.Errorf("calibration %+v, want %+v", f.Spectrum.Calibration, x.scale)
			}
			if err := sameFloats("counts", f.Spectrum.Counts, x.counts); err != nil {
				t.Error(err)
			}
			if got := deviationTexts(f.Deviations); !reflect.DeepEqual(got, x.want) {
				t.Errorf("deviations\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(x.want, "\n"))
			}
			checkRoundTrip(t, f)
		})
	}
}

func TestReadCSVErrors(t *testing.T) {
	for _, x := range []struct {
		name, text string
		cause      error
		want       string
	}{
		{"empty", "", ErrNotSpectrum, `msa: the file holds no table; expected a table with the columns "energy_ev,counts", "channel,counts" or "counts"`},
		{"comments alone", "# a\n# b\n", ErrNotSpectrum, `msa: the file holds no table; expected a table with the columns "energy_ev,counts", "channel,counts" or "counts"`},
		{"no rows", "channel,counts\n", ErrNoData, "msa: line 1: no rows below the column names"},
		{"spectral data file", "#FORMAT      : EMSA/MAS Spectral Data File\n", ErrNotSpectrum, `msa: line 1: starts with "#FORMAT      : EMSA/MAS Spectral Data Fi…" (a spectral data file; Read reads it); expected a table with the columns "energy_ev,counts", "channel,counts" or "counts"`},
		{"HTML", "<html>", ErrNotSpectrum, `msa: line 1: starts with "<html>" (an HTML page); expected a table with the columns "energy_ev,counts", "channel,counts" or "counts"`},
		{"binary", "\x00\x01", ErrNotSpectrum, `msa: line 1: starts with "\x00\x01" (binary data); expected a table with the columns "energy_ev,counts", "channel,counts" or "counts"`},
		{"many columns", "vessel,ch0,ch1\n", ErrNotSpectrum, `msa: line 1: 3 columns; expected a table with the columns "energy_ev,counts", "channel,counts" or "counts"`},
		{"other names", "length,width\n1,2\n", ErrNotSpectrum, `msa: line 1: column names "length,width"; expected a table with the columns "energy_ev,counts", "channel,counts" or "counts"`},
		{"counts twice", "counts,counts\n1,2\n", ErrNotSpectrum, `msa: line 1: column names "counts,counts"; expected a table with the columns "energy_ev,counts", "channel,counts" or "counts"`},
		{"decimal commas", "energy_ev;counts\n1,5;2\n", ErrDecimalComma, `msa: line 2: commas inside the numbers of "1,5;2" cannot be told from separators; write decimal points`},
		{"decimal commas between commas", "energy_ev,counts\n1,5,2,0\n", ErrDecimalComma, `msa: line 2: row "1,5,2,0" has 4 columns; 2 expected, with decimal points`},
		{"row too short", "energy_ev,counts\n1\n", ErrNumber, `msa: line 2: row "1" has 1 columns; 2 expected, with decimal points`},
		{"NaN", "counts\nNaN\n", ErrNumber, `msa: line 2: value "NaN" is not a number; digits, sign, point and E exponent expected`},
		{"missing value", "energy_ev,counts\n1,\n", ErrNumber, `msa: line 2: value "" is not a number; digits, sign, point and E exponent expected`},
		{"channel gap", "channel,counts\n0,1\n1,1\n3,1\n", ErrSpacing, `msa: line 4: channel "3"; channel 2 expected`},
		{"irregular energies", "energy_ev,counts\n0,1\n10,1\n90,1\n100,1\n", ErrSpacing, `msa: line 3: x = 10 eV is 0.7 channels off the straight line through the first and last x; equally spaced energies expected`},
		{"gain below 0", "# gain_ev: -1\nchannel,counts\n0,1\n", ErrNumber, "msa: line 1: gain_ev is -1; it must be above 0"},
		{"gain no number", "# gain_ev: ten\nchannel,counts\n0,1\n", ErrNumber, `msa: line 1: gain_ev: value "ten" is not a number`},
		{"newer format", "# fleck_format: 2\nchannel,counts\n0,1\n", ErrNewerFormat, "msa: line 1: fleck_format 2 is newer than 1, the newest that is read"},
		{"long line", "counts\n" + strings.Repeat("1", 64<<10) + "\n", ErrTooLarge, "msa: line 2: line is longer than 64 KiB; a spectral data file has short lines"},
		{"many comments", strings.Repeat("#\n", 10_001), ErrTooLarge, "msa: line 10001: more than 10000 comment lines"},
		{"many rows", "counts\n" + strings.Repeat("1\n", 1<<20+1), ErrTooLarge, "msa: line 1048578: more than 1048576 data points"},
	} {
		t.Run(x.name, func(t *testing.T) {
			_, err := ReadCSV(strings.NewReader(x.text))
			if !errors.Is(err, x.cause) || err == nil || err.Error() != x.want {
				t.Errorf("error\n%v\nwant\n%s", err, x.want)
			}
		})
	}
}

// Conditions and comments of a table reach the spectrum and the header.
func TestReadCSVConditions(t *testing.T) {
	f, err := ReadCSV(strings.NewReader(strings.Join([]string{
		"# fleck_format: 1", "# title: Panel 3", "# beam_kev: 15.05", "# takeoff_deg: 35", "# tilt_deg: -5",
		"# Live_Time_s: 60.5", "# real_time_s: 70", "# probe_current_na: 0.85", "# polished by hand: yes", "#",
		"energy_ev,counts", "0,1", "10,2\n"}, "\n")))
	if err != nil {
		t.Fatal(err)
	}
	want := spectra.Conditions{BeamEnergy: 15050, TakeOff: 35 * xray.Degree, Tilt: -5 * xray.Degree, LiveTimeS: 60.5, RealTimeS: 70, ProbeCurrentNA: 0.85}
	if f.Spectrum.Conditions != want || f.Spectrum.Title != "Panel 3" {
		t.Errorf("title %q, conditions %+v; want %+v", f.Spectrum.Title, f.Spectrum.Conditions, want)
	}
	if k, ok := f.Lookup("COMMENT"); !ok || k.Value != "polished by hand: yes" {
		t.Errorf("comment %+v, %v", k, ok)
	}
}

// Energies that are a little off the straight line are kept.
func TestReadCSVKeepsEnergies(t *testing.T) {
	f, err := ReadCSV(strings.NewReader("# live_time_s: 1\n# real_time_s: 1\nenergy_ev,counts\n100,1\n122,2\n140,3\n"))
	if err != nil {
		t.Fatal(err)
	}
	if err := sameFloats("x", f.X, []float64{100, 122, 140}); err != nil {
		t.Error(err)
	}
	if got := deviationTexts(f.Deviations); len(got) != 1 || got[0] != "line 5: x is not equally spaced: 122 eV is 0.1 channels off the straight line that is used as energy scale" {
		t.Errorf("deviations %v", got)
	}
	checkRoundTrip(t, f)
}

// The example as spectral data file and as table holds one spectrum.
func TestReadCSVFixture(t *testing.T) {
	r, err := os.Open(testdataDir + "/two-peak.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	f, err := ReadCSV(r)
	if err != nil {
		t.Fatal(err)
	}
	if err := sameSpectrum(f.Spectrum, mustRead(t, twoPeak(t)).Spectrum); err != nil {
		t.Error(err)
	}
	if len(f.Deviations) != 0 {
		t.Errorf("deviations %v", f.Deviations)
	}
}
