package cube

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"runtime"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/zstd"
)

func memFile(data string) fstest.MapFS { return fstest.MapFS{"f": {Data: []byte(data)}} }

const nrrdStart = "NRRD0001\ntype: uchar\ndimension: 3\n"

// TestRefusals opens what must be refused and expects the reason.
func TestRefusals(t *testing.T) {
	u16 := raw([]int{2, 3, 4}, "")
	tests := []struct {
		name string
		data string
		opt  Options
		want string
	}{
		{"empty", "", Options{}, "neither NRRD nor NPY"},
		{"raw without type", "abc", Options{Shape: []int{1, 1, 3}}, "needs shape, type, byte order"},
		{"raw without order", "abcd", Options{Shape: []int{1, 1, 2}, Type: U16}, "byte order stated"},
		{"raw zero size", "abcd", Options{Shape: []int{1, 0, 2}, Type: U8}, "length 0"},
		{"raw overflow", "abcd", Options{Shape: []int{1 << 40, 1 << 40, 2}, Type: U8}, "more than can be addressed"},
		{"raw two sizes", "abcd", Options{Shape: []int{2, 2}, Type: U8}, "2 sizes [2 2] for the axes y,x,c"},
		{"raw axes", "abcd", Options{Shape: []int{2, 2}, Type: U8, Axes: "y,y"}, `axes "y,y"`},
		{"raw axes letter", "abcd", Options{Shape: []int{2, 2}, Type: U8, Axes: "y,z"}, `axes "y,z"`},
		{"raw short", strings.Repeat("a", 40), u16, "expected 48 bytes (3 × 2 pixels (width × height) with 4 channels of u16 little-endian), found 40, 8 missing: the file is cut short"},
		{"raw rows short", strings.Repeat("a", 24), Options{Shape: []int{3, 2, 4}, Type: U16, Endian: BigEndian}, "fit values of 8 bits"},
		{"raw stopped", strings.Repeat("a", 32), Options{Shape: []int{3, 2, 4}, Type: U16, Endian: BigEndian}, "ends after 2 of 3 rows"},
		{"raw wrong type", strings.Repeat("a", 96), u16, "found 96, 48 too many: the type may be wrong: the bytes found fit values of 32 bits"},
		{"raw header", strings.Repeat("a", 48+13), u16, "13 too many: a header of 13 bytes that was not skipped?"},
		{"raw offset", strings.Repeat("a", 48), Options{Shape: []int{2, 3, 4}, Type: U16, Endian: BigEndian, Offset: 100}, "expected 48 bytes"},
		{"raw offset negative", "a", Options{Offset: -1}, "Offset -1"},
		{"bound row", strings.Repeat("a", 48), Options{Shape: []int{2, 3, 4}, Type: U16, Endian: BigEndian, MaxBytes: 47}, "one row (3 pixels × 4 channels) takes 48 bytes, allowed are 47"},
		{"bound map", strings.Repeat("a", 100), Options{Shape: []int{10, 10, 1}, Type: U8, MaxBytes: 700}, "one map (10 × 10 pixels) takes 800 bytes"},

		{"npy cut", "\x93NUMPY\x01\x00", Options{}, "no NPY header"},
		{"npy text cut", "\x93NUMPY\x01\x00\x76\x00{'descr'", Options{}, "cut short"},
		{"npy version", "\x93NUMPY\x04\x00\x00\x00\x00\x00", Options{}, "version 4.0"},
		{"npy long header", "\x93NUMPY\x02\x00\xff\xff\xff\xff", Options{}, "up to 10000"},
		{"npy huge", string(npyHeader("<u2", 1<<30, 1<<30, 1<<30)), Options{}, "more than can be addressed"},
		{"npy large", string(npyHeader("<u2", 1<<14, 1<<14, 1<<10)), Options{}, "expected 549755813888 bytes"},
		{"npy short", string(npyHeader("<u2", 2, 3, 4)) + "abc", Options{}, "found 3, 45 missing"},
		{"npy zero", string(npyHeader("<u2", 0, 3, 4)), Options{}, "shape [0 3 4] holds no values"},
		{"npy zero, two axes", string(npyHeader("<u2", 3, 0)), Options{}, "shape [3 0] holds no values"},
		{"npy two axes", string(npyHeader("<u2", 3, 4)), Options{}, "2 axes; a cube has three"},
		{"npy native order", string(npyHeader("=u2", 1, 1, 1)) + "ab", Options{}, "no byte order"},
		{"npy f2", string(npyHeader("<f2", 1, 1, 1)) + "ab", Options{}, "size not known"},
		{"npy complex", string(npyHeader("<c8", 1, 1, 1)) + "ab", Options{}, "no numbers of counts"},
		{"npy bool", string(npyHeader("|b1", 1, 1, 1)) + "ab", Options{}, "no numbers of counts"},

		{"nrrd version", "NRRD0006\n", Options{}, "NRRD0001 to NRRD0005"},
		{"nrrd no blank", "NRRD0001\ntype:uchar\n", Options{}, "line 2: \"type:uchar\" is neither"},
		{"nrrd early sizes", "NRRD0001\nsizes: 1 2 3\n", Options{}, "line 2: sizes: stands before the field dimension"},
		{"nrrd twice", "NRRD0001\ntype: uchar\nTYPE: uchar\n", Options{}, "line 3: field \"TYPE\" was already set in line 2"},
		{"nrrd count", nrrdStart + "sizes: 1 2\n", Options{}, "2 entries for 3 axes"},
		{"nrrd negative", nrrdStart + "sizes: 1 -2 3\n", Options{}, `"-2" is not a whole number above 0`},
		{"nrrd type", "NRRD0001\ntype: block\n", Options{}, `type "block" cannot hold counts`},
		{"nrrd label", nrrdStart + "labels: energy x y\n", Options{}, "not in double quotes"},
		{"nrrd label open", nrrdStart + "labels: \"energy\n", Options{}, "no closing quote"},
		{"nrrd bzip2", nrrdStart + "encoding: bzip2\n", Options{}, `encoding "bzip2" cannot be read; raw and gzip can`},
		{"nrrd missing", nrrdStart + "sizes: 1 1 1\n", Options{}, `required field "encoding" is missing`},
		{"nrrd endian", "NRRD0001\ntype: short\ndimension: 3\nsizes: 1 1 1\nencoding: raw\n\nab", Options{}, "field endian is missing"},
		{"nrrd two axes", "NRRD0001\ntype: uchar\ndimension: 2\nsizes: 1 1\nencoding: raw\n\na", Options{}, "2 axes; a cube has three"},
		{"nrrd short", nrrdStart + "sizes: 2 2 2\nencoding: raw\n\nabc", Options{}, "expected 8 bytes"},
		{"nrrd huge", nrrdStart + "sizes: 4294967296 4294967296 4\nencoding: raw\n\nabc", Options{}, "more than can be addressed"},
		{"nrrd huge gzip", nrrdStart + "sizes: 4096 4096 4096\nencoding: gzip\n\nabc", Options{}, "cannot come out of the compressed bytes"},
		{"nrrd gzip garbage", nrrdStart + "sizes: 2 2 2\nencoding: gzip\n\nabcdefghijkl", Options{}, "gzip"},
		{"nrrd skip", nrrdStart + "sizes: 2 2 2\nencoding: raw\nline skip: 9\n\nabcdefgh", Options{}, "line skip: 9 lines are missing"},
		{"nrrd leaves", nrrdStart + "sizes: 1 1 1\nencoding: raw\ndata file: ../x\n", Options{}, "leaves the folder"},
		{"nrrd leaves inside", nrrdStart + "sizes: 1 1 1\nencoding: raw\ndata file: a/../../x\n", Options{}, "leaves the folder"},
		{"nrrd absolute", nrrdStart + "sizes: 1 1 1\nencoding: raw\ndata file: /etc/passwd\n", Options{}, "only names inside"},
		{"nrrd backslash", nrrdStart + "sizes: 1 1 1\nencoding: raw\ndata file: ..\\x\n", Options{}, "only names inside"},
		{"nrrd drive", nrrdStart + "sizes: 1 1 1\nencoding: raw\ndata file: C:x\n", Options{}, "only names inside"},
		{"nrrd no file", nrrdStart + "sizes: 1 1 1\nencoding: raw\ndata file: absent\n", Options{}, "line 6: "},
		{"nrrd list empty", nrrdStart + "sizes: 1 1 1\nencoding: raw\ndata file: LIST\n", Options{}, "LIST without names"},
		{"nrrd list leaves", nrrdStart + "sizes: 1 1 2\nencoding: raw\ndata file: LIST\nf\n../g\n", Options{}, "leaves the folder"},
		{"nrrd list count", nrrdStart + "sizes: 1 1 3\nencoding: raw\ndata file: LIST\nf\nf\n", Options{}, "3 values cannot be spread evenly over 2 files"},
		{"nrrd subdim", nrrdStart + "sizes: 1 1 4\nencoding: raw\ndata file: LIST 2\nf\nf\n", Options{}, "2 files for 4 parts"},
		{"nrrd pattern", nrrdStart + "sizes: 1 1 4\nencoding: raw\ndata file: f%s 0 1 1\n", Options{}, "one %d or %03d"},
		{"nrrd pattern two", nrrdStart + "sizes: 1 1 4\nencoding: raw\ndata file: f%d%d 0 1 1\n", Options{}, "one %d or %03d"},
		{"nrrd pattern many", nrrdStart + "sizes: 1 1 4\nencoding: raw\ndata file: f%d 0 999999999 1\n", Options{}, "numbers from 0 to 999999999"},
		{"nrrd pattern step", nrrdStart + "sizes: 1 1 4\nencoding: raw\ndata file: f%d 0 9 0\n", Options{}, "in steps of 0"},
		{"nrrd direction and spacing", nrrdStart + "sizes: 1 1 1\nspacings: 1 1 1\nspace directions: (1,0) none none\nencoding: raw\n\na", Options{}, "has a direction and also"},
		{"nrrd axes stated", nrrdStart + "sizes: 1 1 1\nencoding: raw\n\na", Options{Axes: "y,x"}, "3 axes"},

		{"gzip cut", "\x1f\x8b\x08\x00", Options{}, "EOF"},
		{"zstd garbage", "\x28\xb5\x2f\xfdgarbage", Options{}, "f: "},
	}
	for _, tt := range tests {
		f, err := Open(memFile(tt.data), "f", tt.opt)
		if err == nil {
			_, err = Load(context.Background(), f, 0)
			if err != nil {
				err = fmt.Errorf("at reading: %w", err)
			}
		}
		if err == nil || !strings.Contains(err.Error(), tt.want) || !strings.Contains(err.Error(), "cube: ") {
			t.Errorf("%s: error %v\nwant %q", tt.name, err, tt.want)
		}
	}
	for file, want := range map[string]string{
		"negative_i2.npy": "row 0, column 1, channel 0 holds -25928; counts are not negative",   // (7919·5 + 13) − 65536
		"fraction_f8.npy": "row 1, column 2, channel 3 holds 64777.5; counts are whole numbers", // (7919·33 + 13) mod 65521 + 0.5
		"objects.npy":     "never decoded",
		"struct.npy":      "structured arrays hold no counts",
		"grey16.png":      "neither NRRD nor NPY",
		"none":            "none",
	} {
		_, err := Open(os.DirFS("testdata"), file, Options{})
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: error %v, want %q", file, err, want)
		}
	}
	var size *SizeError
	_, err := Open(memFile(strings.Repeat("a", 61)), "f", u16)
	if !errors.As(err, &size) || size.Expected != 48 || size.Found != 61 || size.File != "f" {
		t.Errorf("SizeError %+v", size)
	}
}

