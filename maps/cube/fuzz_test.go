package cube

import (
	"bytes"
	"context"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/fstest"
)

// seeds adds the fixtures that match, so that fuzzing starts from real files.
func seeds(f *testing.F, patterns ...string) {
	for _, p := range patterns {
		names, err := filepath.Glob("testdata/" + p)
		if err != nil || len(names) == 0 {
			f.Fatalf("no fixture %s: %v", p, err)
		}
		for _, name := range names {
			data, err := os.ReadFile(name)
			if err != nil {
				f.Fatal(err)
			}
			f.Add(data)
		}
	}
}

// checkFuzzed opens data as a cube: nothing may panic or take more than the
// bound, and what can be read must survive writing and reading.
func checkFuzzed(t *testing.T, data []byte) {
	const bound = 1 << 20
	fsys := fstest.MapFS{"f": {Data: data}, "mixed_yxc.raw": {Data: make([]byte, 120)}}
	f, err := Open(fsys, "f", Options{MaxBytes: bound})
	if err != nil {
		if !strings.HasPrefix(err.Error(), "cube: ") {
			t.Fatalf("error without prefix: %v", err)
		}
		return
	}
	defer f.Close()
	h := f.Header()
	if h.Check() != nil || 4*h.RowLen() > bound || 8*h.Pixels() > bound {
		t.Fatalf("header beyond its bounds: %+v", h)
	}
	if n, _ := product(h.Height, h.RowLen()); n > 1<<20 {
		return // legal, but slow to fuzz
	}
	m, err := Load(context.Background(), f, 1<<30)
	if err != nil {
		return
	}
	var b bytes.Buffer
	if err := WriteNRRD(&b, h, rowsOf(t, m), Gzip); err != nil {
		return // keys that NRRD cannot hold
	}
	g, err := Open(fstest.MapFS{"f": {Data: b.Bytes()}}, "f", Options{})
	if err != nil {
		t.Fatalf("written file refused: %v\n%q", err, b.Bytes())
	}
	again, err := Load(context.Background(), g, 1<<30)
	if err != nil || !slices.Equal(again.Data, m.Data) {
		t.Fatalf("written file differs: %v", err)
	}
	k := g.Header()
	if k.Width != h.Width || k.Type != h.Type || k.CalibrationKnown != h.CalibrationKnown || k.Pixel.Known() != h.Pixel.Known() {
		t.Fatalf("header changed from %+v to %+v", h, k)
	}
}

func FuzzNPYHeader(f *testing.F) {
	seeds(f, "*.npy", "*.npy.gz", "*.npy.zst")
	f.Add([]byte("\x93NUMPY\x01\x00\x10\x00{'shape': (2L,),"))
	f.Fuzz(func(t *testing.T, data []byte) {
		checkFuzzed(t, data)
		if h, err := parseNPY(string(data)); err == nil && len(h.shape) == 3 {
			if l, err := npyLayout(h, "yxc"); err == nil && l.bytes() <= 0 {
				t.Fatalf("%q: %d bytes", data, l.bytes())
			}
		}
	})
}

func FuzzNRRDHeader(f *testing.F) {
	seeds(f, "*.nrrd", "*.nhdr")
	f.Add([]byte(nrrdStart + "sizes: 1 2 3\nspace directions: (1,2) none (3)\nspace units: \"um\"\nencoding: raw\nbyte skip: -1\n\n123456"))
	f.Fuzz(func(t *testing.T, data []byte) {
		if i := bytes.IndexByte(data, '\n'); i == 8 || i == 9 { // most headers begin well
			checkFuzzed(t, data)
		} else {
			checkFuzzed(t, append([]byte("NRRD0003\n"), data...))
		}
	})
}

func FuzzMapText(f *testing.F) {
	seeds(f, "*.txt", "*.csv")
	f.Add([]byte("1;2,5\r3\t4 \n\n#\nnan"))
	f.Fuzz(func(t *testing.T, data []byte) {
		m, err := readMapText(data, 1<<20)
		if err != nil {
			return
		}
		if m.Check() != nil || len(m.V) > 1<<17 || len(m.V) > len(data) {
			t.Fatalf("%d × %d pixels from %d bytes", m.W, m.H, len(data))
		}
		// Line by line with the plainest means, where the separator is a tab.
		if !bytes.ContainsAny(data, ";,# \r\v\f\u0085\u00a0\ufeff") && bytes.IndexByte(data, '\t') >= 0 {
			i := 0
			for _, cell := range bytes.FieldsFunc(data, func(r rune) bool { return r == '\t' || r == '\n' }) {
				v, err := parseNumber(string(cell))
				if err == nil && i < len(m.V) && (v == m.V[i] || math.IsNaN(v) && math.IsNaN(m.V[i])) {
					i++
				}
			}
			if i != len(m.V) {
				t.Fatalf("%q read as %v", data, m.V)
			}
		}
	})
}

func FuzzMapImage(f *testing.F) {
	seeds(f, "*.tif", "*.png")
	f.Fuzz(func(t *testing.T, data []byte) {
		m, err := ReadMap(fstest.MapFS{"f": {Data: data}}, "f", MapOptions{MaxBytes: 1 << 20})
		if err == nil && (m.Check() != nil || len(m.V) > 1<<17) {
			t.Fatalf("%d × %d pixels, %d values", m.W, m.H, len(m.V))
		}
	})
}
