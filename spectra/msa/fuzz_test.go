package msa

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"
)

// FuzzRead: no text makes Read or Check panic, and what Read accepts survives
// writing and reading.
func FuzzRead(f *testing.F) {
	text := twoPeak(f)
	files, err := filepath.Glob(filepath.Join(testdataDir, "*.msa"))
	if err != nil || len(files) == 0 {
		f.Fatalf("no seeds in %s: %v", testdataDir, err)
	}
	for _, name := range files {
		b, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	t := &testing.T{} // the edits use it only to complain about themselves
	for _, x := range deviationTests {
		f.Add([]byte(x.edit(t, text)))
	}
	for _, x := range errorTests {
		if s := x.edit(t, text); len(s) < 4096 {
			f.Add([]byte(s))
		}
	}
	f.Add([]byte("#FORMAT:EMSA\n#DATATYPE:XY\n#SPECTRUM\n1,2\n"))
	f.Add([]byte("#FORMAT:EMSA\n#XPERCHAN-keV:.01\n1\n2\n#\n##\n# :\n3"))
	f.Fuzz(func(t *testing.T, b []byte) {
		file, err := Read(bytes.NewReader(b))
		list, errCheck := Check(bytes.NewReader(b))
		if (err == nil) != (errCheck == nil) {
			t.Fatalf("Read: %v, Check: %v", err, errCheck)
		}
		for _, d := range list {
			_ = d.String()
		}
		if err != nil {
			_ = err.Error()
			return
		}
		checkRoundTrip(t, file)
	})
}

// FuzzReadCSV: no text makes ReadCSV panic, and what it accepts survives as
// table and as spectral data file.
func FuzzReadCSV(f *testing.F) {
	for _, s := range []string{
		"energy_ev,counts\n0,1\n10,2\n", "channel;counts\n0;1\n1;2\n", "counts\n1\n2\n", "1\n2\n", "0,1\n1,2\n", "0.1,1\n0.2,2\n0.31,3\n",
		"# fleck_format: 1\n# title: x\n# beam_kev: 15\n# takeoff_deg: 35\n# live_time_s: 1\n# offset_ev: 1\n# gain_ev: 2\n# note\nenergy_ev,counts\n1,1\n3,2\n",
		"\"counts\"\t\"energy_kev\"\n5\t.1\n6\t.2\n",
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		file, err := ReadCSV(bytes.NewReader(b))
		if err != nil {
			_ = err.Error()
			return
		}
		checkRoundTrip(t, file)
		var table bytes.Buffer
		if err := WriteCSV(&table, file.Spectrum); err != nil {
			t.Fatalf("WriteCSV: %v", err)
		}
		again, err := ReadCSV(&table)
		if err != nil {
			t.Fatalf("ReadCSV of what was written: %v", err)
		}
		if err := sameSpectrum(again.Spectrum, file.Spectrum); err != nil {
			t.Errorf("after WriteCSV and ReadCSV: %v", err)
		}
	})
}
