package cube

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"pgregory.net/rapid"

	"example.org/fleck/maps"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

// TestMain fixes the seed of the property tests; -rapid.seed on the command line
// still varies it.
func TestMain(m *testing.M) {
	for name, value := range map[string]string{"rapid.seed": "1", "rapid.nofailfile": "true"} {
		if err := flag.Set(name, value); err != nil {
			panic(err)
		}
	}
	os.Exit(m.Run())
}

// drawCube makes a cube with any header.
func drawCube(t *rapid.T) *Memory {
	h := Header{
		Width: rapid.IntRange(1, 6).Draw(t, "w"), Height: rapid.IntRange(1, 6).Draw(t, "h"), Channels: rapid.IntRange(1, 20).Draw(t, "c"),
		Type: rapid.SampledFrom([]Type{U8, U16, U32}).Draw(t, "type"),
	}
	m := &Memory{Head: h}
	for range h.Width * h.Height * h.Channels {
		m.Data = append(m.Data, rapid.Uint32Max(h.Type.Max()).Draw(t, "n"))
	}
	positive := rapid.Float64Range(1e-6, 1e6)
	if rapid.Bool().Draw(t, "calibrated") {
		m.Head.CalibrationKnown = true
		m.Head.Calibration = spectra.Calibration{OffsetEV: rapid.Float64Range(-1000, 1000).Draw(t, "offset"), GainEV: positive.Draw(t, "gain")}
	}
	if rapid.Bool().Draw(t, "pixel") {
		m.Head.Pixel = maps.Pixel{X: scaled(rapid.Float64Range(leastPixelUm, mostPixelUm).Draw(t, "x"), maps.Micrometre), Y: scaled(float64(rapid.IntRange(1, 99).Draw(t, "y"))/64, maps.Micrometre)}
	}
	if rapid.Bool().Draw(t, "conditions") {
		m.Head.Conditions = spectra.Conditions{
			// Numbers in the unit of the file survive exactly, others to the last bit.
			BeamEnergy: xray.Energy(positive.Draw(t, "beam")) * xray.KeV, TakeOff: xray.Angle(rapid.IntRange(1, 89).Draw(t, "takeoff")) * xray.Degree,
			Tilt: xray.Angle(rapid.Float64Range(-60, 60).Draw(t, "tilt")) * xray.Degree, LiveTimeS: positive.Draw(t, "live"), RealTimeS: positive.Draw(t, "real"), ProbeCurrentNA: positive.Draw(t, "current"),
		}
	}
	if m.Head.Conditions.Tilt == 0 {
		m.Head.Conditions.Tilt = 0 // zero of either sign is "not stated"
	}
	text := rapid.StringMatching(`[ -~µ]{0,20}`)
	m.Head.Title = strings.TrimSpace(text.Draw(t, "title"))
	for range rapid.IntRange(0, 3).Draw(t, "keys") {
		m.Head.Keys = append(m.Head.Keys, KeyValue{rapid.StringMatching(`[a-z][a-z ]{0,8}[a-z]`).Draw(t, "key"), strings.TrimSpace(rapid.StringMatching(`[ -~\n\\]{0,20}`).Draw(t, "value"))})
	}
	return m
}

func rowsOf(t interface{ Fatal(...any) }, s Source) RowReader {
	r, err := s.Rows()
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// TestNRRDRoundTrip: what is written is read again, header and all.
func TestNRRDRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := drawCube(t)
		for i, kv := range m.Head.Keys { // the known keys have their own tests
			if findQuantity(kv.Key) != nil {
				m.Head.Keys[i].Key += " note"
			}
		}
		enc := rapid.SampledFrom([]Encoding{Raw, Gzip}).Draw(t, "encoding")
		var b bytes.Buffer
		if err := WriteNRRD(&b, m.Head, rowsOf(t, m), enc); err != nil {
			t.Fatal(err)
		}
		f, err := Open(fstest.MapFS{"f": {Data: b.Bytes()}}, "f", Options{})
		if err != nil {
			t.Fatal(err)
		}
		got, err := Load(context.Background(), f, 0)
		if err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(got.Data, m.Data) {
			t.Fatalf("data differ")
		}
		got.Head.Warnings = nil // a random cube may look odd
		if want, have := fmt.Sprintf("%+v", m.Head), fmt.Sprintf("%+v", got.Head); want != have {
			t.Fatalf("header\n%s\nwant\n%s\nfile %.700q", have, want, b.Bytes())
		}
	})
}

func TestNPYRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := drawCube(t)
		var b bytes.Buffer
		if err := WriteNPY(&b, m.Head, rowsOf(t, m)); err != nil {
			t.Fatal(err)
		}
		f, err := Open(fstest.MapFS{"f": {Data: b.Bytes()}}, "f", Options{})
		if err != nil {
			t.Fatal(err)
		}
		got, err := Load(context.Background(), f, 0)
		if err != nil {
			t.Fatal(err)
		}
		h := f.Header()
		if !slices.Equal(got.Data, m.Data) || h.Type != m.Head.Type || h.Width != m.Head.Width || h.Height != m.Head.Height {
			t.Fatalf("differs: %+v", h)
		}
	})
}