// TestExcess: more bytes than the cube's are refused for headerless files
// unless allowed, and warned about for the others.
func TestExcess(t *testing.T) {
	data := strings.Repeat("\x01", 61)
	opt := raw([]int{2, 3, 4}, "")
	opt.AllowExcess = true
	f, err := Open(memFile(data), "f", opt)
	if err != nil || !strings.Contains(strings.Join(f.Header().Warnings, ""), "13 bytes more than the 48") {
		t.Errorf("allowed: %v", err)
	}
	opt.AllowExcess, opt.Offset = false, 13
	if _, err := Open(memFile(data), "f", opt); err != nil {
		t.Errorf("offset: %v", err)
	}
	f, err = Open(memFile(string(npyHeader("<u2", 2, 3, 4))+data), "f", Options{})
	if err != nil || !strings.Contains(strings.Join(f.Header().Warnings, ""), "13 bytes more") {
		t.Errorf("NPY: %v", err)
	}
	// Compressed, the surplus shows only at the end.
	opt = raw([]int{2, 3, 4}, "")
	f, err = Open(memFile(string(gz([]byte(data)))), "f", opt)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Load(context.Background(), f, 0); err == nil || !strings.Contains(err.Error(), "more than the expected 48 bytes") {
		t.Errorf("compressed surplus: %v", err)
	}
	opt.AllowExcess = true
	f, _ = Open(memFile(string(gz([]byte(data)))), "f", opt)
	if _, err := Load(context.Background(), f, 0); err != nil {
		t.Errorf("compressed surplus allowed: %v", err)
	}
}

