package scene

import (
	"math"
	"slices"
	"strings"
	"testing"

	"example.org/fleck/maps/cube"
)

// memory reads a source whole.
func memory(t *testing.T, src cube.Source) *cube.Memory {
	t.Helper()
	h := src.Header()
	h.Frames, h.Selected = 0, cube.FrameRange{}
	m, err := cube.NewMemory(h)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := src.Rows()
	if err != nil {
		t.Fatal(err)
	}
	for y := range h.Height {
		if err := rows.ReadRow(m.Row(y)); err != nil {
			t.Fatal(err)
		}
	}
	return m
}

// frame returns one frame of a field.
func frame(t *testing.T, f *Field, k int) *cube.Memory {
	t.Helper()
	src, err := f.FrameSum(cube.FrameRange{From: k, To: k + 1})
	if err != nil {
		t.Fatal(err)
	}
	return memory(t, src)
}

// TestFrames: the frames share the dose and the time evenly, differ in their noise,
// and add up to the field, for any number of workers.
func TestFrames(t *testing.T) {
	const n = 4
	s := parse(t, "drift_um = [0.4, -0.2]", `particles = [ { compound = "SiO2:2.2g/cm3", number = 4, min_nm = 80, max_nm = 500 } ]`)
	s.CountsPerPixel, s.CurrentNA, s.DwellS, s.Frames = 0, 1, 0.01, n
	r := renderer(t, s)
	whole, truth, err := r.Render(0, 5, 1)
	if err != nil {
		t.Fatal(err)
	}
	if m, _, _ := r.Render(0, 5, 3); !slices.Equal(m.Data, whole.Data) {
		t.Error("3 workers give another cube than 1")
	}
	f, _, err := r.Field(0, 5)
	if err != nil {
		t.Fatal(err)
	}
	if h := f.Header(); h.Frames != n || h.Conditions.RealTimeS != 0.01*float64(h.Pixels()) || !slices.Equal(memory(t, f).Data, whole.Data) {
		t.Errorf("%d frames, %g s; the same counts: %v", h.Frames, h.Conditions.RealTimeS, slices.Equal(memory(t, f).Data, whole.Data))
	}
	sum := make([]uint32, len(whole.Data))
	var seen [][]uint32
	total, _ := between(whole, -100, 1e5, everywhere)
	for k := range n {
		m := frame(t, f, k)
		if got, want := m.Head.Conditions.RealTimeS, whole.Head.Conditions.RealTimeS/n; math.Abs(got-want) > 1e-12*want { // rounding
			t.Errorf("frame %d takes %g s, want %g", k, got, want)
		}
		// Each is Poisson with a quarter of the mean.
		if got, _ := between(m, -100, 1e5, everywhere); math.Abs(got-total/n) > 5*math.Sqrt(total/n) {
			t.Errorf("frame %d holds %g counts, want about %g", k, got, total/n)
		}
		for i, v := range m.Data {
			sum[i] += v
		}
		if slices.ContainsFunc(seen, func(o []uint32) bool { return slices.Equal(o, m.Data) }) {
			t.Errorf("frame %d is that of another", k)
		}
		seen = append(seen, m.Data)
	}
	if !slices.Equal(sum, whole.Data) {
		t.Error("the frames do not add up to the field")
	}
	single := *s
	single.Frames = 0
	one, alone, err := renderer(t, &single).Render(0, 5, 0)
	if err != nil {
		t.Fatal(err)
	}
	got, _ := between(one, -100, 1e5, everywhere)
	if math.Abs(got-total) > 5*math.Sqrt(2*total) {
		t.Errorf("%g counts in %d frames, %g in one", total, n, got)
	}
	for i, p := range truth.Spots {
		if q := alone.Spots[i]; p.DiameterNM != q.DiameterNM || math.Abs(p.OwnCounts/q.OwnCounts-1) > 1e-9 {
			t.Errorf("particle %d is another with frames: %+v, %+v", i, p, q)
		}
	}
	for _, c := range []cube.FrameRange{{From: -1, To: 1}, {From: 2, To: 2}, {From: 0, To: n + 1}} {
		if _, err := f.FrameSum(c); err == nil || !strings.Contains(err.Error(), "the field has 4") {
			t.Errorf("frames %d to %d: error %v", c.From, c.To-1, err)
		}
	}
	s.Frames = MaxFrames + 1
	if _, err := NewRenderer(s); err == nil || !strings.Contains(err.Error(), "10001 frames") {
		t.Errorf("too many frames: error %v", err)
	}
}