// TestDetached describes a headerless file in any order and offset and reads
// it back through the header.
func TestDetached(t *testing.T) {
	data, err := os.ReadFile("testdata/mixed_cyx.raw")
	if err != nil {
		t.Fatal(err)
	}
	h := Header{Width: 4, Height: 3, Channels: 5, Type: U16, Pixel: maps.Pixel{X: 0.25e-6, Y: 0.25e-6}, CalibrationKnown: true, Calibration: spectra.Calibration{OffsetEV: -96, GainEV: 5.5}}
	var b bytes.Buffer
	err = WriteNRRDDetached(&b, h, RawFile{Name: "data/cube.raw", Endian: LittleEndian, Axes: "c,y,x", Offset: 7})
	if err != nil {
		t.Fatal(err)
	}
	want := "NRRD0003\ntype: unsigned short\ndimension: 3\nsizes: 4 3 5\nspacings: 0.25 0.25 5.5\naxis mins: nan nan -96\ncenters: cell cell node\n" +
		"kinds: space space domain\nlabels: \"x\" \"y\" \"energy\"\nunits: \"um\" \"um\" \"eV\"\nendian: little\nencoding: raw\nbyte skip: 7\ndata file: data/cube.raw\n\n"
	if b.String() != want {
		t.Errorf("got\n%s\nwant\n%s", b.String(), want)
	}
	fsys := fstest.MapFS{"in/cube.nhdr": {Data: b.Bytes()}, "in/data/cube.raw": {Data: append([]byte("7 bytes"), data...)}}
	m, f := mustLoad(t, fsys, "in/cube.nhdr", Options{})
	if got := f.Header(); !slices.Equal(m.Data, mixedCube(65521).Data) || got.Pixel != h.Pixel || got.Calibration != h.Calibration || len(got.Warnings) > 0 {
		t.Errorf("read back %+v", got)
	}
	for _, bad := range []RawFile{
		{Name: "../x", Endian: LittleEndian}, {Name: "/x", Endian: LittleEndian}, {Name: "", Endian: LittleEndian}, {Name: "a%d", Endian: LittleEndian},
		{Name: "a\nb", Endian: LittleEndian}, {Name: "LIST", Endian: LittleEndian}, {Name: "x"}, {Name: "x", Endian: LittleEndian, Offset: -1}, {Name: "x", Endian: LittleEndian, Axes: "y,x"},
	} {
		if err := WriteNRRDDetached(io.Discard, h, bad); err == nil {
			t.Errorf("%+v accepted", bad)
		}
	}
}

func TestWriteRefusals(t *testing.T) {
	m := mixedCube(65521)
	h := m.Head
	h.Type = U8
	if err := WriteNRRD(io.Discard, h, rowsOf(t, m), Raw); err == nil || !strings.Contains(err.Error(), "row 0, column 0, channel 1 holds 7932; u8 holds up to 255") {
		t.Errorf("overflow: %v", err)
	}
	h = m.Head
	h.Height = 4
	if err := WriteNPY(io.Discard, h, rowsOf(t, m)); err == nil {
		t.Error("wrong height accepted")
	}
	h = m.Head
	h.Keys = []KeyValue{{"a:=b", "c"}}
	if err := WriteNRRD(io.Discard, h, rowsOf(t, m), Raw); err == nil {
		t.Error("key with := accepted")
	}
	if err := WriteNRRD(io.Discard, m.Head, rowsOf(t, m), 7); err == nil {
		t.Error("encoding 7 accepted")
	}
	if err := WriteNRRD(io.Discard, m.Head, &shortReader{m.Head, 2}, Raw); err == nil || !strings.Contains(err.Error(), ": 2 of 3 rows") {
		t.Errorf("short rows: %v", err)
	}
	if err := WriteMapNPY(io.Discard, maps.Map{W: 2, H: 2, V: make([]float64, 3)}); err == nil {
		t.Error("map with 3 values for 4 pixels accepted")
	}
}

