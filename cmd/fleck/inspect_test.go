package main

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
)

// TestInspectTIFF writes a map as TIFF; its description must come apart again.
func TestInspectTIFF(t *testing.T) {
	dir := t.TempDir()
	text := write(t, filepath.Join(dir, "area.txt"), "1 2 3\n4 5 6\n7 8 9\n")
	path := filepath.Join(dir, "a.tif")
	if _, errs, code := fleck(t, "convert", text, path); code != exitDone {
		t.Fatal(errs)
	}
	if m := answer(t, exitDone, "inspect", path); m["what"] != "area" || m["unit"] != "counts" {
		t.Errorf("what %q, unit %q; want area and counts", m["what"], m["unit"])
	}
	if out, _, _ := fleck(t, "inspect", path); !strings.Contains(out, "holds        area counts\n") {
		t.Errorf("inspect prints\n%s", out)
	}
}

// TestInspectCutCube cuts a compressed cube in its third row.
func TestInspectCutCube(t *testing.T) {
	const w, h, c = 8, 6, 64
	head := fmt.Sprintf("NRRD0004\ntype: uint8\ndimension: 3\nsizes: %d %d %d\nencoding: gzip\n\n", c, w, h)
	counts := make([]byte, w*h*c)
	for i := range counts {
		counts[i] = byte(i * i * 7919 >> 3)
	}
	var b bytes.Buffer
	b.WriteString(head)
	z, err := gzip.NewWriterLevel(&b, gzip.NoCompression)
	if err != nil {
		t.Fatal(err)
	}
	z.Write(counts[:2*w*c+w*c/2])
	z.Flush() // and nothing after it
	path := write(t, filepath.Join(t.TempDir(), "cut.nrrd"), b.String())
	e := errorOf(t, answer(t, exitFailed, "inspect", path))
	if text := fmt.Sprint(e["message"]); e["code"] != codeTruncated || !strings.HasSuffix(text, "the file ends early: 2 of 6 rows are whole") {
		t.Errorf("code %v, message %q", e["code"], text)
	}
}
