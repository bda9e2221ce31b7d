package msa

import (
	"bytes"
	"crypto/sha256"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "rewrite the derived files in testdata")

const testdataDir = "../../testdata"

// fixtures are the files made from two-peak.msa: name, what is changed, and the
// deviations that Read must then list. Unless said otherwise the spectrum is
// the same.
var fixtures = []struct {
	name    string
	make    func(text string) string
	want    []string
	differs bool // the spectrum is not that of two-peak.msa
}{
	{"two-peak-crlf.msa", func(s string) string { return strings.ReplaceAll(s, "\n", "\r\n") },
		[]string{"line 1: lines end in CR LF, not LF"}, false},
	{"two-peak-lower-case.msa", lowerKeywords, lowerWant(), false},
	{"two-peak-colon-16.msa", func(s string) string {
		return regexp.MustCompile(`(?m)^(#.{12}):`).ReplaceAllString(s, "$1  :")
	}, []string{"line 1: FORMAT: colon in position 16, not 14; also on lines 2-30, 39"}, false},
	{"two-peak-d-exponent.msa", func(s string) string {
		s = strings.Replace(s, "1.0E-05", "1.0D-05", 1)
		return strings.Replace(s, "123, 249, 480", "1.23D+02, 249, 4.8d2", 1)
	}, []string{
		`line 26: TDEADLYR: exponent letter "D" in "1.0D-05"; E expected`,
		"line 33: exponents with the letter D; E expected",
	}, false},
	{"two-peak-trailing-comma.msa", trailingCommas, []string{"line 31: separator after the last value of the line; also on lines 32-70"}, false},
	{"two-peak-xy.msa", func(s string) string {
		f, err := Read(strings.NewReader(s))
		if err != nil {
			return err.Error()
		}
		var b bytes.Buffer
		if err := Write(&b, f, WriteOptions{DataType: DataXY, Columns: 1}); err != nil {
			return err.Error()
		}
		return b.String()
	}, nil, false},
	{"two-peak-kev.msa", func(s string) string {
		return strings.NewReplacer("#XUNITS      : eV", "#XUNITS      : keV", ": 20.0\n", ": 0.020\n", ": 1200.0\n", ": 1.200\n").Replace(s)
	}, nil, false},
	{"two-peak-npoints-41.msa", func(s string) string { return strings.Replace(s, ": 40.\n", ": 41.\n", 1) },
		[]string{"line 7: NPOINTS: header says 41, found 40 values"}, false},
	{"two-peak-no-end.msa", func(s string) string { return s[:strings.Index(s, "#ENDOFDATA")] },
		[]string{"line 38: ENDOFDATA: end mark missing; the data are complete"}, false},
	{"two-peak-bom.msa", func(s string) string { return "\xEF\xBB\xBF" + s },
		[]string{"line 1: UTF-8 byte-order mark before the text"}, false},
	{"two-peak-latin-1.msa", func(s string) string {
		return strings.Replace(s, "Invented two-peak", "Invented 5 \xB5m two-peak", 1)
	}, []string{"line 3: TITLE: characters outside 7-bit ASCII"}, true},
}

// keywordLine splits a header line of the example.
var keywordLine = regexp.MustCompile(`(?m)^#([A-Z]+)( *(?:-[A-Za-z]+)?:)`)

// lowerKeywords writes every keyword of the format in lower case.
func lowerKeywords(s string) string {
	return keywordLine.ReplaceAllStringFunc(s, func(m string) string {
		p := keywordLine.FindStringSubmatch(m)
		return "#" + strings.ToLower(p[1]) + p[2]
	})
}

