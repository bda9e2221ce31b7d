package msa

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

// twoPeakFile is the invented example that all fixtures derive from.
const twoPeakFile = "../../testdata/two-peak.msa"

func twoPeak(t testing.TB) string {
	t.Helper()
	b, err := os.ReadFile(twoPeakFile)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// mustRead reads text and fails the test on an error.
func mustRead(t testing.TB, text string) *File {
	t.Helper()
	f, err := Read(strings.NewReader(text))
	if err != nil {
		t.Fatalf("Read: %v", err)
	}
	return f
}

// mustWrite writes f and fails the test on an error.
func mustWrite(t testing.TB, f *File, opt WriteOptions) string {
	t.Helper()
	var b bytes.Buffer
	if err := Write(&b, f, opt); err != nil {
		t.Fatalf("Write: %v", err)
	}
	return b.String()
}

// deviationTexts returns the deviations as strings.
func deviationTexts(list []Deviation) []string {
	var out []string
	for _, d := range list {
		out = append(out, d.String())
	}
	return out
}

// sameSpectrum reports the first difference between two spectra, bit for bit.
func sameSpectrum(got, want spectra.Spectrum) error {
	if got.Title != want.Title {
		return fmt.Errorf("title %q, want %q", got.Title, want.Title)
	}
	if got.Calibration != want.Calibration {
		return fmt.Errorf("calibration %+v, want %+v", got.Calibration, want.Calibration)
	}
	if got.Conditions != want.Conditions {
		return fmt.Errorf("conditions %+v, want %+v", got.Conditions, want.Conditions)
	}
	return sameFloats("counts", got.Counts, want.Counts)
}

func sameFloats(what string, got, want []float64) error {
	if len(got) != len(want) {
		return fmt.Errorf("%d %s, want %d", len(got), what, len(want))
	}
	for i := range got {
		if math.Float64bits(got[i]) != math.Float64bits(want[i]) {
			return fmt.Errorf("%s: index %d: %v, want %v", what, i, got[i], want[i])
		}
	}
	return nil
}

// The facts about the example were counted with other tools (wc, sha256sum,
// awk) when it was made up.
func TestExampleFile(t *testing.T) {
	text := twoPeak(t)
	if n := len(text); n != 984 {
		t.Errorf("%d bytes, want 984", n)
	}
	if sum := fmt.Sprintf("%x", sha256.Sum256([]byte(text))); sum != "0f23b57621260bf1655c6531ea70d3e2fb43946b0877e1fa39a83e89aa2008de" {
		t.Errorf("SHA-256 %s", sum)
	}
	lines := strings.Split(strings.TrimSuffix(text, "\n"), "\n")
	if len(lines) != 39 {
		t.Errorf("%d lines, want 39", len(lines))
	}
	longest := 0
	for i, l := range lines {
		longest = max(longest, len(l))
		if l[0] == '#' && l[13:15] != ": " {
			t.Errorf("line %d: columns 14 and 15 are %q, want a colon and a blank", i+1, l[13:15])
		}
	}
	if longest != 62 {
		t.Errorf("longest line %d, want 62", longest)
	}

	f := mustRead(t, text)
	s := f.Spectrum
	if len(f.Deviations) != 0 {
		t.Errorf("deviations %v, want none", f.Deviations)
	}
	if len(s.Counts) != 40 || s.Total() != 6975 {
		t.Errorf("%d counts, sum %g; want 40, 6975", len(s.Counts), s.Total())
	}
	highest := 0
	for i, n := range s.Counts {
		if n > s.Counts[highest] {
			highest = i
		}
	}
	if highest != 14 || s.Counts[14] != 941 || s.Energy(14) != 1480 {
		t.Errorf("maximum %g in channel %d at %v eV, want 941 in 14 at 1480", s.Counts[highest], highest, s.Energy(float64(highest)))
	}
	if s.Counts[27] != 169 || s.Energy(27) != 1740 || s.Energy(39) != 1980 {
		t.Errorf("channel 27: %g at %v eV, last energy %v; want 169 at 1740, 1980", s.Counts[27], s.Energy(27), s.Energy(39))
	}
	want := spectra.Conditions{BeamEnergy: 5000, TakeOff: 35 * xray.Degree, LiveTimeS: 12.5, RealTimeS: 15, ProbeCurrentNA: 0.85}
	if s.Conditions != want {
		t.Errorf("conditions %+v, want %+v", s.Conditions, want)
	}
	if d := s.DeadTimeFraction(); math.Abs(d-0.1667) > 0.00005 { // half a unit of the last digit
		t.Errorf("dead time fraction %g, want 0.1667", d)
	}
	if f.Version != "1.0" || f.X != nil || len(f.Header) != 30 || len(f.Trailer) != 1 {
		t.Errorf("version %q, %d x values, %d keywords, %d trailer keywords; want 1.0, 0, 30, 1", f.Version, len(f.X), len(f.Header), len(f.Trailer))
	}
	if k := f.Header[28]; k != (Keyword{29, "#PIXELSIZE", "", "0.05 um (user-defined keyword)"}) || !k.User() {
		t.Errorf("user keyword %+v", k)
	}
	if k, ok := f.Lookup("solidangl"); !ok || k != (Keyword{25, "SOLIDANGL", "sR", "0.0096"}) {
		t.Errorf("Lookup: %+v, %v", k, ok)
	}
	if when, ok := f.Recorded(); !ok || when.Format("2006-01-02 15:04") != "2024-02-03 14:05" {
		t.Errorf("Recorded: %v, %v", when, ok)
	}
}

func TestCheckExampleIsClean(t *testing.T) {
	list, err := Check(strings.NewReader(twoPeak(t)))
	if err != nil || list != nil {
		t.Errorf("Check: %v, %v; want nothing", list, err)
	}
}

// Writing what was read gives the same bytes for a file that keeps the layout.
func TestWriteExampleUnchanged(t *testing.T) {
	text := twoPeak(t)
	if got := mustWrite(t, mustRead(t, text), WriteOptions{}); got != text {
		t.Errorf("Write gives\n%s\nwant\n%s", got, text)
	}
}
