package cube

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"example.org/fleck/spectra"
)

// TestFrameFixtures reads the cube with three frames, written by NumPy and Teem, and
// expects the sums that NumPy made.
func TestFrameFixtures(t *testing.T) {
	of := func(name string) []uint32 {
		m, _ := mustLoad(t, os.DirFS("testdata"), name, Options{Axes: "y,x,c"})
		return m.Data
	}
	all, last := of("frames_sum.npy"), of("frames_sum_12.npy")
	one, _ := mustLoad(t, os.DirFS("testdata"), "frame1.raw", raw([]int{3, 4, 5}, ""))
	big := raw([]int{3, 5, 3, 4}, "f,c,y,x")
	big.Endian = BigEndian
	for _, tt := range []struct {
		file string
		opt  Options
		warn string
	}{
		{"frames.npy", Options{}, "taken as f,y,x,c"},
		{"frames.npy", Options{Axes: "f,y,x,c"}, ""},
		{"frames.npy.zst", Options{Axes: "f,y,x,c"}, ""},
		{"frames_cxyf.npy", Options{Axes: "c,x,y,f"}, ""},
		{"frames.raw", raw([]int{3, 3, 4, 5}, ""), ""},
		{"frames_fcyx.raw", big, ""},
		{"frames_fcyx.raw.gz", big, ""},
		{"frames.nrrd", Options{}, ""},
		{"frames_gz.nrrd", Options{}, ""},
		{"frames_time.nrrd", Options{}, ""},
		{"frames_nameless.nrrd", Options{}, "taken as f,y,x,c"},
		{"frames_list.nhdr", Options{}, ""},
	} {
		for _, fsys := range []fs.FS{os.DirFS("testdata"), streamOnly{os.DirFS("testdata")}} {
			for _, part := range []struct {
				sel  FrameRange
				want []uint32
				typ  Type
			}{{FrameRange{}, all, U32}, {FrameRange{1, 3}, last, U32}, {FrameRange{1, 2}, one.Data, U16}} {
				tt.opt.Frames, tt.opt.LiveTimeS, tt.opt.RealTimeS = part.sel, 30, 60
				m, f := mustLoad(t, fsys, tt.file, tt.opt)
				h := f.Header()
				if !slices.Equal(m.Data, part.want) {
					t.Errorf("%s %v: %v\nwant %v", tt.file, part.sel, m.Data, part.want)
				}
				n := max(1, part.sel.Count())
				if part.sel == (FrameRange{}) {
					n, part.sel = 3, FrameRange{0, 3}
				}
				if h.Frames != 3 || h.Selected != part.sel || h.Type != part.typ || h.Conditions.LiveTimeS != 10*float64(n) || h.Conditions.RealTimeS != 20*float64(n) {
					t.Errorf("%s %v: header %+v", tt.file, part.sel, h)
				}
				if w := strings.Join(h.Warnings, "\n"); tt.warn == "" && w != "" || !strings.Contains(w, tt.warn) {
					t.Errorf("%s: warnings %q, want %q", tt.file, w, tt.warn)
				}
				if again, err := Load(context.Background(), f, 0); err != nil || !slices.Equal(again.Data, m.Data) {
					t.Errorf("%s: second reading differs: %v", tt.file, err)
				}
			}
		}
	}
}

// split deals the counts of a cube out to n frames at random.
func split(m *Memory, n int, seed uint64) []*Memory {
	rng := rand.New(rand.NewPCG(seed, 2))
	var out []*Memory
	for range n {
		out = append(out, &Memory{Head: m.Head, Data: make([]uint32, len(m.Data))})
	}
	for i, c := range m.Data {
		for k := range out {
			part := c
			if k < n-1 {
				part = rng.Uint32N(c + 1)
			}
			out[k].Data[i] = part
			c -= part
		}
	}
	return out
}

// framesFile stores frames one after the other as u16 in any order of the axes.
func framesFile(frames []*Memory, order string) (data []byte, opt Options) {
	h := frames[0].Head
	for _, m := range frames {
		data = append(data, rawBytes(m, order, false)...)
	}
	n := map[byte]int{'y': h.Height, 'x': h.Width, 'c': h.Channels}
	return data, raw([]int{len(frames), n[order[0]], n[order[1]], n[order[2]]}, "f,"+spell(order))
}

