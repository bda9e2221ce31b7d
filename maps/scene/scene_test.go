package scene

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"example.org/fleck/maps/cube"
	"example.org/fleck/spectra/xray"
)

const small = `fleck_format = 1
title = "test"
target = "SiO2:2.2g/cm3"
substrate = "Al"
coating = "C:2.0g/cm3:8nm"
coating_order = "over"
beam_kev = 5.0
gain_ev = 20.0
channels = 280
width = 40
height = 30
pixel_um = 0.1
probe_nm = 20.0
counts_per_pixel = 400.0
%s
[[field]]
name = "F"
role = "treated"
%s
`

func parse(t testing.TB, scene, field string) *Scene {
	t.Helper()
	s, err := Parse(strings.NewReader(fmt.Sprintf(small, scene, field)))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func renderer(t testing.TB, s *Scene) *Renderer {
	t.Helper()
	r, err := NewRenderer(s)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestDemoParses(t *testing.T) {
	s := Demo()
	if len(s.Specs) != 7 || s.Target.Name != "TiO2" {
		t.Errorf("%d fields, target %s", len(s.Specs), s.Target.Name)
	}
}

// between sums the counts of a cube whose energies lie between two, eV.
func between(m *cube.Memory, low, high float64, in func(x, y int) bool) (n float64, pixels int) {
	cal := m.Head.Calibration
	for y := range m.Head.Height {
		for x := range m.Head.Width {
			if !in(x, y) {
				continue
			}
			pixels++
			for c, v := range m.Spectrum(x, y) {
				if e := cal.OffsetEV + cal.GainEV*float64(c); e >= low && e < high {
					n += float64(v)
				}
			}
		}
	}
	return n, pixels
}

func everywhere(int, int) bool { return true }

// A field without anything has the counts that were asked for; the same seed gives
// the same bits for any number of workers and when it is streamed.
func TestRender(t *testing.T) {
	r := renderer(t, parse(t, "shading = 0.3\ncurrent_drift = -0.2", `particles = [ { compound = "SiO2:2.2g/cm3", number = 6, min_nm = 80, max_nm = 700 } ]`))
	first, truth, err := r.Render(0, 5, 1)
	if err != nil {
		t.Fatal(err)
	}
	for _, w := range []int{2, 3, 8} {
		if m, _, _ := r.Render(0, 5, w); !slices.Equal(m.Data, first.Data) {
			t.Errorf("%d workers give another cube than 1", w)
		}
	}
	if m, _, _ := r.Render(0, 6, 1); slices.Equal(m.Data, first.Data) {
		t.Error("another seed gives the same cube")
	}
	f, _, err := r.Field(0, 5)
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		rows, err := f.Rows()
		if err != nil {
			t.Fatal(err)
		}
		row := make([]uint32, f.Header().RowLen())
		for y := range f.Header().Height {
			if err := rows.ReadRow(row); err != nil || !slices.Equal(row, first.Row(y)) {
				t.Fatalf("streamed row %d differs, error %v", y, err)
			}
		}
		if err := rows.ReadRow(row); err == nil || err.Error() != "EOF" {
			t.Errorf("error %v after the last row", err)
		}
	}
	if len(truth.Spots) != 6 {
		t.Errorf("%d particles, want 6", len(truth.Spots))
	}
	plain := renderer(t, parse(t, "shading = 0.3\ncurrent_drift = -0.2", ""))
	m, _, _ := plain.Render(0, 1, 0)
	n, pixels := between(m, -100, 1e5, everywhere)
	if want := 400 * float64(pixels); math.Abs(n-want) > 4*math.Sqrt(want) {
		t.Errorf("%g counts in %d pixels, want %g", n, pixels, want)
	}
	left, _ := between(m, -100, 1e5, func(x, y int) bool { return x == 0 })
	right, _ := between(m, -100, 1e5, func(x, y int) bool { return x == 39 })
	if got := left / right; math.Abs(got-1.15/0.85) > 4*got*math.Hypot(1/math.Sqrt(left), 1/math.Sqrt(right)) {
		t.Errorf("left over right %g, want %g", got, 1.15/0.85)
	}
	top, _ := between(m, -100, 1e5, func(x, y int) bool { return y == 0 })
	bottom, _ := between(m, -100, 1e5, func(x, y int) bool { return y == 29 })
	if got := bottom / top; math.Abs(got-0.9/1.1) > 4*got*math.Hypot(1/math.Sqrt(top), 1/math.Sqrt(bottom)) {
		t.Errorf("bottom over top %g, want %g", got, 0.9/1.1)
	}
}

// The silicon counts of a field are those that the truth states, within their own
// noise and that of the background, and lie where it says.
func TestTruth(t *testing.T) {
	for _, probe := range []string{"probe_nm = 0.0", "probe_nm = 150.0"} {
		s := parse(t, "", `particles = [ { compound = "SiO2:2.2g/cm3", number = 1, min_nm = 500, max_nm = 500 } ]`)
		if probe == "probe_nm = 0.0" {
			s.ProbeNM = 0
		} else {
			s.ProbeNM = 150
		}
		s.CountsPerPixel = 20000
		r := renderer(t, s)
		m, truth, err := r.Render(0, 3, 0)
		if err != nil {
			t.Fatal(err)
		}
		blank, _, _ := renderer(t, func() *Scene { b := *s; b.Specs = slices.Clone(s.Specs); b.Specs[0].Populations = nil; return &b }()).Render(0, 4, 0)
		in := func(x, y int) bool {
			return math.Hypot(float64(x)-truth.Spots[0].XPx, float64(y)-truth.Spots[0].YPx) < 7
		}
		a, _ := between(m, 1660, 1820, in)
		b, _ := between(blank, 1660, 1820, in)
		spot := truth.Spots[0]
		// The window holds about 93 % of Si K; the continuum of the particle adds, that of
		// the substrate falls.
		if got := (a - b) / spot.OwnCounts; math.Abs(got-0.94) > 0.06+4*math.Sqrt(a+b)/spot.OwnCounts {
			t.Errorf("%s: %g counts of Si K more than without, truth %g", probe, a-b, spot.OwnCounts)
		}
		var sx, sy, n float64
		for y := range m.Head.Height {
			for x := range m.Head.Width {
				if v, _ := between(m, 1660, 1820, func(i, j int) bool { return i == x && j == y }); in(x, y) {
					bg := b / 149
					sx += (v - bg) * float64(x)
					sy += (v - bg) * float64(y)
					n += v - bg
				}
			}
		}
		if math.Hypot(sx/n-spot.XPx, sy/n-spot.YPx) > 0.2 {
			t.Errorf("%s: centroid %.2f, %.2f, truth %.2f, %.2f", probe, sx/n, sy/n, spot.XPx, spot.YPx)
		}
		// Aluminium dims below a thick particle.
		c := func(x, y int) bool { return math.Hypot(float64(x)-spot.XPx, float64(y)-spot.YPx) < 1.5 }
		al, _ := between(m, 1400, 1570, c)
		bare, _ := between(blank, 1400, 1570, c)
		if !(al < 0.6*bare) {
			t.Errorf("%s: Al K below the particle is %.2f of that beside it", probe, al/bare)
		}
	}
}

// Pile-up at a rate: of R photons per second the share 1 − exp(−Rτ) of the events are
// sums, the same as the sums' rate τ R² for small τR; dead time takes exp(−Rτ) away.
// Sums of two Al K photons lie at twice its energy.
func TestRates(t *testing.T) {
	text := strings.Replace(fmt.Sprintf(small, "current_na = 5.0\ndwell_ms = 40.0\npulse_pair_us = 1.0\ndead_time_us = 4.0", ""), "counts_per_pixel = 400.0", "", 1)
	s, err := Parse(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	m, truth, err := renderer(t, s).Render(0, 1, 0)
	if err != nil {
		t.Fatal(err)
	}
	// What the planning figures of a bare Al give at 5 keV, 5.0 kcps/nA of Al K for
	// Ω/4π·ε = 1e-3, with coating, efficiency and continuum about half as much again.
	if r := truth.RateCPS / 5; !(r > 3e3 && r < 12e3) {
		t.Errorf("%g counts per second and nA", r)
	}
	if want := 1 - math.Exp(-truth.RateCPS*1e-6); math.Abs(truth.PileUp/want-1) > 1e-9 {
		t.Errorf("pile-up %g, want %g", truth.PileUp, want)
	}
	if want := 1 - math.Exp(-truth.RateCPS*4e-6); math.Abs(truth.DeadTime/want-1) > 1e-9 {
		t.Errorf("dead time %g, want %g", truth.DeadTime, want)
	}
	n, pixels := between(m, -100, 1e5, everywhere)
	want := truth.RateCPS * 0.04 * (1 - truth.DeadTime) / (1 + truth.PileUp) * float64(pixels)
	if math.Abs(n-want) > 4*math.Sqrt(want)+0.002*n { // a few sums lie beyond the last channel
		t.Errorf("%g counts, want %g", n, want)
	}
	al, _ := between(m, 1390, 1590, everywhere)
	sums, _ := between(m, 2870, 3080, everywhere)
	side, _ := between(m, 2660, 2870, everywhere)
	other, _ := between(m, 3080, 3290, everywhere)
	got := sums - (side+other)/2
	// Events are Al with the share al/n; of the sums, both parts are with its square.
	expect := n * truth.PileUp * (al / n) * (al / n)
	t.Logf("%g sums of Al K, expected about %g", got, expect)
	if math.Abs(got/expect-1) > 0.2 {
		t.Errorf("%g sums of Al K, want about %g", got, expect)
	}
}

func TestDrift(t *testing.T) {
	s := parse(t, "drift_um = [1.0, 0.0]", `films = [ { material = "SiO2:2.2g/cm3:40nm", region = [0.5, 0.0, 1.0, 1.0] } ]`)
	s.CountsPerPixel = 4000
	m, _, err := renderer(t, s).Render(0, 1, 0)
	if err != nil {
		t.Fatal(err)
	}
	edge := func(y int) int {
		for x := range m.Head.Width {
			if n, _ := between(m, 1680, 1800, func(i, j int) bool { return i == x && j == y }); n > 150 {
				return x
			}
		}
		return -1
	}
	if a, b := edge(0), edge(29); b-a < 9 || b-a > 11 {
		t.Errorf("the edge of the film lies at %d in the first row and %d in the last, want 10 apart", a, b)
	}
}

// The side of a scratch that leans towards the detector sends more of a soft line.
func TestScratch(t *testing.T) {
	for _, c := range []struct {
		azimuth float64
		bright  int // side of the scratch that leans to the detector: rows above or below
	}{{90, -1}, {-90, 1}} {
		s := parse(t, "", `scratches = [ { from = [0.0, 0.5], to = [1.0, 0.5], width_um = 1.0, slope_deg = 25 } ]`)
		s.CountsPerPixel = 4000
		s.Azimuth = xray.Angle(c.azimuth) * xray.Degree
		m, _, err := renderer(t, s).Render(0, 1, 0)
		if err != nil {
			t.Fatal(err)
		}
		up, _ := between(m, 1400, 1570, func(x, y int) bool { return y > 9 && y < 14 })
		down, _ := between(m, 1400, 1570, func(x, y int) bool { return y > 15 && y < 20 })
		plain, _ := between(m, 1400, 1570, func(x, y int) bool { return y < 4 })
		t.Logf("azimuth %g: rows above %.3f, below %.3f of the plain", c.azimuth, up/plain, down/plain)
		if (up > down) != (c.bright < 0) {
			t.Errorf("azimuth %g: Al K %g above and %g below the middle of the scratch", c.azimuth, up, down)
		}
	}
}

func TestParseErrors(t *testing.T) {
	good := fmt.Sprintf(small, "", `particles = [
  { compound = "SiO2:2.2g/cm3", number = 1, min_nm = 100, max_nm = 200 },
]`)
	if _, err := Parse(strings.NewReader(good)); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ old, new, want string }{
		{`width = 40`, `wdith = 40`, `line 10: unknown key "wdith"`},
		{`number = 1, min_nm`, `number = 1, colour = 3, min_nm`, `line 20: unknown key "field.particles.colour"`},
		{`width = 40`, `width = "x"`, "line 10"},
		{`width = 40`, `width = `, "line 10"},
		{`fleck_format = 1`, `fleck_format = 2`, "this version reads 1"},
		{`beam_kev = 5.0`, `beam_kev = -5.0`, "beam_kev = -5"},
		{`beam_kev = 5.0`, `beam_kev = 0.05`, "beam_kev = 0.05; from 1"},
		{`target = "SiO2:2.2g/cm3"`, `target = "H:1g/cm3"`, "excites no line of H"},
		{`pixel_um = 0.1`, `pixel_um = 0.0`, "pixel_um: pixel of 0 × 0 µm"},
		{`pixel_um = 0.1`, "pixel_um = 0.1\ntarget_loss = 1.5", "target_loss = 1.5; from 0 and up to 1"},
		{`pixel_um = 0.1`, "pixel_um = 0.1\ncarbon_growth = -0.1", "carbon_growth = -0.1; from 0"},
		{`pixel_um = 0.1`, `pixel_um = 2e3`, "pixel_um: pixel of 2000 × 2000 µm"},
		{`max_nm = 200`, `max_nm = 50`, "diameters 100 to 50 nm"},
		{`min_nm = 100, max_nm = 200`, `min_nm = 9000, max_nm = 9500`, "larger than the field"},
		{`compound = "SiO2:2.2g/cm3"`, `compound = "SiO2"`, "density"},
		{`compound = "SiO2:2.2g/cm3"`, `compound = "Xx2:2g/cm3"`, "Xx"},
		{`substrate = "Al"`, `substrate = "SiO2"`, "density"},
		{`coating = "C:2.0g/cm3:8nm"`, `coating = "C:2.0g/cm3"`, "thickness"},
		{`coating_order = "over"`, ``, "order"},
		{`coating_order = "over"`, `coating_order = "above"`, "order"},
		{`role = "treated"`, `role = "cleaned"`, "role"},
		{`counts_per_pixel = 400.0`, ``, "either counts, or both"},
		{`counts_per_pixel = 400.0`, "counts_per_pixel = 400.0\ndwell_ms = 5.0\ncurrent_na = 1.0", "both given"},
		{`counts_per_pixel = 400.0`, "counts_per_pixel = 400.0\npulse_pair_us = 0.5", "without a rate"},
		{`counts_per_pixel = 400.0`, "counts_per_pixel = 400.0\ndead_time_us = 5", "without a time"},
		{`counts_per_pixel = 400.0`, "counts_per_pixel = 400.0\nelastic = \"mott\"", "browning and rutherford"},
		{`number = 1, min_nm`, `number = 1, sunk = 2.0, min_nm`, "sunk = 2"},
		{`number = 1, min_nm`, `number = 1, region = [0.5, 0.0, 0.2, 1.0], min_nm`, "region"},
		{`number = 1, min_nm`, `number = 1, region = [0.5], min_nm`, "four are accepted"},
		{`name = "F"`, `name = ""`, "empty or used twice"},
		{`role = "treated"`, "role = \"treated\"\nfilms = [ { material = \"SiO2:2.2g/cm3\" } ]", "thickness"},
		{`role = "treated"`, "role = \"treated\"\nscratches = [ { from = [0.0, 0.0], to = [1.0, 1.0], width_um = 1.0, slope_deg = 33 } ]", "slope_deg = 33"},
		{`role = "treated"`, "role = \"treated\"\nscratches = [ { from = [0.0], to = [1.0, 1.0] } ]", "two each"},
	} {
		text := strings.Replace(good, c.old, c.new, 1)
		if text == good {
			t.Fatalf("%q is not in the scene", c.old)
		}
		_, err := Parse(strings.NewReader(text))
		if err == nil || !strings.HasPrefix(err.Error(), "scene: ") || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want one about %q", c.new, err, c.want)
		}
	}
}

func FuzzParse(f *testing.F) {
	f.Add(DemoTOML())
	f.Add([]byte(fmt.Sprintf(small, "", "")))
	f.Add([]byte("[[field]]\nname=1"))
	f.Fuzz(func(t *testing.T, b []byte) {
		if s, err := Parse(bytes.NewReader(b)); err == nil && (len(s.Specs) == 0 || s.Width < 1) {
			t.Errorf("a scene of %d fields and width %d", len(s.Specs), s.Width)
		}
	})
}
