//go:build ignore

// Checkoutputs looks at the output folder of the demo: what has to be there is
// there, and every file can be read by a program that knows only its format.
package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"image/png"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// wanted lists patterns of which at least one file must exist, relative to the
// folder; "*/" is the folder of a field.
var wanted = []string{
	"index.html", "result.json", "truth.json", "fleck.json", "spots.csv", "spots.json",
	"comparison.json", "comparison.png", "sum_spectrum.msa", "sum_spectrum.png", "maps_*.png",
	"*/spots.png", "*/spectra.json", "*/overlay.png", "*/*_significance.png", "*/*.npy", "*/*.tif", "*.svg",
}

func main() {
	dir := os.Args[1]
	bad := 0
	say := func(format string, a ...any) { fmt.Printf(format+"\n", a...); bad++ }
	for _, p := range wanted {
		if m, _ := filepath.Glob(filepath.Join(dir, p)); len(m) == 0 {
			say("no file %s", p)
		}
	}
	n := 0
	err := filepath.WalkDir(dir, func(name string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		n++
		b, err := os.ReadFile(name)
		if err == nil {
			err = check(name, b)
		}
		if err != nil {
			say("%s: %v", name, err)
		}
		return nil
	})
	if err != nil {
		say("%v", err)
	}
	fmt.Printf("%d files looked at, %d complaints\n", n, bad)
	if bad > 0 {
		os.Exit(1)
	}
}

func check(name string, b []byte) error {
	if len(b) == 0 {
		return fmt.Errorf("is empty")
	}
	switch filepath.Ext(name) {
	case ".json":
		var v map[string]any
		if err := json.Unmarshal(b, &v); err != nil {
			return err
		}
		if _, ok := v["fleck_format"]; !ok {
			return fmt.Errorf("has no fleck_format")
		}
	case ".png":
		m, err := png.Decode(bytes.NewReader(b))
		if err != nil {
			return err
		}
		if m.Bounds().Empty() {
			return fmt.Errorf("has no pixels")
		}
	case ".csv":
		r := csv.NewReader(bytes.NewReader(b))
		r.Comment = '#'
		rows, err := r.ReadAll()
		if err != nil {
			return err
		}
		if len(rows) == 0 {
			return fmt.Errorf("has no header")
		}
	case ".html":
		text := string(b)
		if !strings.Contains(text, "</html>") {
			return fmt.Errorf("does not end")
		}
		for _, s := range []string{`src="http`, `href="http`, "@import", "url(http"} {
			if strings.Contains(text, s) {
				return fmt.Errorf("loads something from the network: %s", s)
			}
		}
	case ".svg":
		if text := string(b); !strings.Contains(text, "<svg") || !strings.Contains(text, "</svg>") || strings.Contains(text, "<image") {
			return fmt.Errorf("is no complete drawing of its own")
		}
	case ".tif":
		if !bytes.HasPrefix(b, []byte("II*\x00")) && !bytes.HasPrefix(b, []byte("MM\x00*")) {
			return fmt.Errorf("does not begin like a TIFF file")
		}
	case ".npy":
		if !bytes.HasPrefix(b, []byte("\x93NUMPY")) {
			return fmt.Errorf("does not begin like an NPY file")
		}
	case ".msa":
		if !bytes.HasPrefix(b, []byte("#FORMAT")) {
			return fmt.Errorf("does not begin like a spectral data file")
		}
	}
	return nil
}