// TestFrameSums deals a cube out to frames and reads their sum, and the sums of parts,
// in all orders of the axes, in blocks that end inside the field, plain and compressed.
func TestFrameSums(t *testing.T) {
	m := randomCube(t, 7, 11, 37, U16, 5)
	frames := split(m, 5, 6)
	sumOf := func(r FrameRange) []uint32 {
		sum := make([]uint32, len(m.Data))
		for _, f := range frames[r.From:r.To] {
			for i, n := range f.Data {
				sum[i] += n
			}
		}
		return sum
	}
	for _, order := range []string{"yxc", "ycx", "xyc", "xcy", "cyx", "cxy"} {
		data, opt := framesFile(frames, order)
		for name, data := range map[string][]byte{"raw": data, "gzip": gz(data), "zstd": zst(t, data)} {
			for _, bound := range []int64{4 * 7 * 37 * 3 * 2, 1 << 20} {
				if name != "raw" && bound < 1<<20 {
					continue
				}
				opt.MaxBytes = bound
				got, f := mustLoad(t, memFile(string(data)), "f", opt)
				if !slices.Equal(got.Data, m.Data) {
					t.Fatalf("%s %s, bound %d: the sum over the frames differs from the cube", name, order, bound)
				}
				for _, r := range []FrameRange{{0, 2}, {2, 5}, {3, 4}, {0, 5}} {
					src, err := f.FrameSum(r)
					if err != nil {
						t.Fatal(err)
					}
					part, err := Load(context.Background(), src, 0)
					if err != nil || !slices.Equal(part.Data, sumOf(r)) || src.Header().Selected != r {
						t.Errorf("%s %s: frames %v differ (%v)", name, order, r, err)
					}
				}
				a, b, ok, err := Halves(f)
				if err != nil || !ok || a.Header().Selected != (FrameRange{0, 2}) || b.Header().Selected != (FrameRange{2, 5}) {
					t.Errorf("halves %v of five frames: %v", ok, err)
				}
			}
		}
	}
	if _, _, ok, err := Halves(m); ok || err != nil {
		t.Errorf("halves of a cube without frames: %v, %v", ok, err)
	}
	data, opt := framesFile(frames, "yxc")
	opt.Frames = FrameRange{1, 4}
	_, f := mustLoad(t, memFile(string(data)), "f", opt)
	a, b, ok, err := Halves(f)
	if err != nil || !ok || a.Header().Selected != (FrameRange{1, 2}) || b.Header().Selected != (FrameRange{2, 4}) {
		t.Errorf("halves of the frames 1 to 3: %v", err)
	}
	opt.Frames = FrameRange{1, 2}
	_, f = mustLoad(t, memFile(string(data)), "f", opt)
	if _, _, ok, _ := Halves(f); ok {
		t.Error("halves of one selected frame")
	}
}

// TestFrameWorkers: the sums of frames do not depend on the number of workers, also
// while the same file is read several times at once.
func TestFrameWorkers(t *testing.T) {
	m := randomCube(t, 16, 24, 64, U16, 8)
	want, err := SumSpectra(context.Background(), m, 1, nil)
	if err != nil {
		t.Fatal(err)
	}
	data, opt := framesFile(split(m, 4, 9), "ycx")
	for _, data := range [][]byte{data, gz(data)} {
		f, err := Open(memFile(string(data)), "f", opt)
		if err != nil {
			t.Fatal(err)
		}
		checkWorkers(t, f, want, "frames")
		r, err := f.Rows()
		if err != nil {
			t.Fatal(err)
		}
		f.Close()
		if _, err := f.Rows(); err == nil {
			t.Error("Rows after Close")
		}
		closeRows(r)
	}
}

