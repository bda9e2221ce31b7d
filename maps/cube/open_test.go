package cube

import (
	"bytes"
	"context"
	"errors"
	"io"
	"io/fs"
	"math"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"

	"example.org/fleck/maps"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

// The cubes of testdata/README.md.
func smallCube() *Memory {
	m := &Memory{Head: Header{Width: 3, Height: 2, Channels: 4, Type: U16}}
	for i := range uint32(24) {
		m.Data = append(m.Data, i)
	}
	return m
}

func mixedCube(mod uint32) *Memory {
	m := &Memory{Head: Header{Width: 4, Height: 3, Channels: 5, Type: U16}}
	for i := range uint32(60) {
		m.Data = append(m.Data, (7919*i+13)%mod)
	}
	return m
}

// streamOnly hides random access and seeking, as an archive does.
type streamOnly struct{ fs.FS }

type streamFile struct{ fs.File }

func (s streamOnly) Open(name string) (fs.File, error) {
	f, err := s.FS.Open(name)
	if d, ok := f.(fs.ReadDirFile); ok && err == nil {
		if info, err := f.Stat(); err == nil && info.IsDir() {
			return d, nil
		}
	}
	return streamFile{f}, err
}

func mustLoad(t *testing.T, fsys fs.FS, name string, opt Options) (*Memory, *File) {
	t.Helper()
	f, err := Open(fsys, name, opt)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	m, err := Load(context.Background(), f, 0)
	if err != nil {
		t.Fatal(err)
	}
	return m, f
}

func raw(shape []int, axes string) Options {
	return Options{Shape: shape, Type: U16, Endian: LittleEndian, Axes: axes}
}

// TestFixtures reads every file made by NumPy, Teem, gzip and zstd, with and
// without random access, and expects the cube it was made from.
func TestFixtures(t *testing.T) {
	big := raw([]int{3, 4, 5}, "")
	big.Endian = BigEndian
	tests := []struct {
		file string
		opt  Options
		want *Memory
		typ  Type
		warn string // part of a warning, "" = none at all
	}{
		{"small_c.npy", Options{}, smallCube(), U16, "shape [2 3 4] taken as y,x,c"},
		{"small_c.npy", Options{Axes: "y,x,c"}, smallCube(), U16, ""},
		{"small_f.npy", Options{Axes: "y,x,c"}, smallCube(), U16, ""},
		{"small_be.npy", Options{Axes: "Y X C"}, smallCube(), U16, ""},
		{"small_v2.npy", Options{Axes: "y,x,c"}, smallCube(), U16, ""},
		{"small_v3.npy", Options{Axes: "y,x,c"}, smallCube(), U16, ""},
		{"small_c.npy.gz", Options{Axes: "y,x,c"}, smallCube(), U16, ""},
		{"small_f.npy.zst", Options{Axes: "y,x,c"}, smallCube(), U16, ""},
		{"mixed_u4le.npy", Options{Axes: "y,x,c"}, mixedCube(65521), U32, ""},
		{"mixed_u4be.npy", Options{Axes: "y,x,c"}, mixedCube(65521), U32, ""},
		{"mixed_u8le.npy", Options{Axes: "y,x,c"}, mixedCube(65521), U32, ""},
		{"mixed_u8be.npy", Options{Axes: "y,x,c"}, mixedCube(65521), U32, ""},
		{"mixed_i4le.npy", Options{Axes: "y,x,c"}, mixedCube(65521), U32, ""},
		{"mixed_i8be.npy", Options{Axes: "y,x,c"}, mixedCube(65521), U32, ""},
		{"mixed_f4le.npy", Options{Axes: "y,x,c"}, mixedCube(65521), U32, "stored as f32"},
		{"mixed_f8be.npy", Options{Axes: "y,x,c"}, mixedCube(65521), U32, "stored as f64 big-endian"},
		{"mixed8_u1.npy", Options{Axes: "y,x,c"}, mixedCube(251), U8, ""},
		{"mixed_cyx.npy", Options{Axes: "c,y,x"}, mixedCube(65521), U16, ""},
		{"mixed_fortran_cyx.npy", Options{Axes: "c,y,x"}, mixedCube(65521), U16, ""},
		{"mixed_fortran.npy", Options{Axes: "y,x,c"}, mixedCube(65521), U16, ""},

		{"mixed_yxc.raw", raw([]int{3, 4, 5}, ""), mixedCube(65521), U16, ""},
		{"mixed_yxc.raw", raw([]int{3, 4, 5}, "y,x,c"), mixedCube(65521), U16, ""},
		{"mixed_ycx.raw", raw([]int{3, 5, 4}, "y,c,x"), mixedCube(65521), U16, ""},
		{"mixed_xyc.raw", raw([]int{4, 3, 5}, "x,y,c"), mixedCube(65521), U16, ""},
		{"mixed_xcy.raw", raw([]int{4, 5, 3}, "x,c,y"), mixedCube(65521), U16, ""},
		{"mixed_cyx.raw", raw([]int{5, 3, 4}, "c,y,x"), mixedCube(65521), U16, ""},
		{"mixed_cxy.raw", raw([]int{5, 4, 3}, "c,x,y"), mixedCube(65521), U16, ""},
		{"mixed_be.raw", big, mixedCube(65521), U16, ""},
		{"mixed_yxc.raw.gz", raw([]int{3, 4, 5}, ""), mixedCube(65521), U16, ""},
		{"mixed_yxc.raw.zst", raw([]int{3, 4, 5}, ""), mixedCube(65521), U16, ""},
		{"mixed_cyx.raw.gz", raw([]int{5, 3, 4}, "c,y,x"), mixedCube(65521), U16, ""},
		{"mixed_cyx.raw.zst", raw([]int{5, 3, 4}, "c,y,x"), mixedCube(65521), U16, ""},

		{"small.nrrd", Options{}, smallCube(), U16, ""},
		{"small_gz.nrrd", Options{}, smallCube(), U16, ""},
		{"hand.nhdr", Options{}, smallCube(), U16, ""},
		{"hand_tolerant.nhdr", Options{}, smallCube(), U16, `field "a" is unknown`},
		{"mixed_xyc_axes.nrrd", Options{}, mixedCube(65521), U16, ""},
		{"units_only.nhdr", Options{}, mixedCube(65521), U16, ""},
		{"kinds_only.nrrd", Options{}, mixedCube(65521), U16, ""},
		{"nameless.nrrd", Options{}, mixedCube(65521), U16, "does not name its axes"},
		{"nameless.nrrd", Options{Axes: "y,x,c"}, mixedCube(65521), U16, ""},
		{"mixed_xyc_axes.nrrd", Options{Axes: "c,y,x"}, mixedCube(65521), U16, ""},
		{"mixed_be.nrrd", Options{}, mixedCube(65521), U16, ""},
		{"mixed_u32_gz.nrrd", Options{}, mixedCube(65521), U32, ""},
		{"detached.nhdr", Options{}, mixedCube(65521), U16, ""},
		{"detached_gz.nhdr", Options{}, mixedCube(65521), U16, ""},
		{"list.nhdr", Options{}, mixedCube(65521), U16, ""},
		{"pattern.nhdr", Options{}, mixedCube(65521), U16, ""},
		{"skip.nhdr", Options{}, mixedCube(65521), U16, ""},
		{"skip_gz.nhdr", Options{}, mixedCube(65521), U16, ""},
		{"skip_tail.nhdr", Options{}, mixedCube(65521), U16, ""},
		{"skip_tail_gz.nhdr", Options{}, mixedCube(65521), U16, ""},
	}
	for _, fsys := range []struct {
		name string
		fs   fs.FS
	}{{"random access", os.DirFS("testdata")}, {"stream", streamOnly{os.DirFS("testdata")}}} {
		for _, tt := range tests {
			t.Run(fsys.name+"/"+tt.file+"/"+tt.opt.Axes, func(t *testing.T) {
				m, f := mustLoad(t, fsys.fs, tt.file, tt.opt)
				h := f.Header()
				if h.Width != tt.want.Head.Width || h.Height != tt.want.Head.Height || h.Channels != tt.want.Head.Channels || h.Type != tt.typ {
					t.Fatalf("%d × %d × %d of %v, want %v", h.Width, h.Height, h.Channels, h.Type, tt.want.Head)
				}
				if !slices.Equal(m.Data, tt.want.Data) {
					t.Fatalf("got %v\nwant %v", m.Data, tt.want.Data)
				}
				again, err := Load(context.Background(), f, 0) // Rows starts again
				if err != nil || !slices.Equal(again.Data, m.Data) {
					t.Errorf("second reading differs: %v", err)
				}
				all := strings.Join(h.Warnings, "\n")
				if tt.warn == "" && all != "" || !strings.Contains(all, tt.warn) {
					t.Errorf("warnings %q, want %q", all, tt.warn)
				}
			})
		}
	}
}

// TestBlocks reads all orders with blocks of few rows, so that blocks end
// inside the field and channel groups are incomplete.
func TestBlocks(t *testing.T) {
	const w, h, c = 7, 11, 37
	m := randomCube(t, w, h, c, U16, 3)
	n := map[byte]int{'y': h, 'x': w, 'c': c}
	for _, order := range []string{"yxc", "ycx", "xyc", "xcy", "cyx", "cxy"} {
		sizes := []int{n[order[0]], n[order[1]], n[order[2]]}
		l, err := newLayout(order, sizes, value{unsigned, 2, true})
		if err != nil {
			t.Fatal(err)
		}
		file := make([]byte, l.bytes())
		for i := range l.values() {
			y, x, ch := l.place(i)
			v := m.Spectrum(x, y)[ch]
			file[2*i], file[2*i+1] = byte(v>>8), byte(v)
		}
		for _, maxBytes := range []int64{1, 4 * w * c * 2, 4 * w * c * 9, 1 << 20} {
			if order[0] == 'y' {
				continue
			}
			r := newBlockRows(m.Header(), "file", l, bytesAt(file), FrameRange{0, 1}, maxBytes, 1)
			row := make([]uint32, w*c)
			for y := range h {
				if err := r.ReadRow(row); err != nil {
					t.Fatal(err)
				}
				if !slices.Equal(row, m.Row(y)) {
					t.Fatalf("order %s, bound %d, row %d differs", order, maxBytes, y)
				}
			}
			if err := r.ReadRow(row); err != io.EOF {
				t.Errorf("after the last row: %v", err)
			}
		}
	}
}

// Bytes as printed by hexdump of the file that NumPy 1.24.2 wrote for the small
// cube: magic, version 1.0, header length 0x0076, data at 128.
func TestNPYBytes(t *testing.T) {
	want, err := os.ReadFile("testdata/small_c.npy")
	if err != nil {
		t.Fatal(err)
	}
	head := append([]byte("\x93NUMPY\x01\x00\x76\x00{'descr': '<u2', 'fortran_order': False, 'shape': (2, 3, 4), }"), 0x20)
	if len(want) != 176 || !bytes.HasPrefix(want, head) || want[127] != '\n' {
		t.Fatal("fixture does not look like the documented bytes")
	}
	m := smallCube()
	var b bytes.Buffer
	r, _ := m.Rows()
	if err := WriteNPY(&b, m.Head, r); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(b.Bytes(), want) {
		t.Errorf("WriteNPY differs from NumPy:\n%q\n%q", b.Bytes(), want)
	}
	f, err := os.ReadFile("testdata/small_f.npy")
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(f[128:136], []byte{0, 0, 12, 0, 4, 0, 16, 0}) { // Fortran order: values 0, 12, 4, 16
		t.Errorf("Fortran data begin % x", f[128:136])
	}
}

func TestNRRDStatements(t *testing.T) {
	fsys := os.DirFS("testdata")
	f, err := Open(fsys, "small_gz.nrrd", Options{})
	if err != nil {
		t.Fatal(err)
	}
	h := f.Header()
	// Cell-centred with min −5 eV and 10 eV per channel: channel 0 is centred on 0.
	if !h.CalibrationKnown || math.Abs(h.Calibration.OffsetEV) > 1e-12 || h.Calibration.GainEV != 10 {
		t.Errorf("calibration %+v", h.Calibration)
	}
	if h.Pixel != (maps.Pixel{X: 250e-9, Y: 500e-9}) {
		t.Errorf("pixel %+v", h.Pixel)
	}
	want := spectra.Conditions{BeamEnergy: 15 * xray.KeV, TakeOff: 35 * xray.Degree, LiveTimeS: 120}
	if h.Conditions != want {
		t.Errorf("conditions %+v, want %+v", h.Conditions, want)
	}
	if v, ok := h.Key("Operator"); !ok || v != "A. Name" || len(h.Keys) != 1 {
		t.Errorf("keys %v", h.Keys)
	}

	f, err = Open(fsys, "small.nrrd", Options{Pixel: maps.Pixel{X: 1e-6, Y: 2e-6}, Calibration: spectra.Calibration{OffsetEV: -100, GainEV: 20}, BeamEnergy: 5 * xray.KeV, LiveTimeS: 3})
	if err != nil {
		t.Fatal(err)
	}
	h = f.Header()
	if h.Title != "invented cube" || h.Pixel.Y != 2e-6 || h.Calibration.OffsetEV != -100 || !h.CalibrationKnown || h.Conditions.BeamEnergy != 5000 || h.Conditions.LiveTimeS != 3 {
		t.Errorf("overrides not applied: %+v", h)
	}
	f, _ = Open(fsys, "small.nrrd", Options{})
	if h = f.Header(); h.CalibrationKnown || h.Conditions.BeamEnergy != 15*xray.KeV || h.Pixel.X != 0.5e-6 {
		t.Errorf("header %+v", h)
	}

	f, err = Open(fsys, "hand_tolerant.nhdr", Options{})
	if err != nil {
		t.Fatal(err)
	}
	h = f.Header()
	if h.Pixel != (maps.Pixel{X: 0.5e-6, Y: 0.25e-6}) { // length of (0.3, 0.4) µm
		t.Errorf("pixel from space directions %+v", h.Pixel)
	}
	if v, _ := h.Key("note of mine"); v != "first\nsecond \\ third" {
		t.Errorf("escaped value %q", v)
	}
	if h.Conditions.BeamEnergy != 15000 {
		t.Errorf("beam energy %v", h.Conditions.BeamEnergy)
	}
}

func TestContradictedAxesWarn(t *testing.T) {
	f, err := Open(os.DirFS("testdata"), "units_only.nhdr", Options{Axes: "x,y,c"})
	if err != nil {
		t.Fatal(err)
	}
	if h := f.Header(); h.Width != 3 || h.Height != 4 || !strings.Contains(strings.Join(h.Warnings, ""), "the file says that its axes are y,x,c; taken as x,y,c") {
		t.Errorf("%d × %d, warnings %q", h.Width, h.Height, h.Warnings)
	}
}

func TestFileClose(t *testing.T) {
	for _, name := range []string{"mixed_yxc.raw", "mixed_yxc.raw.gz", "mixed_cyx.raw"} {
		f, err := Open(os.DirFS("testdata"), name, raw([]int{3, 4, 5}, strings.Join(strings.Split(name[6:9], ""), ",")))
		if err != nil {
			f, err = Open(os.DirFS("testdata"), name, raw([]int{5, 3, 4}, "c,y,x"))
		}
		if err != nil {
			t.Fatal(err)
		}
		r, err := f.Rows()
		if err != nil {
			t.Fatal(err)
		}
		f.Close()
		if err := r.ReadRow(make([]uint32, r.Header().RowLen())); err == nil || errors.Is(err, io.EOF) {
			t.Errorf("%s: row read after Close: %v", name, err)
		}
		if _, err := f.Rows(); err == nil {
			t.Errorf("%s: Rows after Close", name)
		}
		if err := f.Close(); err != nil {
			t.Error(err)
		}
	}
}

// checkWorkers sums a file with different numbers of workers at once.
func checkWorkers(t *testing.T, f *File, want Sums, name string) {
	t.Helper()
	var wg sync.WaitGroup
	for _, workers := range []int{1, 2, 3, 8} {
		wg.Go(func() {
			got, err := SumSpectra(context.Background(), f, workers, nil)
			if err != nil || !slices.Equal(got.Sum, want.Sum) || !slices.Equal(got.MaxPixel, want.MaxPixel) || !slices.Equal(got.PixelTotals.V, want.PixelTotals.V) {
				t.Errorf("%s, %d workers: sums differ (%v)", name, workers, err)
			}
		})
	}
	wg.Wait()
}

// TestFileWorkers sums one file with different numbers of workers, several
// times at once; all sums must be the same.
func TestFileWorkers(t *testing.T) {
	m := spectrumCube(t, 16, 24, 256, 0.5)
	want, err := SumSpectra(context.Background(), m, 1, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, order := range []string{"yxc", "cyx"} {
		data := rawBytes(m, order, false)
		n := map[byte]int{'y': 24, 'x': 16, 'c': 256}
		opt := raw([]int{n[order[0]], n[order[1]], n[order[2]]}, spell(order))
		for name, data := range map[string][]byte{"raw": data, "gzip": gz(data), "zstd": zst(t, data)} {
			f, err := Open(memFile(string(data)), "f", opt)
			if err != nil {
				t.Fatal(err)
			}
			checkWorkers(t, f, want, name+" "+order)
			f.Close()
		}
	}
}
