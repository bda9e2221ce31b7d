package msa

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

// realData returns the folder of measured files, which are not part of the
// project.
func realData(t *testing.T) string {
	t.Helper()
	dir := os.Getenv("FLECK_REAL_DATA")
	if dir == "" {
		t.Skip("FLECK_REAL_DATA is not set: measured spectra are not read")
	}
	return dir
}

// Measured spectra of a scanning and a transmission microscope. Number of
// points, sum and range of the counts were taken from the files with awk; live
// time, real time and beam voltage stand in their headers.
func TestReadRealFiles(t *testing.T) {
	dir := realData(t)
	for _, x := range []struct {
		file           string
		total          float64
		live, real, kv float64
		takeOff        float64 // degrees
		keywords       int
	}{
		{"sem-metals/Cu_05kV.emsa", 155106, 120, 125.895484924, 5, 35, 44},
		{"sem-metals/Cu_30kV.emsa", 1059979, 120, 141.932098389, 30, 35, 37},
		{"sem-metals/GaAs_05kV.emsa", 1172123, 44, 67.041435242, 5, 35, 44},
		{"sem-metals/GaAs_15kV.emsa", 2652780, 46.429515839, 113.416053772, 15.05, 35, 44},
		{"sem-metals/Mo_05kV.emsa", 2738435, 120, 174.206558228, 5, 35, 44},
		{"sem-metals/Mo_15kV.emsa", 2244287, 67, 114.004226685, 15, 35, 44},
		{"sem-metals/NW_05kV.emsa", 833809, 120, 135.961929321, 5, 35, 44},
		{"sem-metals/NW_15kV.emsa", 1413134, 120, 145.908874512, 15, 35, 44},
		{"sem-metals/Si_05kV.emsa", 1961983, 104, 140.810043335, 5, 35, 45},
		{"sem-metals/Si_15kV.emsa", 2188021, 120, 160.679962158, 15, 35, 44},
		{"teaching-lab/TEM_known_NiO_on_Mo_A.emsa", 4178576, 120, 160.0780559, 200, 18.6, 42},
	} {
		t.Run(filepath.Base(x.file), func(t *testing.T) {
			b, err := os.ReadFile(filepath.Join(dir, x.file))
			if err != nil {
				t.Fatal(err)
			}
			f, err := Read(bytes.NewReader(b))
			if err != nil {
				t.Fatal(err)
			}
			s := f.Spectrum
			if len(s.Counts) != 2048 || s.Total() != x.total {
				t.Errorf("%d counts, sum %.0f; want 2048, %.0f", len(s.Counts), s.Total(), x.total)
			}
			if s.Calibration != (spectra.Calibration{OffsetEV: -200, GainEV: 10}) {
				t.Errorf("calibration %+v, want −200 eV + i·10 eV", s.Calibration)
			}
			want := spectra.Conditions{BeamEnergy: xray.Energy(x.kv * 1000), TakeOff: xray.Angle(x.takeOff) * xray.Degree, LiveTimeS: x.live, RealTimeS: x.real}
			if s.Conditions != want {
				t.Errorf("conditions %+v, want %+v", s.Conditions, want)
			}
			if kind, _ := spectra.CheckCounts(s.Counts); kind != spectra.WholeCounts {
				t.Errorf("counts are of kind %d, want whole counts", kind)
			}
			if len(f.Header) != x.keywords || len(f.X) != 2048 || f.X[2047] != 20270 {
				t.Errorf("%d keywords, %d x values; want %d, 2048 up to 20270 eV", len(f.Header), len(f.X), x.keywords)
			}
			var keywords []string
			for _, d := range f.Deviations {
				if d.Line < 1 {
					t.Errorf("deviation without line: %v", d)
				}
				keywords = append(keywords, d.Keyword)
			}
			// OWNER is empty, six unit tags are missing, three begin with a blank, the
			// private keywords have their colon one position early.
			if got := strings.Join(keywords, " "); got != "OWNER LIVETIME REALTIME BEAMKV XTILTSTGE AZIMANGLE ELEVANGLE XPOSITION YPOSITION ZPOSITION #MAKERPT" {
				t.Errorf("deviations:\n%s", strings.Join(deviationTexts(f.Deviations), "\n"))
			}
			checkRoundTrip(t, f)
			list, err := Check(strings.NewReader(mustWrite(t, f, WriteOptions{})))
			if got := deviationTexts(list); err != nil || !reflect.DeepEqual(got, []string{"line 6: OWNER: value is empty"}) {
				t.Errorf("departures after Write: %v, %v", got, err)
			}
		})
	}
}

// Measured spectra of an X-ray tube, as tables of channels and counts.
func TestReadRealTables(t *testing.T) {
	dir := realData(t)
	for _, x := range []struct {
		file              string
		total, live, real float64
	}{
		{"20241217_111314_25kV_40uA_Alwin1_0pt2mm_unfilt1.csv", 2681855, 898.127957, 898.937},
		{"20241217_113050_25kV_40uA_Alwin1_0pt2mm_asic3_center.csv", 1935168, 2759.576, 2759.576},
		{"20241217_121720_25kV_40uA_Alwin1_0pt2mm_asic0_center.csv", 1425128, 2011.799, 2011.799},
		{"20241217_125110_25kV_40uA_Alwin1_0pt2mm_unfilt2.csv", 1021020, 330.867, 330.867},
	} {
		t.Run(x.file, func(t *testing.T) {
			b, err := os.ReadFile(filepath.Join(dir, "tube-al-filter", x.file))
			if err != nil {
				t.Fatal(err)
			}
			f, err := ReadCSV(bytes.NewReader(b))
			if err != nil {
				t.Fatal(err)
			}
			s := f.Spectrum
			if len(s.Counts) != 2048 || s.Total() != x.total || s.LiveTimeS != x.live || s.RealTimeS != x.real || s.Calibration != (spectra.Calibration{}) {
				t.Errorf("%d counts, sum %.0f, %+v, %+v", len(s.Counts), s.Total(), s.Conditions, s.Calibration)
			}
			if got := deviationTexts(f.Deviations); !reflect.DeepEqual(got, []string{"line 6: no energies: the spectrum has no energy scale"}) {
				t.Errorf("deviations %v", got)
			}
			checkRoundTrip(t, f)
		})
	}
}

// Files of other kinds that lie beside them are refused.
func TestReadRealForeign(t *testing.T) {
	dir := realData(t)
	for _, name := range []string{"README.md", "sem-metals/SOURCE.txt", "teaching-lab/LICENSE.txt", "glass-sem-edx/spectra.csv", "epma-maps-ooid/MD6_258_6_E1_Si.txt"} {
		b, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		if _, err := Read(bytes.NewReader(b)); !errors.Is(err, ErrNotSpectrum) {
			t.Errorf("Read %s: %v", name, err)
		}
		if _, err := ReadCSV(bytes.NewReader(b)); !errors.Is(err, ErrNotSpectrum) {
			t.Errorf("ReadCSV %s: %v", name, err)
		}
	}
}
