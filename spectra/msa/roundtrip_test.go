package msa

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
	"pgregory.net/rapid"
)

// testingT is what checkRoundTrip needs of testing.T and rapid.T.
type testingT interface {
	Helper()
	Errorf(format string, args ...any)
	Fatalf(format string, args ...any)
}

// checkRoundTrip writes f, reads it back and compares spectrum, x column and
// keywords; writing once more must give the same bytes.
func checkRoundTrip(t testingT, f *File) {
	t.Helper()
	checkRoundTripOf(t, f, f.Header)
}

// checkRoundTripOf is checkRoundTrip that compares the given keywords only.
func checkRoundTripOf(t testingT, f *File, keywords []Keyword) {
	t.Helper()
	var b strings.Builder
	if err := Write(&b, f, WriteOptions{}); err != nil {
		t.Fatalf("Write: %v", err)
	}
	g, err := Read(strings.NewReader(b.String()))
	if err != nil {
		t.Fatalf("Read of what was written: %v\n%s", err, b.String())
	}
	if err := sameSpectrum(g.Spectrum, f.Spectrum); err != nil {
		t.Errorf("after writing and reading: %v\n%s", err, b.String())
	}
	if err := sameFloats("x", g.X, f.X); err != nil {
		t.Errorf("after writing and reading: %v\n%s", err, b.String())
	}
	if err := sameKeywords(g.Header, keywords); err != nil {
		t.Errorf("after writing and reading: %v\n%s", err, b.String())
	}
	var again strings.Builder
	if err := Write(&again, g, WriteOptions{}); err != nil {
		t.Fatalf("Write once more: %v", err)
	}
	if again.String() != b.String() {
		t.Errorf("writing once more gives\n%s\nfirst\n%s", again.String(), b.String())
	}
}

// rewritten are the keywords whose values describe how the file is laid out or
// where the data decide; Write sets them.
var rewritten = []string{"FORMAT", "VERSION", "SPECTRUM", "NPOINTS", "NCOLUMNS", "DATATYPE", "XUNITS", "XPERCHAN", "OFFSET", "CHECKSUM"}

// sameKeywords reports the first keyword of want that is not in got with the
// same meaning, in order. got may have required keywords in addition.
func sameKeywords(got, want []Keyword) error {
	seen := map[string]bool{}
	i := 0
	for _, k := range want {
		name := k.Standard()
		if slices.Contains(rewritten, name) && !seen[name] {
			if name != "CHECKSUM" && find(got, name) < 0 {
				return fmt.Errorf("keyword %s is lost", name)
			}
			seen[name] = true
			continue
		}
		if name == "FORMAT" || name == "VERSION" || name == "SPECTRUM" || name == "CHECKSUM" {
			continue // repeats of the lines that mark the file
		}
		for ; i < len(got) && !sameMeaning(got[i], k); i++ {
		}
		if i == len(got) {
			return fmt.Errorf("keyword %+v is lost or out of order in %+v", k, got)
		}
		i++
	}
	return nil
}

// sameMeaning compares name and value; numbers may be spelled in another way.
func sameMeaning(a, b Keyword) bool {
	if a.Standard() != b.Standard() {
		return false
	}
	if a.Value == b.Value {
		return true
	}
	info := lookupKeyword(a.Name)
	if info == nil || info.kind != numberValue {
		return false
	}
	p, q := readQuantity(a, info, nil), readQuantity(b, info, nil)
	return p.ok && q.ok && p.raw() == q.raw() && p.unit == q.unit
}

// finite draws a number of any size that a file may hold.
func finite() *rapid.Generator[float64] {
	return rapid.Custom(func(t *rapid.T) float64 {
		v := rapid.Float64Range(-1e6, 1e6).Draw(t, "value")
		if rapid.Bool().Draw(t, "small") {
			v *= 1e-12
		}
		return v
	})
}

// degrees draws an angle that is a number of degrees; Write promises exactness
// only for these.
func degrees(t *rapid.T, name string) xray.Angle {
	return xray.Angle(rapid.Float64Range(-90, 90).Draw(t, name)) * xray.Degree
}

func drawSpectrum(t *rapid.T) spectra.Spectrum {
	counts := rapid.OneOf(
		rapid.SliceOfN(rapid.Map(rapid.IntRange(0, 1<<40), func(n int) float64 { return float64(n) }), 1, 50),
		rapid.SliceOfN(finite(), 1, 50),
	).Draw(t, "counts")
	s := spectra.Spectrum{
		Title:  strings.Trim(rapid.StringMatching(`[ -~µÅ]{0,70}`).Draw(t, "title"), blanks),
		Counts: counts,
		Conditions: spectra.Conditions{
			BeamEnergy:     xray.Energy(rapid.Float64Range(0, 3e5).Draw(t, "beam")),
			TakeOff:        degrees(t, "take-off"),
			Tilt:           degrees(t, "tilt"),
			LiveTimeS:      finite().Draw(t, "live"),
			RealTimeS:      finite().Draw(t, "real"),
			ProbeCurrentNA: finite().Draw(t, "current"),
		},
	}
	if rapid.Bool().Draw(t, "calibrated") {
		s.Calibration = spectra.Calibration{OffsetEV: finite().Draw(t, "offset"), GainEV: rapid.Float64Range(1e-3, 1e3).Draw(t, "gain")}
	}
	return s
}

