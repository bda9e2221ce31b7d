package spots

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"

	"example.org/fleck/maps"
)

// Settings of matchSpots, choices of this package.
const (
	meetPx      = 2.0  // spots this close are one
	matchMost   = 80   // the strongest of a longer list take part
	matchDraws  = 1999 // lists at random places
	matchEnough = 20   // as good ones that end the drawing (Besag & Clifford 1991, Biometrika 78, 301)
	matchTurns  = 199  // turned and mirrored lists …
	turnsAlpha  = 0.01 // … of which at most this share may match as well
	turnLeast   = 20   // degrees, so that a turned list has no true match left
	// Lists with every spot displaced along one of so many directions, by up to this
	// share of the larger side either way, in a first look at each.
	slideDirections = 18
	slideShare      = 0.3
	slideDraws      = 59
	leastSigmaPx    = 0.1 // least uncertainty of a place that counts
)

// located is where a spot lies, px.
type located struct {
	x, y   float64
	sx, sy float64
}

// matchSpots finds the shift at which most spots of two lists meet. The chance of so
// many is taken from lists whose second is drawn at random places; turned and mirrored
// lists keep clusters of spots, lists whose spots slide along the direction that matches
// best keep scratches, and both forbid a match that these explain.
func matchSpots(first, second OffsetField, reach [2]int, opt OffsetOptions) match {
	m := match{p: math.NaN()}
	a, b := places(first.Spots), places(second.Spots)
	if len(a) == 0 || len(b) == 0 {
		return m
	}
	k := newMatcher(reach)
	at, common := k.best(a, b)
	m.common = common
	m.p = 1
	if common < 2 {
		return m
	}
	rng := rand.New(rand.NewPCG(opt.Seed, 0x0ff5e7))
	w, h := float64(second.Counts.W), float64(second.Counts.H)
	other := slices.Clone(b)
	// chance draws lists until enough match as well.
	chance := func(draws int, draw func()) float64 {
		asGood := 0
		for i := range draws {
			draw()
			if _, n := k.best(a, other); n >= common {
				if asGood++; asGood == matchEnough {
					return float64(asGood) / float64(i+1)
				}
			}
		}
		return float64(asGood+1) / float64(draws+1)
	}
	m.p = chance(matchDraws, func() {
		for i := range other {
			other[i].x, other[i].y = w*rng.Float64()-.5, h*rng.Float64()-.5
		}
	})
	turned := chance(matchTurns, func() {
		sin, cos := math.Sincos((turnLeast + (360-2*turnLeast)*rng.Float64()) * math.Pi / 180)
		mirror := float64(1 - 2*rng.IntN(2))
		for i, p := range b {
			x, y := mirror*(p.x-w/2), p.y-h/2
			other[i].x, other[i].y = w/2+cos*x-sin*y, h/2+sin*x+cos*y
		}
	})
	if turned > turnsAlpha {
		m.p = math.Max(m.p, turned)
	}
	slide := func(direction int) func() {
		sin, cos := math.Sincos(math.Pi * float64(direction) / slideDirections)
		return func() {
			for i, p := range b {
				d := (2*rng.Float64() - 1) * slideShare * math.Max(w, h)
				other[i].x, other[i].y = p.x+d*cos, p.y+d*sin
			}
		}
	}
	worst, at0 := 0.0, 0
	for i := range slideDirections {
		if m.p > opt.Alpha {
			break // refused already
		}
		if p := chance(slideDraws, slide(i)); p > worst {
			worst, at0 = p, i
		}
	}
	if m.p <= opt.Alpha {
		m.p = math.Max(m.p, chance(matchDraws, slide(at0)))
	}
	m.refine(a, b, at)
	return m
}

// places are those of the strongest spots.
func places(list []maps.Spot) []located {
	order := slices.Clone(list)
	slices.SortStableFunc(order, func(p, q maps.Spot) int { return cmp.Compare(q.LogLikelihood, p.LogLikelihood) })
	var out []located
	for _, s := range order[:min(len(order), matchMost)] {
		if !math.IsNaN(s.XPx + s.YPx) {
			sigma := func(v float64) float64 { return math.Max(leastSigmaPx, nanAs(v, 1)) }
			out = append(out, located{s.XPx, s.YPx, sigma(s.SigmaXPx), sigma(s.SigmaYPx)})
		}
	}
	return out
}

