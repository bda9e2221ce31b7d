package maps

import (
	"math"
	"strings"
	"testing"
)

func TestLength(t *testing.T) {
	for _, tt := range []struct {
		l      Length
		um, nm float64
	}{{Metre, 1e6, 1e9}, {Millimetre, 1e3, 1e6}, {Micrometre, 1, 1e3}, {250 * Nanometre, 0.25, 250}, {0, 0, 0}} {
		// Rounding of the decimal factors.
		if math.Abs(tt.l.Um()-tt.um) > 1e-15*tt.um || math.Abs(tt.l.Nm()-tt.nm) > 1e-15*tt.nm {
			t.Errorf("%g m: %g µm, %g nm", float64(tt.l), tt.l.Um(), tt.l.Nm())
		}
	}
}

func TestPixel(t *testing.T) {
	p := Pixel{X: 2 * Micrometre, Y: 500 * Nanometre}
	if !p.Known() || math.Abs(p.AreaUm2()-1) > 1e-14 {
		t.Errorf("2 µm × 0.5 µm: known %v, area %g µm²", p.Known(), p.AreaUm2())
	}
	for _, p := range []Pixel{{}, {X: 1}, {Y: 1}, {X: -1, Y: -1}, {X: Length(math.NaN()), Y: 1}} {
		if p.Known() || !math.IsNaN(p.AreaUm2()) {
			t.Errorf("%v: known %v, area %g; want unknown", p, p.Known(), p.AreaUm2())
		}
	}
}

// TestAt: x runs fastest, row by row.
func TestAt(t *testing.T) {
	m := New(3, 2)
	m.Set(2, 1, 7)
	m.Set(1, 0, 4)
	if m.V[5] != 7 || m.V[1] != 4 || m.At(2, 1) != 7 || m.At(0, 1) != 0 {
		t.Errorf("values %v", m.V)
	}
}

func TestCheck(t *testing.T) {
	if err := New(3, 2).Check(); err != nil {
		t.Error(err)
	}
	for _, m := range []Map{{}, New(0, 3), {W: 3, H: 2, V: make([]float64, 5)}, {W: -3, H: -2, V: make([]float64, 6)}} {
		m.What = "Ti K"
		if err := m.Check(); err == nil || !strings.HasPrefix(err.Error(), `maps: "Ti K" is `) {
			t.Errorf("%d × %d with %d values: %v", m.W, m.H, len(m.V), err)
		}
	}
}

// TestStats leaves out NaN and infinities.
func TestStats(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	m := Map{W: 4, H: 2, V: []float64{nan, -2, inf, 5, 0, -inf, 3, nan}}
	if r, ok := m.Range(); !ok || r != (Scale{-2, 5}) {
		t.Errorf("range %v, %v; want -2 to 5", r, ok)
	}
	if s := m.Stats(); s != (Stats{N: 4, Min: -2, Max: 5, Mean: 1.5, Sum: 6}) {
		t.Errorf("statistics %+v", s)
	}
	for _, v := range [][]float64{nil, {nan, nan}, {inf, -inf}} {
		m := Map{V: v}
		s := m.Stats()
		if _, ok := m.Range(); ok || s.N != 0 || s.Sum != 0 || !math.IsNaN(s.Min) || !math.IsNaN(s.Max) || !math.IsNaN(s.Mean) {
			t.Errorf("%v: range %v, statistics %+v; want none", v, ok, s)
		}
	}
	one := Map{W: 1, H: 1, V: []float64{-3}}
	if s := one.Stats(); s != (Stats{N: 1, Min: -3, Max: -3, Mean: -3, Sum: -3}) {
		t.Errorf("one value: %+v", s)
	}
}

func TestMask(t *testing.T) {
	m := NewMask(3, 2)
	if len(m.In) != 6 || m.Count() != 0 {
		t.Fatalf("new mask: %d pixels, %d marked", len(m.In), m.Count())
	}
	m.In[0], m.In[5] = true, true
	if m.Count() != 2 {
		t.Errorf("%d marked, want 2", m.Count())
	}
}

// TestNames: names and codes stand in files that others read; they stay.
func TestNames(t *testing.T) {
	for i, want := range []string{"ok", "empty", "not converged", "failed", "status 4"} {
		if got := Status(i).String(); got != want {
			t.Errorf("status %d is %q, want %q", i, got, want)
		}
	}
	for got, want := range map[Role]string{Treated: "treated", Untreated: "untreated", VehicleOnly: "vehicle_only",
		PositiveControl: "positive_control", InstrumentBlank: "instrument_blank"} {
		if string(got) != want {
			t.Errorf("role %q, want %q", got, want)
		}
	}
	for got, want := range map[Verdict]string{TargetVerdict: "target", OtherCompound: "other_compound", Artefact: "artefact",
		SubstrateSpot: "substrate", CannotTell: "cannot_tell"} {
		if string(got) != want {
			t.Errorf("verdict %q, want %q", got, want)
		}
	}
}