// TestFrameRefusals opens frames that must be refused and expects the reason.
func TestFrameRefusals(t *testing.T) {
	shape := raw([]int{3, 2, 3, 4}, "")
	u8 := func(n ...int) Options { return Options{Shape: n, Type: U8} }
	with := func(o Options, f func(*Options)) Options { f(&o); return o }
	npy := func(shape ...int) string {
		n, _ := product(shape...)
		return string(npyHeader("|u1", shape...)) + strings.Repeat("a", int(n))
	}
	nrrd := func(text string) string {
		return "NRRD0003\ntype: uchar\ndimension: 4\n" + text + "encoding: raw\n\n" + strings.Repeat("a", 120)
	}
	for _, tt := range []struct {
		name string
		data string
		opt  Options
		want string
	}{
		{"raw five sizes", "a", u8(1, 1, 1, 1, 1), "5 sizes"},
		{"frames not slowest", strings.Repeat("a", 24), with(u8(2, 3, 2, 2), func(o *Options) { o.Axes = "y,f,x,c" }), "axes y,f,x,c with 3 frames; accepted are frames one after the other, f slowest, such as f,y,x,c"},
		{"frames last", npy(3, 4, 5, 2), Options{Axes: "y,x,c,f"}, "f slowest"},
		{"ambiguous NPY", npy(5, 4, 3, 2), Options{}, "four axes without names and of sizes [5 4 3 2]; f,y,x,c (frames, height, width, channels) are accepted where the last is the longest: state which they are (axes)"},
		{"ambiguous NRRD", nrrd("sizes: 2 3 4 5\n"), Options{}, "four axes without names and of sizes [5 4 3 2]"},
		{"five axes", npy(2, 2, 2, 2, 2), Options{}, "array with 5 axes; a cube has three, with frames four"},
		{"frames in the middle, labelled", nrrd("sizes: 5 4 3 2\nlabels: \"energy\" \"x\" \"frame\" \"y\"\n"), Options{}, "axes y,f,x,c with 3 frames"},
		{"no such frames", strings.Repeat("a", 144), with(shape, func(o *Options) { o.Frames = FrameRange{2, 4} }), "frames 2 to 3 asked for (counted from 0); the cube has 3 frames"},
		{"no frames", strings.Repeat("a", 48), with(raw([]int{2, 3, 4}, ""), func(o *Options) { o.Frames = FrameRange{0, 2} }), "the cube has one frame"},
		{"empty range", "a", with(u8(1, 1, 1), func(o *Options) { o.Frames = FrameRange{2, 2} }), "option Frames from 2 to before 2"},
		{"no frame at all", "abcd", u8(0, 1, 2, 2), "axis f has length 0"},
		{"huge", "abcd", u8(1<<30, 1<<20, 1<<10, 2), "more than can be addressed"},
		{"short", strings.Repeat("a", 96), shape, "expected 144 bytes (3 frames of 3 × 2 pixels (width × height) with 4 channels of u16 little-endian), found 96, 48 missing: the file ends after 2 of 3 frames"},
		{"compressed, short", string(gz(bytes.Repeat([]byte("a"), 100))), shape, "the file ends early: 2 of 3 frames are whole"},
		{"compressed, long", string(gz(bytes.Repeat([]byte("a"), 150))), shape, "more than the expected 144 bytes"},
		{"compressed promise", string(gz(nil)), u8(1<<20, 2, 3, 4), "cannot come out"},
		{"compressed, bound", string(gz(make([]byte, 1<<16))), with(u8(4, 16, 16, 64), func(o *Options) { o.MaxBytes = 1<<16 - 1 }), "takes 65536 bytes in memory, allowed are 65535: decompress the file"},
	} {
		f, err := Open(memFile(tt.data), "f", tt.opt)
		if err == nil {
			_, err = Load(context.Background(), f, 0)
		}
		if err == nil || !strings.Contains(err.Error(), tt.want) || !strings.HasPrefix(err.Error(), "cube: ") {
			t.Errorf("%s: error %v\nwant %q", tt.name, err, tt.want)
		}
	}
	f, err := Open(memFile(string(gz(make([]byte, 1<<16)))), "f", with(u8(4, 16, 16, 64), func(o *Options) { o.MaxBytes = 1<<16 - 1 }))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.Rows(); !errors.Is(err, ErrTooLarge) {
		t.Errorf("bound: %v is no ErrTooLarge", err)
	}
	if _, err := Open(os.DirFS("testdata"), "frames_last.npy", Options{}); err == nil || !strings.Contains(err.Error(), "four axes without names") {
		t.Errorf("frames_last.npy: %v", err)
	}

	// Counts whose sum does not fit, and one that is no count, are named by their place.
	over := append(bytes.Repeat([]byte{0}, 24), 0, 0, 0, 0, 255, 255, 255, 255, 0, 0, 0, 0)
	copy(over[4:], []byte{1, 0, 0, 0})
	opt := Options{Shape: []int{3, 1, 1, 3}, Type: U32, Endian: LittleEndian}
	text := npy(1, 1, 2, 1)
	float := strings.Replace(text, "'|u1', 'fortran_order': False, 'shape': (1, 1, 2, 1)", "'<f4', 'fortran_order': False, 'shape': (2, 1, 1, 1)", 1)[:128] + "\x00\x00\x00\x00\x00\x00\x00\x3f"
	for _, tt := range []struct {
		data, want string
		opt        Options
	}{
		{string(over), "row 0, column 0, channel 1: the sum over the frames exceeds 4294967295", opt},
		{string(gz(over)), "row 0, column 0, channel 1: the sum over the frames exceeds 4294967295", opt},
		{float, "f: frame 1: row 0, column 0, channel 0 holds 0.5", Options{Axes: "f,y,x,c"}},
	} {
		f, err := Open(memFile(tt.data), "f", tt.opt)
		if err == nil {
			_, err = Load(context.Background(), f, 0)
		}
		if err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("error %v, want %q", err, tt.want)
		}
	}
}

