package figure

import (
	"bytes"
	"math"
	"strings"
	"testing"

	"example.org/fleck/maps"
)

func TestPanelSharesScale(t *testing.T) {
	var ms []maps.Map
	for i := range 5 {
		m, _ := field(uint64(10+i), 32, 32, i, 4)
		ms = append(ms, m)
	}
	ms[3].V[40] = math.NaN()
	d := draw(t, func(b *bytes.Buffer) error {
		return Panel(b, ms, PanelOptions{Labels: []string{"treated T1 / field 1", "treated T1 / field 2", "treated T2 / field 1", "untreated U1 / field 1", "untreated U2 / field 1"}})
	})
	if len(d.rects) != len(ms) {
		t.Fatalf("%d maps described, want %d", len(d.rects), len(ms))
	}
	low, high := math.Inf(1), math.Inf(-1)
	for _, m := range ms {
		r, _ := m.Range()
		low, high = math.Min(low, r.Low), math.Max(high, r.High)
	}
	if d.low != low || d.high != high {
		t.Errorf("display range %g to %g, want that of all maps, %g to %g", d.low, d.high, low, high)
	}
	for k, m := range ms {
		checkPixels(t, d, k, m, func(v float64) float64 { return (v - low) / (high - low) }, Sequential())
		for j := range k {
			if !d.rects[k].Intersect(d.rects[j]).Empty() {
				t.Errorf("maps %d and %d overlap", j, k)
			}
		}
	}
	if !strings.Contains(d.text, "map 4: untreated U1 / field 1") {
		t.Errorf("description lacks the label of a field:\n%s", d.text)
	}
}