// A spectrum survives writing and reading bit for bit, in every version, data
// type and number of columns.
func TestWriteReadIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawSpectrum(t)
		opt := WriteOptions{
			Version: rapid.SampledFrom([]string{"", Version1, Version2}).Draw(t, "version"),
			Columns: rapid.IntRange(0, 5).Draw(t, "columns"),
		}
		if s.Calibration.Valid() {
			opt.DataType = rapid.SampledFrom([]DataType{"", DataY, DataXY}).Draw(t, "type")
		}
		var b strings.Builder
		if err := Write(&b, FromSpectrum(s), opt); err != nil {
			t.Fatalf("Write: %v", err)
		}
		f, err := Read(strings.NewReader(b.String()))
		if err != nil {
			t.Fatalf("Read: %v\n%s", err, b.String())
		}
		if err := sameSpectrum(f.Spectrum, s); err != nil {
			t.Fatalf("%v\n%s", err, b.String())
		}
		if (f.X != nil) != (opt.DataType == DataXY) {
			t.Fatalf("data type %q gives %d x values", opt.DataType, len(f.X))
		}
		for i, d := range f.Deviations { // whatever is drawn, the layout is clean
			if strings.Contains(d.Message, "position") || strings.Contains(d.Message, "separat") || strings.Contains(d.Message, "NCOLUMNS") {
				t.Fatalf("deviation %d: %v\n%s", i, d, b.String())
			}
		}
		checkRoundTrip(t, f)
	})
}

// Counts and energies survive the CSV table bit for bit.
func TestWriteReadCSVIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawSpectrum(t)
		var b strings.Builder
		if err := WriteCSV(&b, s); err != nil {
			t.Fatalf("WriteCSV: %v", err)
		}
		f, err := ReadCSV(strings.NewReader(b.String()))
		if err != nil {
			t.Fatalf("ReadCSV: %v\n%s", err, b.String())
		}
		if err := sameSpectrum(f.Spectrum, s); err != nil {
			t.Fatalf("%v\n%s", err, b.String())
		}
		checkRoundTrip(t, f)
	})
}

// ofSpectrum are the keywords whose values Write takes from the spectrum.
var ofSpectrum = []string{"TITLE", "BEAMKV", "PROBECUR", "LIVETIME", "REALTIME", "XTILTSTGE", "ELEVANGLE"}

// A header drawn at random survives, and after a change of the spectrum the
// file says what the spectrum says.
func TestWriteFollowsSpectrum(t *testing.T) {
	text := twoPeak(t)
	rapid.Check(t, func(t *rapid.T) {
		f, err := Read(strings.NewReader(text))
		if err != nil {
			t.Fatalf("Read: %v", err)
		}
		for i := range rapid.IntRange(0, 3).Draw(t, "keywords") {
			f.Header = insertBeforeSpectrum(f.Header, Keyword{
				Name:  "#" + rapid.StringMatching(`[A-Za-z0-9_]{1,14}`).Draw(t, fmt.Sprint("name", i)),
				Value: strings.Trim(rapid.StringMatching(`[ -~]{0,60}`).Draw(t, fmt.Sprint("value", i)), blanks),
			})
		}
		f.Spectrum = drawSpectrum(t)
		kept := slices.DeleteFunc(slices.Clone(f.Header), func(k Keyword) bool { return slices.Contains(ofSpectrum, k.Standard()) })
		checkRoundTripOf(t, f, kept)
	})
}

// Numbers keep their value when the decimal point is moved and moved back.
func TestFormatNumberIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64().Draw(t, "v")
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return
		}
		shift := rapid.IntRange(-9, 9).Draw(t, "shift")
		text := formatNumber(v, shift)
		if got, ok := parseNumber(text, -shift); !ok || math.Float64bits(got) != math.Float64bits(v) {
			t.Fatalf("%v times 1e%d is %q, which reads back as %v, %v", v, shift, text, got, ok)
		}
	})
}

// Fragments that lines of real files differ by.
var fragments = []string{"#", "##", ":", ",", ".", " ", "\t", "-kV", "-keV", "mm", "E", "D", "e-3", "0", "1", "-1", "1200", "1.2", "XY", "Y", "keV", "eV",
	"nm", "channel", "NaN", "\xB5", "\xC2\xB5", "\r", "\n", "\x1a", ";", "#SPECTRUM", "#ENDOFDATA", "#FORMAT", "#COMMENT", "#LIVETIME -ms: 5", "1, 2"}

// A file with random damage is refused or survives writing and reading.
func TestReadDamaged(t *testing.T) {
	text := twoPeak(t)
	f, err := Read(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	starts := [][]string{
		strings.SplitAfter(text, "\n"),
		strings.SplitAfter(mustWrite(t, f, WriteOptions{DataType: DataXY}), "\n"),
	}
	read := 0
	rapid.Check(t, func(t *rapid.T) {
		lines := slices.Clone(rapid.SampledFrom(starts).Draw(t, "start"))
		for range rapid.IntRange(1, 6).Draw(t, "damages") {
			i := rapid.IntRange(0, len(lines)-1).Draw(t, "line")
			switch rapid.IntRange(0, 4).Draw(t, "damage") {
			case 0:
				lines = slices.Delete(lines, i, i+1)
			case 1:
				lines = slices.Insert(lines, i, lines[rapid.IntRange(0, len(lines)-1).Draw(t, "other")])
			case 2:
				j := rapid.IntRange(0, len(lines)-1).Draw(t, "other")
				lines[i], lines[j] = lines[j], lines[i]
			default:
				at := rapid.IntRange(0, len(lines[i])).Draw(t, "at")
				end := rapid.IntRange(at, min(at+4, len(lines[i]))).Draw(t, "end")
				lines[i] = lines[i][:at] + rapid.SampledFrom(fragments).Draw(t, "fragment") + lines[i][end:]
			}
		}
		f, err := Read(strings.NewReader(strings.Join(lines, "")))
		if err != nil {
			return
		}
		read++
		checkRoundTrip(t, f)
	})
	if read == 0 {
		t.Error("no damaged file was read: the test shows nothing")
	}
}
