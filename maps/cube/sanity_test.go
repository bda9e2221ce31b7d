package cube

import (
	"bytes"
	"context"
	"encoding/binary"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/fstest"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

// spectrumCube draws Poisson counts of a spectrum with peaks on a falling
// continuum, 10 eV per channel and 15 keV: what a map pixel of a real field
// looks like, textured over the field.
func spectrumCube(t testing.TB, w, h, c int, texture float64) *Memory {
	m, err := NewMemory(Header{
		Width: w, Height: h, Channels: c, Type: U16, CalibrationKnown: true,
		Calibration: spectra.Calibration{GainEV: 10}, Conditions: spectra.Conditions{BeamEnergy: 15 * xray.KeV},
	})
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(11, 2))
	mean := make([]float64, c)
	for i := range mean {
		e := 10 * float64(i)
		if e > 100 && e < 15000 {
			mean[i] = 0.02 * (15000 - e) / 15000
		}
		for _, p := range [][2]float64{{525, 0.3}, {1740, 0.5}, {6400, 0.6}} {
			s := 30 + e/200
			mean[i] += p[1] * math.Exp(-(e-p[0])*(e-p[0])/(2*s*s))
		}
	}
	for y := range h {
		for x := range w {
			px := m.Spectrum(x, y)
			for i := range px {
				px[i] = poisson(rng, mean[i]*(1+texture*math.Sin(float64(x)/3)))
			}
		}
	}
	return m
}

// poisson draws by Knuth's product method, which suits small means.
func poisson(rng *rand.Rand, mean float64) (n uint32) {
	for p := rng.Float64(); p > math.Exp(-mean); p *= rng.Float64() {
		n++
	}
	return n
}

func rawBytes(m *Memory, order string, big bool) []byte {
	n := map[byte]int{'y': m.Head.Height, 'x': m.Head.Width, 'c': m.Head.Channels}
	l, err := newLayout(order, []int{n[order[0]], n[order[1]], n[order[2]]}, value{unsigned, 2, big})
	if err != nil {
		panic(err)
	}
	b := make([]byte, l.bytes())
	for i := range l.values() {
		y, x, c := l.place(i)
		v := uint16(m.Spectrum(x, y)[c])
		if big {
			binary.BigEndian.PutUint16(b[2*i:], v)
		} else {
			binary.LittleEndian.PutUint16(b[2*i:], v)
		}
	}
	return b
}

// TestWrongStatements states the byte order, the axes, the sizes or the beam
// energy of one cube wrongly and expects a warning, and none when all is right.
func TestWrongStatements(t *testing.T) {
	const w, h, c = 64, 16, 2048
	m := spectrumCube(t, w, h, c, 0.5)
	flat := spectrumCube(t, w, h, c, 0)
	right := Options{Shape: []int{h, w, c}, Type: U16, Endian: LittleEndian, Calibration: m.Head.Calibration, BeamEnergy: 15 * xray.KeV}
	tests := []struct {
		name  string
		data  []byte
		state func(*Options)
		want  string
	}{
		{"right", rawBytes(m, "yxc", false), func(*Options) {}, ""},
		{"right, band-sequential", rawBytes(m, "cyx", false), func(o *Options) { o.Axes, o.Shape = "c,y,x", []int{c, h, w} }, ""},
		{"byte order", rawBytes(m, "yxc", false), func(o *Options) { o.Endian = BigEndian }, "are multiples of 256: wrong endianness?"},
		{"byte order, compressed", gz(rawBytes(m, "yxc", true)), func(*Options) {}, "wrong endianness?"},
		{"axes", rawBytes(m, "cyx", false), func(*Options) {}, "repeats itself every 64 channels"},
		{"axes, flat", rawBytes(flat, "cyx", false), func(*Options) {}, "is flat"},
		{"axes, channels slow", rawBytes(m, "ycx", false), func(*Options) {}, "wrong axis order"},
		{"channels", rawBytes(m, "yxc", false), func(o *Options) { o.Shape = []int{h, 2 * w, c / 2} }, ""}, // looks like a spectrum; nothing to see
		{"offset of a header", append(make([]byte, 600), rawBytes(m, "yxc", false)...), func(o *Options) { o.AllowExcess = true }, ""},
		{"beam energy", rawBytes(m, "yxc", false), func(o *Options) { o.BeamEnergy = 5 * xray.KeV }, "lie above the beam energy of 5 keV"},
		{"energy scale", rawBytes(m, "yxc", false), func(o *Options) { o.Calibration.GainEV = 40 }, "lie above the beam energy of 15 keV"},
	}
	for _, tt := range tests {
		opt := right
		tt.state(&opt)
		f, err := Open(fstest.MapFS{"f": {Data: tt.data}}, "f", opt)
		if err != nil {
			t.Fatal(err)
		}
		s, err := SumSpectra(context.Background(), f, 1, nil)
		if err != nil {
			t.Fatal(err)
		}
		all := strings.Join(append(f.Header().Warnings, s.Warnings...), "\n")
		if tt.want != "" && !strings.Contains(all, tt.want) || strings.HasPrefix(tt.name, "right") && all != "" {
			t.Errorf("%s: warnings %q, want %q", tt.name, all, tt.want)
		}
	}
}

func TestByteOrder32(t *testing.T) {
	m := spectrumCube(t, 4, 4, 2048, 0)
	var b bytes.Buffer
	m.Head.Type = U32
	r, _ := m.Rows()
	if err := writeRows(&b, m.Head, r); err != nil {
		t.Fatal(err)
	}
	f, err := Open(fstest.MapFS{"f": {Data: b.Bytes()}}, "f", Options{Shape: []int{4, 4, 2048}, Type: U32, Endian: BigEndian})
	if err != nil || !strings.Contains(strings.Join(f.Header().Warnings, ""), "multiples of 16777216: wrong endianness?") {
		t.Errorf("%v", err)
	}
}

// TestMeasuredSpectraAreNotSuspect: none of the measured spectra may look like
// a wrong axis order.
func TestMeasuredSpectraAreNotSuspect(t *testing.T) {
	root := os.Getenv("FLECK_REAL_DATA")
	if root == "" {
		t.Skip("FLECK_REAL_DATA is not set; it names the folder of measured data")
	}
	files, err := filepath.Glob(filepath.Join(root, "*", "*.emsa"))
	if err != nil || len(files) == 0 {
		t.Fatalf("no spectra: %v", err)
	}
	for _, file := range files {
		data, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		var counts []uint64
		h := Header{Width: 256, Height: 200}
		inData := false
		for line := range strings.Lines(string(data)) {
			line = strings.TrimSpace(line)
			if strings.HasPrefix(line, "#") {
				inData = strings.HasPrefix(line, "#SPECTRUM")
				continue
			}
			if inData {
				fields := strings.FieldsFunc(line, func(r rune) bool { return r == ',' || r == ' ' || r == '\t' })
				v, err := parseNumber(fields[len(fields)-1]) // of x, y pairs the y; of several values a line the last
				if err == nil && v >= 0 {
					counts = append(counts, uint64(v))
				}
			}
		}
		if len(counts) < 100 {
			t.Errorf("%s: %d values", file, len(counts))
		}
		if w := CheckSum(h, counts); len(w) > 0 {
			t.Errorf("%s: %q", file, w)
		}
	}
}