func gz(data []byte) []byte {
	var b bytes.Buffer
	z := gzip.NewWriter(&b)
	z.Write(data)
	z.Close()
	return b.Bytes()
}

func zst(t testing.TB, data []byte) []byte {
	var b bytes.Buffer
	z, err := zstd.NewWriter(&b)
	if err != nil {
		t.Fatal(err)
	}
	z.Write(data)
	z.Close()
	return b.Bytes()
}

// TestDamagedCompression cuts a compressed cube and flips its checksum; both
// must surface as errors with the row, never as counts.
func TestDamagedCompression(t *testing.T) {
	m := randomCube(t, 50, 100, 50, U16, 9) // several blocks of compressed data
	var b bytes.Buffer
	r, _ := m.Rows()
	if err := WriteNPY(&b, m.Head, r); err != nil {
		t.Fatal(err)
	}
	for name, data := range map[string][]byte{"gzip": gz(b.Bytes()), "zstd": zst(t, b.Bytes())} {
		load := func(data []byte) error {
			f, err := Open(fstest.MapFS{"f": {Data: data}}, "f", Options{Axes: "y,x,c"})
			if err != nil {
				return err
			}
			_, err = Load(context.Background(), f, 0)
			return err
		}
		if err := load(data); err != nil {
			t.Fatal(err)
		}
		if err := load(data[:len(data)*2/3]); !errors.Is(err, io.ErrUnexpectedEOF) {
			t.Errorf("%s cut: %v", name, err)
		} else if !strings.Contains(err.Error(), " of 100 rows") {
			t.Errorf("%s cut: no rows in %v", name, err)
		}
		bad := bytes.Clone(data)
		bad[len(bad)-6] ^= 1 // checksum of gzip (8 to 5 bytes before the end)
		if name == "zstd" {
			bad = bytes.Clone(data)
			bad[len(bad)-1] ^= 1 // content checksum
		}
		if err := load(bad); err == nil {
			t.Errorf("%s: wrong checksum accepted", name)
		}
	}
}

