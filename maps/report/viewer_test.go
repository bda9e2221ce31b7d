package report

import (
	"encoding/base64"
	"encoding/binary"
	"encoding/json"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// unpack is the reading side of counted, as the script of the page does it.
func unpack(t *testing.T, text string, n int) []float64 {
	t.Helper()
	b, err := base64.StdEncoding.DecodeString(text)
	if err != nil {
		t.Fatal(err)
	}
	out := make([]float64, n)
	i := 0
	for len(b) > 0 {
		v, k := binary.Uvarint(b)
		b = b[k:]
		if v == 0 {
			run, k := binary.Uvarint(b)
			b = b[k:]
			i += int(run)
			continue
		}
		out[i] = float64(v)
		i++
	}
	if i != n {
		t.Errorf("%d channels, want %d", i, n)
	}
	return out
}

func TestCounted(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 1))
	for range 200 {
		counts := make([]float64, 1+rng.IntN(300))
		for i := range counts {
			if rng.IntN(3) > 0 {
				counts[i] = math.Floor(math.Exp(20 * rng.Float64() * rng.Float64()))
			}
		}
		got := unpack(t, counted(counts), len(counts))
		for i := range counts {
			if got[i] != counts[i] {
				t.Fatalf("channel %d: %g, want %g", i, got[i], counts[i])
			}
		}
	}
}

// TestCoded reads maps back by their codes: within half a step of the display
// range inside it, within half a geometric step above it (6 % here, 9 allowed).
func TestCoded(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 2))
	m := make([]float64, 4000)
	for i := range m {
		m[i] = 10 * math.Exp(9.2*(rng.Float64()-0.3))
	}
	m[0], m[1], m[2] = math.NaN(), 0, -3
	v := Viewer{Lines: []ViewLine{{Name: "Ti K", High: 10}}, Fields: []ViewField{{Width: 4000, Height: 1, Maps: [][]float64{m}}}}
	codes := v.codes(0)
	for i := 1; i < levels; i++ {
		if codes[i] < codes[i-1] {
			t.Fatalf("codes fall at %d", i)
		}
	}
	for i, c := range coded(m, codes) {
		switch x := m[i]; {
		case math.IsNaN(x):
			if c != levels {
				t.Errorf("a missing value has the code %d", c)
			}
		case x <= 0:
			if c != 0 {
				t.Errorf("%g has the code %d", x, c)
			}
		case x <= 10 && math.Abs(codes[c]-x) > 0.0251:
			t.Errorf("%g reads as %g", x, codes[c])
		case x > 10 && math.Abs(codes[c]/x-1) > 0.09:
			t.Errorf("%g reads as %g", x, codes[c])
		}
	}
	// A map without a value above the range, and one without any value.
	flat := Viewer{Lines: []ViewLine{{High: 5}}, Fields: []ViewField{{Maps: [][]float64{{1, 5, 2}}}}}
	if got := coded([]float64{5, 6}, flat.codes(0)); got[0] != 200 || got[1] != 200 {
		t.Errorf("codes %v at the end of the range", got)
	}
}

func TestViewerScript(t *testing.T) {
	v := viewer(2)
	v.Fields[0].Name = "</script><script>alert(1)</script>"
	v.Fields[0].PixelUm = math.NaN()
	text, err := v.script()
	if err != nil {
		t.Fatal(err)
	}
	if strings.ContainsAny(string(text), "<>&") {
		t.Error("markup in the data of the viewer")
	}
	var got struct {
		Fields []struct {
			Name  string
			Px    *float64
			Spots []struct {
				Region struct{ C string }
			}
		}
	}
	if err := json.Unmarshal([]byte(text), &got); err != nil {
		t.Fatal(err)
	}
	if got.Fields[0].Name != v.Fields[0].Name || got.Fields[0].Px != nil || len(got.Fields[0].Spots) != 2 {
		t.Errorf("got %+v", got)
	}
	if c := unpack(t, got.Fields[0].Spots[1].Region.C, 6); c[3] != 300 {
		t.Errorf("counts %v", c)
	}
	v.Fields[0].Maps[0] = v.Fields[0].Maps[0][:3]
	if _, err := v.script(); err == nil || !strings.Contains(err.Error(), "3 values for 2 × 2 pixels") {
		t.Errorf("error %v for a map that does not fit", err)
	}
	v.Fields[0].Maps = nil
	if _, err := v.script(); err == nil {
		t.Error("no error for a field without maps")
	}
}

// TestPolicy: nothing is loaded and no script but the one of the page runs.
func TestPolicy(t *testing.T) {
	page := write(t, example(t, 1))
	if !strings.Contains(page, `content="default-src &#39;none&#39;; img-src data:; `) || strings.Contains(page, "script-src 'unsafe") {
		t.Error("the page lacks its content policy")
	}
}