// nanAs returns v, or other where v is no number.
func nanAs(v, other float64) float64 {
	if math.IsNaN(v) {
		return other
	}
	return v
}

// shift is the difference of the places of one spot of each list.
type shift struct {
	a, b   int
	dx, dy float64
}

// matcher finds the best shift of two lists; it keeps its memory for the next lists.
// Shifts lie in a grid of cells of meetPx, with a border of one cell.
type matcher struct {
	reach        [2]float64
	shifts       []shift
	nx, ny       int
	first        []int // of a cell, −1 for none
	next         []int // of a shift, likewise
	usedA, usedB []int
}

func newMatcher(reach [2]int) *matcher {
	k := &matcher{reach: [2]float64{float64(reach[0]), float64(reach[1])}}
	k.nx, k.ny = int(2*k.reach[0]/meetPx)+3, int(2*k.reach[1]/meetPx)+3
	k.first = make([]int, k.nx*k.ny)
	for i := range k.first {
		k.first[i] = -1
	}
	return k
}

func (k *matcher) cell(s shift) int {
	return (int((s.dy+k.reach[1])/meetPx)+1)*k.nx + int((s.dx+k.reach[0])/meetPx) + 1
}

// best returns the shift that has the most spots of both lists within meetPx of it,
// each counted once, among the differences of all pairs.
func (k *matcher) best(a, b []located) (at [2]float64, common int) {
	k.shifts, k.next = k.shifts[:0], k.next[:0]
	k.usedA, k.usedB = make([]int, len(a)), make([]int, len(b))
	for i, p := range a {
		for j, q := range b {
			s := shift{i, j, p.x - q.x, p.y - q.y}
			if math.Abs(s.dx) > k.reach[0] || math.Abs(s.dy) > k.reach[1] {
				continue
			}
			c := k.cell(s)
			k.next = append(k.next, k.first[c])
			k.first[c] = len(k.shifts)
			k.shifts = append(k.shifts, s)
		}
	}
	for i, s := range k.shifts {
		na, nb := 0, 0
		c := k.cell(s)
		for _, row := range [...]int{c - k.nx, c, c + k.nx} {
			for q := row - 1; q <= row+1; q++ {
				for j := k.first[q]; j >= 0; j = k.next[j] {
					o := k.shifts[j]
					if dx, dy := o.dx-s.dx, o.dy-s.dy; dx*dx+dy*dy > meetPx*meetPx {
						continue
					}
					if k.usedA[o.a] != i+1 {
						k.usedA[o.a] = i + 1
						na++
					}
					if k.usedB[o.b] != i+1 {
						k.usedB[o.b] = i + 1
						nb++
					}
				}
			}
		}
		if n := min(na, nb); n > common {
			common, at = n, [2]float64{s.dx, s.dy}
		}
	}
	for _, s := range k.shifts {
		k.first[k.cell(s)] = -1
	}
	return at, common
}

// refine sets the offset to the weighted mean of the pairs that meet near at, and its
// uncertainty from that of the places, not below what their scatter shows.
func (m *match) refine(a, b []located, at [2]float64) {
	for range 5 {
		var weight, mean, square [2]float64
		n := 0.0
		for _, q := range b {
			near, best := -1, meetPx
			for i, p := range a {
				if d := math.Hypot(p.x-q.x-at[0], p.y-q.y-at[1]); d <= best {
					near, best = i, d
				}
			}
			if near < 0 {
				continue
			}
			n++
			p := a[near]
			for i, v := range [2][2]float64{{p.x - q.x, math.Hypot(p.sx, q.sx)}, {p.y - q.y, math.Hypot(p.sy, q.sy)}} {
				w := 1 / (v[1] * v[1])
				weight[i] += w
				d := v[0] - mean[i]
				mean[i] += d * w / weight[i]
				square[i] += w * d * (v[0] - mean[i])
			}
		}
		if n == 0 {
			return
		}
		at, m.at = mean, mean
		for i := range m.sigma {
			scatter := 1.0
			if n > 1 {
				scatter = math.Max(1, square[i]/(n-1))
			}
			m.sigma[i] = math.Sqrt(scatter / weight[i])
		}
	}
}