// TestFrameMemory: the sum over frames takes blocks, not the file.
func TestFrameMemory(t *testing.T) {
	data := make([]byte, 24<<20)
	f, err := Open(memFile(string(data)), "f", Options{Shape: []int{48, 32, 32, 256}, Type: U16, Endian: LittleEndian, MaxBytes: 1 << 20})
	if err != nil {
		t.Fatal(err)
	}
	used := allocated(func() {
		if _, err := SumSpectra(context.Background(), f, 1, nil); err != nil {
			t.Error(err)
		}
	})
	if used > 2<<20 { // two blocks of half of the bound, the bytes of one of them, rows
		t.Errorf("%d bytes allocated", used)
	}
}

// TestFrameHeader writes a header for existing frames and reads the file by it.
func TestFrameHeader(t *testing.T) {
	data, err := os.ReadFile("testdata/frames_fcyx.raw")
	if err != nil {
		t.Fatal(err)
	}
	m, _ := mustLoad(t, os.DirFS("testdata"), "frames_sum.npy", Options{Axes: "y,x,c"})
	h := Header{Width: 4, Height: 3, Channels: 5, Type: U16, CalibrationKnown: true, Calibration: spectra.Calibration{OffsetEV: 5, GainEV: 10}, Conditions: spectra.Conditions{LiveTimeS: 9}}
	var b bytes.Buffer
	if err := WriteNRRDDetached(&b, h, RawFile{Name: "d.raw", Endian: BigEndian, Axes: "f,c,y,x", Frames: 3}); err != nil {
		t.Fatal(err)
	}
	got, f := mustLoad(t, fstest.MapFS{"f.nhdr": {Data: b.Bytes()}, "d.raw": {Data: data}}, "f.nhdr", Options{})
	k := f.Header()
	if !slices.Equal(got.Data, m.Data) || k.Frames != 3 || k.Calibration != h.Calibration || k.Conditions.LiveTimeS != 9 || len(k.Warnings) > 0 {
		t.Errorf("read again: %+v\n%s", k, b.String())
	}
	for _, r := range []RawFile{{Axes: "f,y,x,c"}, {Axes: "y,x,c", Frames: 2}, {Axes: "y,f,x,c", Frames: 2}} {
		r.Name, r.Endian = "d.raw", LittleEndian
		if err := WriteNRRDDetached(io.Discard, h, r); err == nil || !strings.Contains(err.Error(), "f before them") {
			t.Errorf("axes %q, %d frames: %v", r.Axes, r.Frames, err)
		}
	}
}