// TestFramesDamage: of the target the beam leaves less in every frame, and carbon grows.
// Of n frames the middle of frame k lies (k + 1/2)/n of the time from the beginning.
func TestFramesDamage(t *testing.T) {
	const n, loss, growth = 4, 0.8, 0.3
	s := parse(t, "target_loss = 0.8\ncarbon_growth = 0.3", `particles = [ { compound = "SiO2:2.2g/cm3", number = 8, min_nm = 300, max_nm = 600 } ]`)
	s.CountsPerPixel, s.Frames = 4000, n
	f, truth, err := renderer(t, s).Field(0, 3)
	if err != nil {
		t.Fatal(err)
	}
	bare := *s
	bare.Specs = []FieldSpec{{Field: s.Specs[0].Field}}
	b, _, err := renderer(t, &bare).Field(0, 4)
	if err != nil {
		t.Fatal(err)
	}
	silicon := func(m *cube.Memory) float64 {
		n, _ := between(m, 1640, 1840, everywhere)
		return n
	}
	total := func(m *cube.Memory) float64 {
		n, _ := between(m, -100, 1e5, everywhere)
		return n
	}
	var own [n]float64
	for k := range n {
		a, none := frame(t, f, k), frame(t, b, k)
		own[k] = silicon(a) - silicon(none)
		at := (float64(k) + 0.5) / n
		want := 4000. / n * float64(none.Head.Pixels()) * (1 + growth*at)
		if got := total(none); math.Abs(got-want) > 5*math.Sqrt(want) {
			t.Errorf("frame %d of the bare field holds %g counts, want %g", k, got, want)
		}
	}
	noise := math.Sqrt(silicon(memory(t, f))/n + silicon(memory(t, b))/n) // of one frame
	first, last := 1-loss*0.5/n, 1-loss*(n-0.5)/n
	if got, want := own[n-1], own[0]*last/first; math.Abs(got-want) > 5*noise*math.Hypot(1, last/first) {
		t.Errorf("%g counts of silicon in the last frame, want %g ± %g", got, want, noise)
	}
	sum, expected := 0.0, 0.0
	for _, v := range own {
		sum += v
	}
	for _, p := range truth.Spots {
		expected += p.OwnCounts
	}
	// Particles dim the substrate's continuum below the line by some per cent of it.
	if math.Abs(sum/expected-1) > 0.1 {
		t.Errorf("%g counts of silicon, %g of the truth", sum, expected)
	}
}

// TestFramesDrift: place and current drift over all frames together: of 10 pixels,
// four fifths lie between the first of five frames and the last.
func TestFramesDrift(t *testing.T) {
	const n = 5
	s := parse(t, "drift_um = [1.0, 0.0]\ncurrent_drift = 0.5", `films = [ { material = "SiO2:2.2g/cm3:40nm", region = [0.5, 0.0, 1.0, 1.0] } ]`)
	s.CountsPerPixel, s.Frames = 4000, n
	f, _, err := renderer(t, s).Field(0, 3)
	if err != nil {
		t.Fatal(err)
	}
	first, last := frame(t, f, 0), frame(t, f, n-1)
	// The film begins in the first column that has half of the most silicon.
	edge := func(m *cube.Memory) float64 {
		var column []float64
		for x := range m.Head.Width {
			n, _ := between(m, 1680, 1800, func(i, _ int) bool { return i == x })
			column = append(column, n)
		}
		half := slices.Max(column) / 2
		return float64(slices.IndexFunc(column, func(n float64) bool { return n > half }))
	}
	if moved := edge(last) - edge(first); math.Abs(moved-8) > 1 {
		t.Errorf("the film lies %g pixels off in the last frame, want 8", moved)
	}
	a, _ := between(first, -100, 1e5, everywhere)
	b, _ := between(last, -100, 1e5, everywhere)
	if got, want := b/a, 1.2/0.8; math.Abs(got-want) > 5*got*math.Hypot(1/math.Sqrt(a), 1/math.Sqrt(b)) {
		t.Errorf("the last frame holds %g of the counts of the first, want %g", got, want)
	}
}
