package cube

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/fstest"

	"pgregory.net/rapid"

	"example.org/fleck/maps"
	"example.org/fleck/spectra"
)

// decodeTest reads "offset gain n n n …".
func decodeTest(r io.Reader) (spectra.Spectrum, error) {
	var s spectra.Spectrum
	b, err := io.ReadAll(r)
	if err != nil {
		return s, err
	}
	var v []float64
	for _, f := range strings.Fields(string(b)) {
		x, err := strconv.ParseFloat(f, 64)
		if err != nil {
			return s, err
		}
		v = append(v, x)
	}
	if len(v) < 2 {
		return s, io.EOF
	}
	s.Calibration = spectra.Calibration{OffsetEV: v[0], GainEV: v[1]}
	s.LiveTimeS = 0.5
	s.Counts = v[2:]
	return s, nil
}

func folderOf(names ...string) fstest.MapFS {
	fsys := fstest.MapFS{}
	for i, name := range names {
		fsys["d/"+name] = &fstest.MapFile{Data: fmt.Appendf(nil, "0 10 %d 7", i)}
	}
	return fsys
}

func TestFolder(t *testing.T) {
	opt := func(width int) Options {
		return Options{Width: width, DecodeSpectrum: decodeTest}
	}
	tests := []struct {
		name  string
		names []string // in the order of the pixels
		opt   Options
		w, h  int
		order string
	}{
		{"row column", []string{"r001_c001.msa", "r001_c002.msa", "r001_c003.msa", "r002_c001.msa", "r002_c002.msa", "r002_c003.msa"}, opt(0), 3, 2, "rows from 1, columns from 1"},
		{"unpadded", []string{"map r9c9.txt", "map r9c10.txt", "map r10c9.txt", "map r10c10.txt"}, opt(0), 2, 2, "rows from 9, columns from 9"},
		{"words", []string{"Row0-Col0", "Row0-Col1", "Row1-Col0", "Row1-Col1"}, opt(2), 2, 2, "rows from 0"},
		{"x y", []string{"x0_y0", "x1_y0", "x2_y0", "x0_y1", "x1_y1", "x2_y1"}, opt(0), 3, 2, "rows from 0"},
		{"natural", []string{"p1", "p2", "p3", "p10", "p11", "p100"}, opt(2), 2, 3, "natural order of their names, 2 per row, from p1 to p100"},
		{"natural by shape", []string{"p1", "p2", "p3", "p10"}, Options{Shape: []int{1, 4}, DecodeSpectrum: decodeTest}, 4, 1, "natural order"},
	}
	for _, tt := range tests {
		fsys := folderOf(tt.names...)
		fsys["d/.hidden"] = &fstest.MapFile{Data: []byte("x")}
		fsys["d/sub/file"] = &fstest.MapFile{Data: []byte("x")}
		m, f := mustLoad(t, fsys, "d", tt.opt)
		h := f.Header()
		if h.Width != tt.w || h.Height != tt.h || h.Channels != 2 || h.Calibration.GainEV != 10 || !h.CalibrationKnown {
			t.Errorf("%s: %+v", tt.name, h)
			continue
		}
		for p := range tt.names {
			if m.Data[2*p] != uint32(p) || m.Data[2*p+1] != 7 {
				t.Errorf("%s: pixel %d holds %v", tt.name, p, m.Data[2*p:2*p+2])
			}
		}
		if v, _ := h.Key("pixel order"); !strings.Contains(v, tt.order) {
			t.Errorf("%s: order %q, want %q", tt.name, v, tt.order)
		}
		natural := strings.Contains(strings.Join(h.Warnings, ""), "natural order")
		if natural != strings.Contains(tt.order, "natural") {
			t.Errorf("%s: warnings %q", tt.name, h.Warnings)
		}
		if want := 0.5 * float64(len(tt.names)); h.Conditions.LiveTimeS != want {
			t.Errorf("%s: live time %g, want %g", tt.name, h.Conditions.LiveTimeS, want)
		}
	}
	fsys := folderOf("a.msa", "b.msa")
	fsys["d/notes.txt"] = &fstest.MapFile{Data: []byte("no spectrum")}
	o := opt(2)
	o.Pattern = "*.msa"
	o.Pixel = maps.Pixel{X: 1e-6, Y: 1e-6}
	if _, f := mustLoad(t, fsys, "d", o); f.Header().Width != 2 || f.Header().Pixel.X != 1e-6 {
		t.Errorf("pattern: %+v", f.Header())
	}
}