func TestParseFrames(t *testing.T) {
	for _, r := range []FrameRange{{0, 1}, {3, 4}, {0, 10}, {7, 12}} {
		if got, err := ParseFrames(r.String()); err != nil || got != r {
			t.Errorf("%v: %v, %v", r, got, err)
		}
	}
	for _, s := range []string{"", "-", "-1", "4-2", "0-", "1-2-3", "a", "0x1", "9223372036854775807"} {
		if r, err := ParseFrames(s); err == nil || !strings.Contains(err.Error(), "such as 0-4") {
			t.Errorf("%q: %v, %v", s, r, err)
		}
	}
}

// TestSeries adds up cubes, one of which has frames itself.
func TestSeries(t *testing.T) {
	m := randomCube(t, 5, 6, 9, U16, 11)
	frames := split(m, 4, 12)
	data, opt := framesFile(frames[1:3], "yxc")
	opt.LiveTimeS, opt.Calibration = 20, spectra.Calibration{GainEV: 10}
	for i := range frames {
		frames[i].Head.Conditions.LiveTimeS = 7
		frames[i].Head.Calibration, frames[i].Head.CalibrationKnown = opt.Calibration, true
	}
	for _, data := range [][]byte{data, gz(data)} {
		f, err := Open(memFile(string(data)), "f", opt)
		if err != nil {
			t.Fatal(err)
		}
		s, err := NewSeries(frames[0], f, frames[3])
		if err != nil {
			t.Fatal(err)
		}
		h := s.Header()
		if h.Frames != 4 || h.Selected != (FrameRange{0, 4}) || h.Conditions.LiveTimeS != 34 || h.Type != U32 {
			t.Errorf("header %+v", h)
		}
		got, err := Load(context.Background(), s, 0)
		if err != nil || !slices.Equal(got.Data, m.Data) {
			t.Errorf("the sum of the series differs: %v", err)
		}
		for from := range 4 {
			for to := from + 1; to <= 4; to++ {
				src, err := s.FrameSum(FrameRange{from, to})
				if err != nil {
					t.Fatal(err)
				}
				want := make([]uint32, len(m.Data))
				live := 0.
				for k, p := range frames[from:to] {
					live += []float64{7, 10, 10, 7}[from+k]
					for i, n := range p.Data {
						want[i] += n
					}
				}
				part, err := Load(context.Background(), src, 0)
				if err != nil || !slices.Equal(part.Data, want) || src.Header().Conditions.LiveTimeS != live {
					t.Errorf("frames %d to before %d: %v, %g s", from, to, err, src.Header().Conditions.LiveTimeS)
				}
			}
		}
		if a, b, ok, err := Halves(s); !ok || err != nil || a.Header().Conditions.LiveTimeS != 17 || b.Header().Conditions.LiveTimeS != 17 {
			t.Errorf("halves: %v", err)
		}
		if _, err := s.FrameSum(FrameRange{2, 5}); err == nil || !strings.Contains(err.Error(), "the series has 4 frames") {
			t.Errorf("frames beyond the series: %v", err)
		}
		if err := s.Close(); err != nil {
			t.Error(err)
		}
		if _, err := f.Rows(); err == nil {
			t.Error("the file of a closed series is open")
		}
	}

	for want, change := range map[string]func(h *Header){
		"size (pixels): 9 × 6 against 5 × 6": func(h *Header) { h.Width = 9 },
		"channels: 8 against 9":              func(h *Header) { h.Channels = 8 },
		"beam energy (keV): 5 against 0":     func(h *Header) { h.Conditions.BeamEnergy = 5000 },
		"channel width (eV): 11 against 10":  func(h *Header) { h.Calibration.GainEV = 11 },
	} {
		o := &Memory{Head: frames[1].Head}
		change(&o.Head)
		if _, err := NewSeries(frames[0], o); err == nil || !strings.Contains(err.Error(), "cube 2 of a series differs from the first in "+want) {
			t.Errorf("error %v, want %q", err, want)
		}
	}
	if _, err := NewSeries(m); err == nil {
		t.Error("a series of one is accepted")
	}
	// A cube that ends early, sums that do not fit.
	short, _ := NewSeries(frames[0], shortSource{frames[1]})
	if _, err := Load(context.Background(), short, 0); !errors.Is(err, io.ErrUnexpectedEOF) || !strings.Contains(err.Error(), "cube 2 of a series") {
		t.Errorf("a short cube: %v", err)
	}
	full := &Memory{Head: frames[0].Head, Data: slices.Repeat([]uint32{1<<32 - 1}, len(m.Data))}
	over, _ := NewSeries(full, full)
	if _, err := Load(context.Background(), over, 0); err == nil || !strings.Contains(err.Error(), "exceeds 4294967295") {
		t.Errorf("sums beyond 32 bits: %v", err)
	}
}

