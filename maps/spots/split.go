package spots

import "math"

// splitWidth is the width, in smallest widths, from which one profile may hide
// two spots; splitGain the log-likelihood that two profiles must gain over one
// (three or four parameters more; choices of this package).
const (
	splitWidth = 1.6
	splitGain  = 6.0
)

// split looks whether two narrower profiles describe the counts around c better
// than c does. If so it returns the stronger of the two; the other stays in the
// counts and is a maximum of its own in the next round. frac must not hold c.
func (m *model) split(c component, least, most float64) component {
	if c.s < splitWidth*least {
		return c
	}
	s := math.Max(least, c.s/1.6)
	bestGain, best := 0.0, [2]component{}
	for k := range 4 {
		sin, cos := math.Sincos(float64(k) * math.Pi / 4)
		pair := [2]component{
			{x: c.x + c.s*cos, y: c.y + c.s*sin, s: s, f: c.f},
			{x: c.x - c.s*cos, y: c.y - c.s*sin, s: s, f: c.f},
		}
		if gain := m.pairGain(&pair, func(o component) component {
			o.f, o.llr = m.strength(newProfile(profile{}, o.x, o.y, o.s, m.w, m.h), o.f)
			return o
		}, 2); gain > bestGain {
			bestGain, best = gain, pair
		}
	}
	if bestGain < c.llr-splitGain { // far from it: places and widths will not make up for that
		return c
	}
	if gain := m.pairGain(&best, func(o component) component { return m.fit(o, least, most) }, 3); gain < c.llr+splitGain {
		return c
	}
	if best[1].f*best[1].s*best[1].s > best[0].f*best[0].s*best[0].s {
		best[0] = best[1]
	}
	if best[0].f <= 0 {
		return c
	}
	best[0].u = c.u
	return best[0]
}

// pairGain fits two components in turn, rounds times, and returns the
// log-likelihood of the two together over the model without them. frac is left
// as it was, to rounding.
func (m *model) pairGain(pair *[2]component, fit func(component) component, rounds int) float64 {
	for range rounds {
		for i := range pair {
			m.put(pair[1-i], 1)
			pair[i] = fit(pair[i])
			m.put(pair[1-i], -1)
		}
	}
	gain := func(c component) float64 { return m.gain(newProfile(profile{}, c.x, c.y, c.s, m.w, m.h), c.f) }
	alone := gain(pair[0])
	m.put(pair[0], 1)
	second := gain(pair[1])
	m.put(pair[0], -1)
	return alone + second
}
