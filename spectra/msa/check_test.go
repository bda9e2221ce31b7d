package msa

import (
	"reflect"
	"strings"
	"testing"
)

// Departures that only the strict check lists, and what it leaves out.
func TestCheck(t *testing.T) {
	long := strings.Repeat("x", 65)
	tests := []struct {
		name string
		edit func(t *testing.T, text string) string
		want []string
	}{
		{"value in column 15", replace("#TITLE       : ", "#TITLE       :"), []string{"line 3: TITLE: value begins in position 15, not 16"}},
		{"value in column 17", replace("#TITLE       : ", "#TITLE       :  "), []string{"line 3: TITLE: value begins in position 17, not 16"}},
		{"blanks after the value", replace("14:05", "14:05  "), []string{"line 5: TIME: blanks after the value"}},
		{"long text", replace("Example laboratory", long), []string{"line 6: OWNER: text of 65 characters; at most 64"}},
		{"long user-defined name", replace("##PIXELSIZE  :", "##PIXELSIZE-XY:"),
			[]string{"line 29: #PIXELSIZE-XY: colon in position 15, not 14", "line 29: #PIXELSIZE-XY: name has 12 characters; at most 11 fit before the colon"}},
		{"unit tag to the left", replace("#BEAMKV   -kV:", "#BEAMKV-kV   :"), []string{"line 18: BEAMKV: unit tag ends in position 10, not 13"}},
		{"unknown code", replace(": EDS", ": MCA"), []string{`line 14: SIGNALTYPE: code "MCA" is not one of EDS, WDS, ELS, AES, PES, XRF, CLS, GAM`}},
		{"code in lower case", replace(": EDS", ": eds"), []string{`line 14: SIGNALTYPE: code spelled "eds", not "EDS"`}},
		{"FORMAT in other case", replace("EMSA/MAS Spectral", "EMSA/MAS SPECTRAL"), []string{`line 1: FORMAT: value spelled "EMSA/MAS SPECTRAL Data File"`}},
		{"CR LF", func(_ *testing.T, s string) string { return strings.ReplaceAll(s, "\n", "\r\n") }, []string{"line 1: lines end in CR LF, not LF"}},
		{"no live time is allowed", replace("#LIVETIME  -s: 12.5\n", ""), nil},
		{"negative and fractional counts are allowed", dataOf(strings.Replace(exampleData, "123, 249", "-123.5, 249", 1)), nil},
		{"other units of y are allowed", replace(": counts", ": counts/s"), nil},
		{"position with unit tag", replace("##PIXELSIZE  : 0.05 um (user-defined keyword)", "#XPOSITION-mm: 1.6789"), nil},
		{"version 2.0", replace(": 1.0\n", ": TC202v2.0\n"), nil},
	}
	for _, x := range tests {
		t.Run(x.name, func(t *testing.T) {
			edited := x.edit(t, twoPeak(t))
			list, err := Check(strings.NewReader(edited))
			if err != nil {
				t.Fatal(err)
			}
			if got := deviationTexts(list); !reflect.DeepEqual(got, x.want) {
				t.Errorf("departures\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(x.want, "\n"))
			}
		})
	}
}

// Every deviation of Read that is no caution is a departure for Check.
func TestCheckContainsRead(t *testing.T) {
	cautions := []string{"no count rates", "no dead time", "Poisson", "negative counts", "take-off angle", "energy-dispersive", "check the unit"}
	for _, x := range deviationTests {
		edited := x.edit(t, twoPeak(t))
		list, err := Check(strings.NewReader(edited))
		if err != nil {
			t.Errorf("%s: Check: %v", x.name, err)
		}
		strict := "\n" + strings.Join(deviationTexts(list), "\n") + "\n"
	want:
		for _, w := range x.want {
			for _, c := range cautions {
				if strings.Contains(w, c) {
					if strings.Contains(strict, w) {
						t.Errorf("%s: Check lists the caution %q", x.name, w)
					}
					continue want
				}
			}
			if !strings.Contains(strict, "\n"+w+"\n") {
				t.Errorf("%s: Check does not list %q but%s", x.name, w, strict)
			}
		}
	}
}

// What Write writes passes the check, whatever the file was like.
func TestWriteIsClean(t *testing.T) {
	// Only what is in the values themselves remains.
	remains := []string{"is empty", "not a date", "in the form", "is not one of", "converted", "is not a number", "not understood",
		"user-defined", "is not known", "disagrees", "stands for", "outside 7-bit", "repeated", "out of order", "has none", "no energy", "it must be above 0",
		"taken as", "required keyword missing"}
	for _, x := range deviationTests {
		f := mustRead(t, x.edit(t, twoPeak(t)))
		list, err := Check(strings.NewReader(mustWrite(t, f, WriteOptions{})))
		if err != nil {
			t.Errorf("%s: Check: %v", x.name, err)
		}
	next:
		for _, d := range list {
			for _, r := range remains {
				if strings.Contains(d.Message, r) {
					continue next
				}
			}
			t.Errorf("%s: after Write: %v", x.name, d)
		}
	}
}

// Facts about a header published in the newsgroup sci.data.formats on 9 July
// 1998 (a copper grid): keyword field two characters too wide, XUNITS and
// YUNITS before NCOLUMNS, KeV, mixed-case month, empty OWNER, integers without
// point. The values here are made up.
func TestReadSample1998(t *testing.T) {
	f := mustRead(t, strings.Join([]string{
		"#FORMAT        : EMSA/MAS Spectral Data File",
		"#VERSION       : 1.0",
		"#TITLE         : Invented grid",
		"#DATE          : 07-Jul-1998",
		"#TIME          : 10:20",
		"#OWNER         :",
		"#NPOINTS       : 4",
		"#XUNITS        : KeV",
		"#YUNITS        : counts",
		"#NCOLUMNS      : 1",
		"#DATATYPE      : XY",
		"#XPERCHAN      : 0.02",
		"#OFFSET        : 0.1",
		"#LIVETIME  -s  : 100",
		"#REALTIME  -s  : 110",
		"#SPECTRUM      :",
		"0.10, 5", "0.12, 6", "0.14, 7", "0.16, 8",
		"#ENDOFDATA     :\n"}, "\n"))
	want := []string{
		"line 1: FORMAT: colon in position 16, not 14; also on lines 2-16, 21",
		`line 4: DATE: "07-Jul-1998" is not in the form DD-MMM-YYYY (07-JUL-1998)`,
		"line 6: OWNER: value is empty",
		`line 8: XUNITS: "KeV" taken as keV`,
		"line 10: NCOLUMNS: out of order: it belongs before YUNITS",
	}
	if got := deviationTexts(f.Deviations); !reflect.DeepEqual(got, want) {
		t.Errorf("deviations\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	if s := f.Spectrum; s.OffsetEV != 100 || s.GainEV != 20 || s.LiveTimeS != 100 || s.Counts[3] != 8 {
		t.Errorf("spectrum %+v", s)
	}
}