func TestFolderRefusals(t *testing.T) {
	good := Options{DecodeSpectrum: decodeTest}
	with := func(fsys fstest.MapFS, name, data string) fstest.MapFS {
		fsys["d/"+name] = &fstest.MapFile{Data: []byte(data)}
		return fsys
	}
	tests := []struct {
		name string
		fsys fstest.MapFS
		opt  Options
		want string
	}{
		{"no decoder", folderOf("a"), Options{}, "needs a decoder"},
		{"empty", fstest.MapFS{"d": {Mode: os.ModeDir}}, good, "no files"},
		{"no width", folderOf("a1", "a2"), good, "state the width"},
		{"width", folderOf("a1", "a2", "a3"), Options{DecodeSpectrum: decodeTest, Width: 2}, "3 files do not make rows of 2"},
		{"hole", folderOf("r1c1", "r1c2", "r2c2"), good, "row 2, column 1 has no file"},
		{"twice", folderOf("r1c1", "r01c01"), good, "are both row 1, column 1"},
		{"width against names", folderOf("r1c1", "r1c2"), Options{DecodeSpectrum: decodeTest, Width: 3}, "width 3 stated, the names have columns 1 to 2"},
		{"shape", folderOf("r1c1", "r1c2"), Options{DecodeSpectrum: decodeTest, Shape: []int{1, 2, 9}}, "shape [1 2 9] stated"},
		{"far apart", folderOf("r0c0", "r9223372036854775807c9223372036854775807"), good, "2 files for rows"},
		{"number", folderOf("r99999999999999999999c1"), good, "too large"},
		{"channels", with(folderOf("r1c1"), "r1c2", "0 10 1 2 3"), good, "r1c2: 3 channels; the first file has 2"},
		{"scale", with(folderOf("r1c1"), "r1c2", "0 10.5 1 2"), good, "gain 10.5 eV per channel; the first file has 0 and 10"},
		{"fraction", with(folderOf("r1c1"), "r1c2", "0 10 1 2.5"), good, "row 0, column 1, channel 1 holds 2.5"},
		{"negative", with(folderOf("r1c1"), "r1c2", "0 10 -1 2"), good, "row 0, column 1, channel 0 holds -1"},
		{"unreadable", with(folderOf("r1c1"), "r1c2", "x"), good, "d/r1c2: "},
		{"cut", with(folderOf("r1c1"), "r1c2", ""), good, "row 0 of 1"},
		{"bad pattern", folderOf("a"), Options{DecodeSpectrum: decodeTest, Pattern: "["}, "pattern"},
	}
	for _, tt := range tests {
		f, err := Open(tt.fsys, "d", tt.opt)
		if err == nil {
			_, err = Load(context.Background(), f, 0)
		}
		if err == nil || !strings.Contains(err.Error(), tt.want) || errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
			t.Errorf("%s: error %v, want %q", tt.name, err, tt.want)
		}
	}
}

func TestNaturalOrder(t *testing.T) {
	want := []string{"01", "1", "2", "a", "a1", "a1b", "a02", "a2", "a10", "a10b2", "a10b10", "b"}
	got := slices.Clone(want)
	slices.Reverse(got)
	slices.SortFunc(got, compareNatural)
	if !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
	name := rapid.StringMatching(`[a-b0-1]{0,5}`)
	rapid.Check(t, func(t *rapid.T) {
		a, b, c := name.Draw(t, "a"), name.Draw(t, "b"), name.Draw(t, "c")
		ab, ba := compareNatural(a, b), compareNatural(b, a)
		if (ab < 0) != (ba > 0) || (ab == 0) != (a == b) {
			t.Fatalf("%q, %q: %d and %d", a, b, ab, ba)
		}
		if ab <= 0 && compareNatural(b, c) <= 0 && compareNatural(a, c) > 0 {
			t.Fatalf("not transitive: %q, %q, %q", a, b, c)
		}
	})
}
