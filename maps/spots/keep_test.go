package spots

import "testing"

// A component that goes leaves the height it was found at to the one that took its
// counts over, and to none that lies apart.
func TestKeepPassesHeight(t *testing.T) {
	for _, c := range []struct {
		x    float64
		want float64
	}{{12, 60}, {25, 3}} {
		m := &model{parts: []component{{x: 10, y: 10, s: 2, f: .01, u: 60, llr: 2}, {x: c.x, y: 10, s: 2, f: .1, u: 3, llr: 58}}}
		m.keep(func(i int) bool { return i == 1 })
		if len(m.parts) != 1 || m.parts[0].u != c.want {
			t.Errorf("at x = %g: parts %v, want one of height %g", c.x, m.parts, c.want)
		}
	}
}
