package msa

import (
	"errors"
	"math"
	"strings"
	"testing"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

// A fresh file is laid out by the book; only what a spectrum does not know is
// empty.
func TestFromSpectrum(t *testing.T) {
	s := spectra.Spectrum{
		Title:       "Panel 3",
		Calibration: spectra.Calibration{OffsetEV: -200, GainEV: 10},
		Conditions:  spectra.Conditions{BeamEnergy: 15 * xray.KeV, TakeOff: 35 * xray.Degree, Tilt: 10 * xray.Degree, LiveTimeS: 60, RealTimeS: 72.5, ProbeCurrentNA: 0.8},
		Counts:      []float64{0, 1, 2, 30, 4, 5.5},
	}
	f := FromSpectrum(s)
	f.Set("OWNER", "Workshop")
	f.Set("#BATCH", "7")
	got := mustWrite(t, f, WriteOptions{Version: Version2})
	const want = `#FORMAT      : EMSA/MAS Spectral Data File
#VERSION     : TC202v2.0
#TITLE       : Panel 3
#DATE        : 
#TIME        : 
#OWNER       : Workshop
#NPOINTS     : 6.
#NCOLUMNS    : 5.
#XUNITS      : eV
#YUNITS      : counts
#DATATYPE    : Y
#XPERCHAN    : 10.0
#OFFSET      : -200.0
#SIGNALTYPE  : EDS
#BEAMKV   -kV: 15.0
#PROBECUR -nA: 0.8
#LIVETIME  -s: 60.0
#REALTIME  -s: 72.5
#XTILTSTGE-dg: 10.0
#ELEVANGLE-dg: 35.0
##BATCH      : 7
#SPECTRUM    : Spectral data start on the next line
0, 1, 2, 30, 4
5.5
#ENDOFDATA   : End of data
`
	if got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
	list, err := Check(strings.NewReader(got))
	if texts := strings.Join(deviationTexts(list), "; "); err != nil || texts != "line 4: DATE: value is empty; line 5: TIME: value is empty" {
		t.Errorf("Check: %q, %v", texts, err)
	}
}

// What the spectrum says replaces what the header says, and nothing else
// changes.
func TestWriteAfterChange(t *testing.T) {
	text := twoPeak(t)
	f := mustRead(t, text)
	f.Spectrum.Title = "Changed"
	f.Spectrum.Counts = f.Spectrum.Counts[:5]
	f.Spectrum.GainEV = 20.05
	f.Spectrum.LiveTimeS = 12.25
	f.Spectrum.RealTimeS = 0 // not known any more
	got := mustWrite(t, f, WriteOptions{})
	want := strings.NewReplacer(
		"Invented two-peak test spectrum", "Changed", ": 40.", ": 5.", ": 20.0\n", ": 20.05\n", ": 12.5", ": 12.25",
		"#REALTIME  -s: 15.0\n", "", exampleData, "60, 60, 59, 59, 58").Replace(text)
	if got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}

func TestWriteOptions(t *testing.T) {
	f := mustRead(t, twoPeak(t))
	got := mustWrite(t, f, WriteOptions{Version: Version2, DataType: DataXY, Columns: 2})
	for _, line := range []string{"#VERSION     : TC202v2.0\n", "#NCOLUMNS    : 2.\n", "#DATATYPE    : XY\n", "\n1200, 60, 1220, 60\n"} {
		if !strings.Contains(got, line) {
			t.Errorf("no %q in\n%s", line, got)
		}
	}
	back := mustRead(t, got)
	if len(back.Deviations) != 0 {
		t.Errorf("deviations %v", back.Deviations)
	}
	if y := mustWrite(t, back, WriteOptions{Version: Version1, DataType: DataY, Columns: 5}); y != twoPeak(t) {
		t.Errorf("back in version 1.0 and Y:\n%s", y)
	}
}

func TestWriteErrors(t *testing.T) {
	change := func(edit func(f *File)) *File {
		f := FromSpectrum(spectra.Spectrum{Counts: []float64{1, 2}, Calibration: spectra.Calibration{GainEV: 10}})
		edit(f)
		return f
	}
	same := func(*File) {}
	for _, x := range []struct {
		name string
		f    *File
		opt  WriteOptions
		want string
	}{
		{"no counts", change(func(f *File) { f.Spectrum.Counts = nil }), WriteOptions{}, "msa: write: 0 channels; 1 to 1048576 can be written"},
		{"NaN", change(func(f *File) { f.Spectrum.Counts[1] = math.NaN() }), WriteOptions{}, "msa: write: channel 1 holds NaN; counts must be finite"},
		{"Inf", change(func(f *File) { f.Spectrum.Counts[0] = math.Inf(1) }), WriteOptions{}, "msa: write: channel 0 holds +Inf; counts must be finite"},
		{"version", change(same), WriteOptions{Version: "3"}, `msa: write: version "3"; "1.0" or "TC202v2.0" expected`},
		{"type", change(same), WriteOptions{DataType: "YX"}, `msa: write: data type "YX"; "Y" or "XY" expected`},
		{"columns", change(same), WriteOptions{Columns: 6}, "msa: write: 6 columns; 1 to 5 expected"},
		{"line break", change(func(f *File) { f.Spectrum.Title = "a\nb" }), WriteOptions{}, `msa: write: keyword "TITLE", unit "", value "a\nb": line breaks, zero bytes and colons in a name cannot be written`},
		{"colon in a name", change(func(f *File) { f.Set("#A:B", "1") }), WriteOptions{}, `msa: write: keyword "#A:B", unit "", value "1": line breaks, zero bytes and colons in a name cannot be written`},
		{"long line", change(func(f *File) { f.Set("OWNER", strings.Repeat("x", 64<<10)) }), WriteOptions{}, `msa: write: keyword "OWNER": line of 65552 bytes; at most 65536`},
		{"XY without scale", change(func(f *File) { f.Spectrum.GainEV = 0 }), WriteOptions{DataType: DataXY}, "msa: write: XY data need an energy scale; offset is 0 eV, gain 0 eV per channel"},
	} {
		t.Run(x.name, func(t *testing.T) {
			if err := Write(&strings.Builder{}, x.f, x.opt); err == nil || err.Error() != x.want {
				t.Errorf("error %v, want %s", err, x.want)
			}
		})
	}
	if err := Write(&strings.Builder{}, change(func(f *File) { f.Spectrum.LiveTimeS = math.NaN() }), WriteOptions{}); err == nil {
		t.Error("NaN live time is written")
	}
}

// failing is a writer that takes a number of bytes.
type failing int

var errFull = errors.New("disk full")

func (f *failing) Write(p []byte) (int, error) {
	if *f -= failing(len(p)); *f < 0 {
		return 0, errFull
	}
	return len(p), nil
}

func TestWriteWriterError(t *testing.T) {
	s := spectra.Spectrum{Counts: make([]float64, 5000), Calibration: spectra.Calibration{GainEV: 10}}
	for _, room := range []failing{0, 5000} {
		w := room
		if err := Write(&w, FromSpectrum(s), WriteOptions{}); !errors.Is(err, errFull) {
			t.Errorf("Write with room for %d bytes: %v", room, err)
		}
		w = room
		if err := WriteCSV(&w, s); !errors.Is(err, errFull) {
			t.Errorf("WriteCSV with room for %d bytes: %v", room, err)
		}
	}
}

// The x column decides the scale unless it is that of the header within its
// printed digits.
func TestColumnScale(t *testing.T) {
	round := func(offset, gain float64, digits int) func(i int) string {
		return func(i int) string {
			p := math.Pow10(digits)
			return formatNumber(math.Round((offset+gain*float64(i))*p)/p, 0)
		}
	}
	for _, x := range []struct {
		name    string
		x       func(i int) string
		offset  string // of the header
		gain    string
		want    spectra.Calibration
		message string // of the one deviation, "" for none
	}{
		{"rounded to 0.1 eV", round(1200.123, 20.0107, 1), "1200.123", "20.0107", spectra.Calibration{OffsetEV: 1200.123, GainEV: 20.0107}, ""},
		{"rounded to 1 eV", round(1200.4, 20.3, 0), "1200.4", "20.3", spectra.Calibration{OffsetEV: 1200.4, GainEV: 20.3}, ""},
		{"single precision", func(i int) string { return formatNumber(float64(float32(1200.1+20*float64(i))), 0) }, "1200.1", "20.0", spectra.Calibration{OffsetEV: 1200.1, GainEV: 20}, ""},
		{"header rounded", round(1200.4, 20.3, 2), "1200.0", "20.0", spectra.Calibration{OffsetEV: 1200.4, GainEV: (1200.4 + 20.3*39 - 1200.4) / 39},
			"the scale of the header (1200 eV + i·20 eV) disagrees with the x column by 12.1 eV on line 70; the x column is used (1200.4 eV + i·20.3 eV)"},
		{"bent by a quarter of a channel", func(i int) string { return formatNumber(1200+20*float64(i)+5*math.Sin(math.Pi*float64(i)/39), 0) }, "1200.0", "20.0",
			spectra.Calibration{OffsetEV: 1200, GainEV: 20}, "is not equally spaced"},
	} {
		t.Run(x.name, func(t *testing.T) {
			f := mustRead(t, dataOf(xyData(", ", x.x), append([]string{": 1200.0", ": " + x.offset, ": 20.0", ": " + x.gain, "#CHOFFSET    : -60.0\n", "##CHOFFSET   : -60.0\n"}, pairs...)...)(t, twoPeak(t)))
			got := f.Spectrum.Calibration
			if got.OffsetEV != x.want.OffsetEV || math.Abs(got.GainEV-x.want.GainEV) > 1e-12*x.want.GainEV { // rounding of the end points
				t.Errorf("calibration %+v, want %+v", got, x.want)
			}
			texts := strings.Join(deviationTexts(f.Deviations), "; ")
			if x.message == "" && texts != "" || !strings.Contains(texts, x.message) {
				t.Errorf("deviations %q, want %q", texts, x.message)
			}
			checkRoundTrip(t, f)
		})
	}
}