// allocated returns the bytes allocated by f.
func allocated(f func()) uint64 {
	var a, b runtime.MemStats
	runtime.ReadMemStats(&a)
	f()
	runtime.ReadMemStats(&b)
	return b.TotalAlloc - a.TotalAlloc
}

// TestBombs opens small files that promise or decompress to much. Memory must
// stay far below what they promise.
func TestBombs(t *testing.T) {
	zeros := make([]byte, 32<<20)
	gzBomb, zstBomb := gz(zeros), zst(t, zeros)
	zeros = nil
	if len(gzBomb) > 1<<20 || len(zstBomb) > 1<<20 {
		t.Fatal("no bombs")
	}
	const bound = 9 << 20 // holds the window of 8 MiB that zstd asks for, not the 32 MiB
	open := func(data []byte, opt Options) error {
		opt.MaxBytes = bound
		f, err := Open(fstest.MapFS{"f": {Data: data}}, "f", opt)
		if err != nil {
			return err
		}
		defer f.Close()
		_, err = SumSpectra(context.Background(), f, 1, nil)
		return err
	}
	window := []byte{0x28, 0xb5, 0x2f, 0xfd, 0x00, 0xa0} // frame that asks for a window of 2³⁰ bytes
	tests := []struct {
		name string
		data []byte
		opt  Options
		want string
	}{
		{"gzip, small cube", gzBomb, raw([]int{2, 3, 4}, ""), "more than the expected 48 bytes"},
		{"zstd, small cube", zstBomb, raw([]int{2, 3, 4}, ""), "more than the expected 48 bytes"},
		{"gzip, other order", gzBomb, Options{Shape: []int{1 << 9, 1 << 8, 1 << 8}, Type: U8, Axes: "c,y,x"}, "need all 33554432 bytes in memory, allowed are 9437184"},
		{"zstd, other order", zstBomb, Options{Shape: []int{1 << 9, 1 << 8, 1 << 8}, Type: U8, Axes: "c,y,x"}, "need all 33554432 bytes in memory, allowed are 9437184"},
		{"gzip, promise", gz(nil), Options{Shape: []int{1 << 8, 1 << 8, 1 << 10}, Type: U8}, "cannot come out"},
		{"zstd window", window, Options{}, "window size"},
		{"gzip map", gzBomb, Options{}, ""},
	}
	for _, tt := range tests {
		var err error
		var used uint64
		if tt.name == "gzip map" {
			used = allocated(func() { _, err = ReadMap(fstest.MapFS{"f": {Data: tt.data}}, "f", MapOptions{MaxBytes: bound}) })
			if !errors.Is(err, ErrTooLarge) {
				t.Errorf("%s: %v", tt.name, err)
			}
		} else {
			used = allocated(func() { err = open(tt.data, tt.opt) })
			if err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("%s: error %v, want %q", tt.name, err, tt.want)
			}
		}
		// The bound or the decoder's history (twice its window of 8 MiB), with buffers.
		if used > 40<<20 {
			t.Errorf("%s: %d bytes allocated", tt.name, used)
		}
	}
	// A row-ordered bomb streams: memory does not grow with it.
	used := allocated(func() {
		if err := open(gzBomb, Options{Shape: []int{1 << 8, 1 << 8, 1 << 9}, Type: U8}); err != nil {
			t.Error(err)
		}
	})
	if used > 8<<20 {
		t.Errorf("streamed: %d bytes allocated", used)
	}
}

