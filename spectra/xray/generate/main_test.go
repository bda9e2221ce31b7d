package main

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"
)

// TestReproducesTables runs the generator and compares with the committed tables, byte for byte.
func TestReproducesTables(t *testing.T) {
	const nff, header = "/usr/lib/python3/dist-packages/periodictable/xsf", "/usr/include/xraylib/xraylib-lines.h"
	for _, p := range []string{nff, header} {
		if _, err := os.Stat(p); err != nil {
			t.Skipf("needs %s (Debian packages libxrl-dev and python3-periodictable)", p)
		}
	}
	dir := t.TempDir()
	if err := run(dir, nff, header); err != nil {
		t.Fatal(err)
	}
	files, err := filepath.Glob("../data/*.csv")
	if err != nil || len(files) != 6 {
		t.Fatalf("committed tables: %v, %v", files, err)
	}
	for _, f := range files {
		want, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		got, err := os.ReadFile(filepath.Join(dir, filepath.Base(f)))
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got, want) {
			t.Errorf("%s: regenerated file differs from the committed one", filepath.Base(f))
		}
	}
}
