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
	f.Add(append(npyHeader("<u2", 2, 1, 2, 3), make([]byte, 24)...))
	f.Add(append(npyHeader("|u1", 1<<30, 1, 1, 1<<30), 1))
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
	f.Add([]byte("NRRD0003\ntype: uchar\ndimension: 4\nsizes: 2 1 1 3\nunits: \"eV\" \"um\" \"um\" \"s\"\nencoding: raw\n\n123456"))
	f.Fuzz(func(t *testing.T, data []byte) {
		if i := bytes.IndexByte(data, '\n'); i == 8 || i == 9 { // most headers begin well
			checkFuzzed(t, data)
		} else {
			checkFuzzed(t, append([]byte("NRRD0003\n"), data...))
		}
	})
}

// FuzzFrames reads frames in any order of the axes and any selection, and adds them up
// value by value as well.
func FuzzFrames(f *testing.F) {
	f.Add([]byte("abcdefghijklmnopqrstuvwx"), uint8(2), uint8(1), uint8(2), uint8(0), uint8(0), uint8(2), false)
	f.Add([]byte("abcdefghijklmnopqrstuvwx"), uint8(3), uint8(2), uint8(1), uint8(4), uint8(1), uint8(3), true)
	orders := []string{"yxc", "ycx", "xyc", "xcy", "cyx", "cxy"}
	f.Fuzz(func(t *testing.T, data []byte, frames, h, w, order, from, to uint8, zipped bool) {
		px := int(frames) * int(h) * int(w)
		if px == 0 || len(data) < px || len(data) > 1<<12 {
			return
		}
		o := orders[order%6]
		n := map[byte]int{'y': int(h), 'x': int(w), 'c': len(data) / px}
		data = data[:px*n['c']]
		opt := Options{Shape: []int{int(frames), n[o[0]], n[o[1]], n[o[2]]}, Type: U8, Axes: "f," + spell(o), Frames: FrameRange{int(from), int(to)}, MaxBytes: 1 << 20}
		stored := data
		if zipped {
			stored = gz(data)
		}
		file, err := Open(memFile(string(stored)), "f", opt)
		if sel := opt.Frames; sel != (FrameRange{}) && (sel.From >= sel.To || sel.To > int(frames)) {
			if err == nil {
				t.Fatalf("frames %v of %d are accepted", sel, frames)
			}
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		m, err := Load(context.Background(), file, 0)
		if err != nil {
			t.Fatal(err)
		}
		sel := file.Header().selected()
		want := make([]uint32, len(m.Data))
		size := len(want)
		for i, b := range data {
			if k := i / size; k < sel.From || k >= sel.To {
				continue
			}
			at := map[byte]int{} // by the axes of o, the last fastest
			r := i % size
			for _, a := range []byte{o[2], o[1], o[0]} {
				at[a], r = r%n[a], r/n[a]
			}
			want[(at['y']*n['x']+at['x'])*n['c']+at['c']] += uint32(b)
		}
		if !slices.Equal(m.Data, want) {
			t.Fatalf("order %s, frames %v: %v, want %v", o, sel, m.Data, want)
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