// TestStreamEnd: a file that shrinks after Open ends with the row number.
func TestStreamEnd(t *testing.T) {
	for _, axes := range []string{"y,x,c", "c,y,x"} {
		fsys := memFile(strings.Repeat("a", 48))
		f, err := Open(fsys, "f", Options{Shape: []int{2, 6, 4}, Type: U8, Axes: axes})
		if err != nil {
			t.Fatal(err)
		}
		fsys["f"].Data = fsys["f"].Data[:30]
		_, err = Load(context.Background(), f, 0)
		if axes == "c,y,x" {
			// The open handle still reads the data that Open saw.
			if err != nil && !errors.Is(err, io.ErrUnexpectedEOF) {
				t.Errorf("%s: %v", axes, err)
			}
			continue
		}
		if !errors.Is(err, io.ErrUnexpectedEOF) || !strings.Contains(err.Error(), ": 1 of 2 rows") {
			t.Errorf("%s: %v, want unexpected EOF after 1 of 2 rows", axes, err)
		}
	}
}

// TestManyParts opens one file per channel: none stays open, order c,y,x.
func TestManyParts(t *testing.T) {
	const channels = 300
	fsys := fstest.MapFS{}
	want := &Memory{Head: Header{Width: 3, Height: 2, Channels: channels, Type: U8}, Data: make([]uint32, 6*channels)}
	for c := range channels {
		plane := make([]byte, 6)
		for p := range plane {
			plane[p] = byte(c*7 + p)
			want.Data[p*channels+c] = uint32(plane[p])
		}
		fsys[fmt.Sprintf("d/plane_%04d.raw", c+1)] = &fstest.MapFile{Data: plane}
	}
	fsys["d/f.nhdr"] = &fstest.MapFile{Data: []byte(fmt.Sprintf(nrrdStart+"sizes: 3 2 %d\nlabels: \"x\" \"y\" \"energy\"\nencoding: raw\ndata file: plane_%%04d.raw 1 %d 1 2\n", channels, channels))}
	for _, fsys := range []fs.FS{fsys, streamOnly{fsys}} {
		m, _ := mustLoad(t, fsys, "d/f.nhdr", Options{})
		for i := range m.Data {
			if m.Data[i] != want.Data[i] {
				t.Fatalf("value %d is %d, want %d", i, m.Data[i], want.Data[i])
			}
		}
	}
}