// shortSource lacks the last row.
type shortSource struct{ *Memory }

func (s shortSource) Rows() (RowReader, error) {
	m := Memory{Head: s.Head, Data: s.Data[s.Head.RowLen():]}
	m.Head.Height--
	return m.Rows()
}

// TestWriteFrames: frames that are written are read again, each and as their sum, with
// the times of all frames together.
func TestWriteFrames(t *testing.T) {
	h := Header{Width: 3, Height: 2, Channels: 6, Type: U16, Conditions: spectra.Conditions{LiveTimeS: 30, RealTimeS: 60}}
	whole, err := NewMemory(h)
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(4, 4))
	for i := range whole.Data {
		whole.Data[i] = rng.Uint32N(60000)
	}
	frames := split(whole, 4, 5)
	frame := func(k int) (RowReader, error) { return frames[k].Rows() }
	for name, write := range map[string]func(w io.Writer) error{
		"npy":  func(w io.Writer) error { return WriteNPYFrames(w, h, 4, frame) },
		"raw":  func(w io.Writer) error { return WriteNRRDFrames(w, h, 4, frame, Raw) },
		"gzip": func(w io.Writer) error { return WriteNRRDFrames(w, h, 4, frame, Gzip) },
	} {
		var b bytes.Buffer
		if err := write(&b); err != nil {
			t.Fatal(err)
		}
		fsys := memFile(b.String())
		m, f := mustLoad(t, fsys, "f", Options{})
		if got := f.Header(); got.Frames != 4 || !slices.Equal(m.Data, whole.Data) || name != "npy" && got.Conditions.LiveTimeS != 30 {
			t.Errorf("%s: %d frames, live time %g s, same counts %v", name, got.Frames, got.Conditions.LiveTimeS, slices.Equal(m.Data, whole.Data))
		}
		for k, want := range frames {
			if m, _ := mustLoad(t, fsys, "f", Options{Frames: FrameRange{k, k + 1}}); !slices.Equal(m.Data, want.Data) {
				t.Errorf("%s: frame %d is read otherwise than written", name, k)
			}
		}
	}
	if err := WriteNPYFrames(io.Discard, h, 1, frame); err == nil || !strings.Contains(err.Error(), "2 or more") {
		t.Errorf("one frame: error %v", err)
	}
	h.Type = U8
	if err := WriteNPYFrames(io.Discard, h, 4, frame); err == nil || !strings.Contains(err.Error(), "frame 0 of 4") {
		t.Errorf("counts beyond the type: error %v", err)
	}
}

// ExampleHalves reads a cube with four frames: the sum, and the two halves.
func ExampleHalves() {
	data := []byte{1, 0, 2, 0, 0, 3, 5, 1} // four frames of one pixel with two channels
	f, err := Open(fstest.MapFS{"cube.raw": {Data: data}}, "cube.raw", Options{Shape: []int{4, 1, 1, 2}, Type: U8})
	if err != nil {
		fmt.Println(err)
		return
	}
	first, second, _, err := Halves(f)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, src := range []Source{f, first, second} {
		sums, err := SumSpectra(context.Background(), src, 1, nil)
		fmt.Println(src.Header().Selected, sums.Sum, err)
	}
	// Output:
	// 0-3 [8 4] <nil>
	// 0-1 [3 0] <nil>
	// 2-3 [5 4] <nil>
}
