package main

import (
	"bytes"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestStudyTakesUp: a folder that holds nothing but what an interrupted run kept
// is accepted, its values are taken up, and the files are the same; other settings
// take up only what does not depend on them, and leave nothing behind that the
// new result did not use.
func TestStudyTakesUp(t *testing.T) {
	if testing.Short() {
		t.Skip("runs a study several times")
	}
	dir := t.TempDir()
	cubeFile(t, filepath.Join(dir, "t.nrrd"), true, 1)
	cubeFile(t, filepath.Join(dir, "b.nrrd"), false, 2)
	text := write(t, filepath.Join(dir, "study.toml"), studyText)
	study := func(out string, more ...string) string {
		t.Helper()
		_, errs, code := fleck(t, append([]string{"study", text, "--out", filepath.Join(dir, out)}, more...)...)
		if code != exitDone {
			t.Fatalf("exit code %d: %s", code, errs)
		}
		return errs
	}
	kept := func(out string) []fs.DirEntry {
		t.Helper()
		entries, err := os.ReadDir(filepath.Join(dir, out, resumeName))
		if err != nil {
			t.Fatal(err)
		}
		return entries
	}
	const said = "taken up from an earlier run: T1 (maps, spots); B1 (maps, spots)"
	if errs := study("one"); strings.Contains(errs, "taken up") {
		t.Errorf("a first run says %q", errs)
	}
	values := len(kept("one"))
	if values < 4 { // maps and spots of two fields, and first searches of blanks
		t.Errorf("%d values are kept of two fields, want at least 4", values)
	}
	if err := os.CopyFS(filepath.Join(dir, "two", resumeName), os.DirFS(filepath.Join(dir, "one", resumeName))); err != nil {
		t.Fatal(err)
	}
	if errs := study("two"); !strings.Contains(errs, said) {
		t.Errorf("stderr %q lacks %q", errs, said)
	}
	for _, name := range []string{"spots.csv", "comparison.json", "t1/ti_k.npy", "t1/spectra.json", "maps_ti_k.png"} {
		a, errA := os.ReadFile(filepath.Join(dir, "one", name))
		b, errB := os.ReadFile(filepath.Join(dir, "two", name))
		if errA != nil || errB != nil || !bytes.Equal(a, b) {
			t.Errorf("%s differs: %v, %v", name, errA, errB)
		}
	}
	write(t, text, strings.Replace(studyText, "bootstrap = 39", "bootstrap = 41", 1))
	if errs := study("two", "--force"); !strings.Contains(errs, "taken up from an earlier run: T1 (maps); B1 (maps)\n") {
		t.Errorf("after a change of the replicas: %q", errs)
	}
	if n := len(kept("two")); n != values {
		t.Errorf("%d values are kept after a change, want %d", n, values)
	}
	// A value that was damaged is computed again.
	for _, en := range kept("two") {
		path := filepath.Join(dir, "two", resumeName, en.Name())
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		data[len(data)-1] ^= 1
		if err := os.WriteFile(path, data, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if errs := study("two", "--force"); strings.Contains(errs, "taken up") {
		t.Errorf("damaged values are taken up: %q", errs)
	}
}