// TestKeysWithoutUnit: a number without unit is never guessed.
func TestKeysWithoutUnit(t *testing.T) {
	const file = nrrdStart + "sizes: 1 1 1\nlabels: \"energy\" \"x\" \"y\"\nencoding: raw\n%s\n\na"
	tests := []struct {
		line string
		want spectra.Conditions
		warn string
	}{
		{"beam energy:=15 keV", spectra.Conditions{BeamEnergy: 15000}, ""},
		{"Beam Energy:=15kV", spectra.Conditions{BeamEnergy: 15000}, ""},
		{"beam energy:=1.5e4 eV", spectra.Conditions{BeamEnergy: 15000}, ""},
		{"beam energy:=1.5e4eV", spectra.Conditions{BeamEnergy: 15000}, ""},
		{"beam energy:=15", spectra.Conditions{}, "no unit; write for example beam energy:=15 keV"},
		{"beam energy:=15 MeV", spectra.Conditions{}, `unit "MeV" is not known`},
		{"beam energy:=-15 keV", spectra.Conditions{}, "out of range"},
		{"beam energy:=fifteen keV", spectra.Conditions{}, "not a number"},
		{"live time:=2 min", spectra.Conditions{LiveTimeS: 120}, ""},
		{"probe current:=800 pA", spectra.Conditions{ProbeCurrentNA: 0.8}, ""},
		{"tilt:=-5 deg", spectra.Conditions{Tilt: -5 * xray.Degree}, ""},
		{"live time:=1 s\nlive time:=2 s", spectra.Conditions{LiveTimeS: 1}, "stated twice"},
	}
	for _, tt := range tests {
		f, err := Open(memFile(fmt.Sprintf(file, tt.line)), "f", Options{})
		if err != nil {
			t.Errorf("%s: %v", tt.line, err)
			continue
		}
		h := f.Header()
		all := strings.Join(h.Warnings, "\n")
		if h.Conditions != tt.want || tt.warn == "" && all != "" || !strings.Contains(all, tt.warn) {
			t.Errorf("%s: %+v, warnings %q", tt.line, h.Conditions, all)
		}
		if tt.warn != "" && len(h.Keys) != 1 {
			t.Errorf("%s: what was not taken is lost: %v", tt.line, h.Keys)
		}
	}
}

// TestEnergyAxis: centring, units and missing statements.
func TestEnergyAxis(t *testing.T) {
	const file = "NRRD0001\ntype: uchar\ndimension: 3\nsizes: 10 1 1\nlabels: \"energy\" \"x\" \"y\"\nencoding: raw\n%s\n\n0123456789"
	tests := []struct {
		lines string
		want  spectra.Calibration // zero = not known
		warn  string
	}{
		{"units: \"eV\" \"\" \"\"\nspacings: 10 nan nan\naxis mins: -20 nan nan", spectra.Calibration{OffsetEV: -20, GainEV: 10}, ""},
		{"units: \"eV\" \"\" \"\"\nspacings: 10 nan nan\naxis mins: -20 nan nan\ncenters: node cell cell", spectra.Calibration{OffsetEV: -20, GainEV: 10}, ""},
		{"units: \"eV\" \"\" \"\"\nspacings: 10 nan nan\naxis mins: -20 nan nan\ncenterings: cell cell cell", spectra.Calibration{OffsetEV: -15, GainEV: 10}, ""},
		{"units: \"keV\" \"\" \"\"\nspacings: 0.5 nan nan\naxis mins: 0 nan nan", spectra.Calibration{OffsetEV: 0, GainEV: 500}, ""},
		{"units: \"eV\" \"\" \"\"\naxis mins: 0 nan nan\naxis maxs: 100 nan nan\ncenters: cell ??? ???", spectra.Calibration{OffsetEV: 5, GainEV: 10}, ""},
		{"units: \"eV\" \"\" \"\"\naxis mins: 0 nan nan\naxis maxs: 90 nan nan\ncenters: node ??? ???", spectra.Calibration{OffsetEV: 0, GainEV: 10}, ""},
		{"units: \"eV\" \"\" \"\"\naxis mins: 0 nan nan\naxis maxs: 90 nan nan", spectra.Calibration{}, "neither spacing nor centring"},
		{"units: \"eV\" \"\" \"\"\nspacings: 10 nan nan", spectra.Calibration{}, "without the energy of channel 0"},
		{"spacings: 10 nan nan\naxis mins: 0 nan nan", spectra.Calibration{}, "only eV and keV are taken"},
		{"units: \"eV\" \"\" \"\"\nspacings: -10 nan nan\naxis mins: 0 nan nan", spectra.Calibration{}, "the spacing must be above 0"},
		{"units: \"eV\" \"px\" \"px\"\nspacings: nan 2 2", spectra.Calibration{}, "no known length"},
	}
	for _, tt := range tests {
		f, err := Open(memFile(fmt.Sprintf(file, tt.lines)), "f", Options{})
		if err != nil {
			t.Errorf("%s: %v", tt.lines, err)
			continue
		}
		h := f.Header()
		all := strings.Join(h.Warnings, "\n")
		if h.Calibration != tt.want || h.CalibrationKnown != (tt.want.GainEV != 0) || tt.warn == "" && all != "" || !strings.Contains(all, tt.warn) {
			t.Errorf("%s:\n%+v, warnings %q", tt.lines, h.Calibration, all)
		}
	}
}