// lowerWant is the deviation of each line of lowerKeywords.
func lowerWant() (want []string) {
	names := "FORMAT VERSION TITLE DATE TIME OWNER NPOINTS NCOLUMNS XUNITS YUNITS DATATYPE XPERCHAN OFFSET SIGNALTYPE CHOFFSET " +
		"XLABEL YLABEL BEAMKV PROBECUR MAGCAM LIVETIME REALTIME ELEVANGLE AZIMANGLE SOLIDANGL TDEADLYR TACTLYR COMMENT - SPECTRUM"
	for i, name := range strings.Fields(names) {
		if name != "-" { // the user-defined keyword
			want = append(want, fmt.Sprintf("line %d: %s: keyword spelled %q", i+1, name, strings.ToLower(name)))
		}
	}
	return append(want, `line 39: ENDOFDATA: keyword spelled "endofdata"`)
}

// trailingCommas writes one value per line, each followed by a comma.
func trailingCommas(s string) string {
	head, data, _ := strings.Cut(s, "next line\n")
	data, end, _ := strings.Cut(data, "#")
	data = strings.NewReplacer(", ", ".,\n", "\n", ".,\n").Replace(data)
	return strings.Replace(head, ": 5.\n", ": 1.\n", 1) + "next line\n" + data + "#" + end
}

func TestFixtures(t *testing.T) {
	text := twoPeak(t)
	plain := mustRead(t, text)
	for _, x := range fixtures {
		t.Run(x.name, func(t *testing.T) {
			path := filepath.Join(testdataDir, x.name)
			want := x.make(text)
			if *update {
				if err := os.WriteFile(path, []byte(want), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			got, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if string(got) != want {
				t.Errorf("%s is not what the test makes from two-peak.msa; run with -update and read the difference", path)
			}
			if want == text {
				t.Error("the fixture does not differ from two-peak.msa")
			}
			f := mustRead(t, string(got))
			if d := deviationTexts(f.Deviations); !reflect.DeepEqual(d, x.want) {
				t.Errorf("deviations\n%s\nwant\n%s", strings.Join(d, "\n"), strings.Join(x.want, "\n"))
			}
			s := plain.Spectrum
			if x.differs {
				s.Title = "Invented 5 µm two-peak test spectrum"
			}
			if err := sameSpectrum(f.Spectrum, s); err != nil {
				t.Error(err)
			}
			if again := mustRead(t, mustWrite(t, f, WriteOptions{})); sameSpectrum(again.Spectrum, f.Spectrum) != nil {
				t.Errorf("after writing and reading: %v", sameSpectrum(again.Spectrum, f.Spectrum))
			}
		})
	}
}

// The CSV form of the example.
func TestFixtureCSV(t *testing.T) {
	path := filepath.Join(testdataDir, "two-peak.csv")
	s := mustRead(t, twoPeak(t)).Spectrum
	var b bytes.Buffer
	if err := WriteCSV(&b, s); err != nil {
		t.Fatal(err)
	}
	if *update {
		if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	got, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, b.Bytes()) {
		t.Errorf("%s is not what WriteCSV makes from two-peak.msa; run with -update and read the difference", path)
	}
}

// Every file in testdata has a line in its README, with true size and
// checksum.
func TestTestdataReadme(t *testing.T) {
	readme, err := os.ReadFile(filepath.Join(testdataDir, "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	files, err := filepath.Glob(filepath.Join(testdataDir, "*"))
	if err != nil || len(files) < len(fixtures)+2 {
		t.Fatalf("%d files in %s, %v", len(files), testdataDir, err)
	}
	for _, path := range files {
		name := filepath.Base(path)
		if info, err := os.Stat(path); err != nil || info.IsDir() || name == "README.md" || name[0] == '.' {
			continue
		}
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		row := fmt.Sprintf("| %d | `%x` |", len(b), sha256.Sum256(b))
		found := false
		for _, line := range strings.Split(string(readme), "\n") {
			found = found || strings.HasPrefix(line, "| `"+name+"` |") && strings.Contains(line, row)
		}
		if !found {
			t.Errorf("README.md has no row for %s that ends in %s", name, row)
		}
	}
}
