package figure

import (
	"math"
	"slices"
)

// shifts are the parts of a label that may lie left of its mark, in order of
// preference.
var shifts = [...]float64{0.5, 0.4, 0.6, 0.3, 0.7, 0.2, 0.8, 0.1, 0.9, 0, 1}

// slot is the place of the label of one mark of a spectrum: its row counted
// upwards from the axis and the left end of its box. Dropped labels have ok
// false.
type slot struct {
	row  int
	left float64
	ok   bool
}

// placeRows places labels of the given widths in rows above an axis from low to
// high. A label touches the upright line through its mark, which runs from the
// axis up to the label; it may stand centred on it or to either side.
// No two boxes come closer than space, and no line crosses a foreign box. Marks
// are served in the order given; what finds no place is dropped.
func placeRows(at, width []float64, low, high float64, rows int, space float64) []slot {
	type interval struct{ x0, x1 float64 }
	boxes := make([][]interval, rows) // taken by labels
	lines := make([][]float64, rows)  // crossed by lines
	slots := make([]slot, len(at))
	free := func(row int, b interval) bool {
		if b.x0 < low || b.x1 > high {
			return false
		}
		for _, o := range boxes[row] {
			if b.x0 < o.x1+space && o.x0 < b.x1+space {
				return false
			}
		}
		for _, x := range lines[row] {
			if x > b.x0-space/2 && x < b.x1+space/2 {
				return false
			}
		}
		return true
	}
	crosses := func(row int, x float64) bool {
		for r := range row {
			for _, o := range boxes[r] {
				if x > o.x0-space/2 && x < o.x1+space/2 {
					return true
				}
			}
		}
		return false
	}
	placed := make([]bool, len(at))
	for i, x := range at {
		placed[i] = true
		least := math.Inf(1)
		for row := range rows {
			if crosses(row, x) {
				break
			}
			for k, shift := range shifts {
				b := interval{x - shift*width[i], x + (1-shift)*width[i]}
				if !free(row, b) {
					continue
				}
				// A box above a mark still to come leaves it only the rows below.
				cost := 0.1*float64(row) + 0.005*float64(k)
				for j, other := range at {
					if !placed[j] && other > b.x0-space/2 && other < b.x1+space/2 {
						cost += 1 / float64(1+row)
					}
				}
				if cost < least {
					least, slots[i] = cost, slot{row, b.x0, true}
				}
			}
		}
		if s := slots[i]; s.ok {
			boxes[s.row] = append(boxes[s.row], interval{s.left, s.left + width[i]})
			for r := range s.row {
				lines[r] = append(lines[r], x)
			}
		}
	}
	return slots
}

// spread moves points apart so that neighbours keep at least the given step
// within low and high, with the least sum of squared shifts. at must be rising;
// it returns nil if they do not fit.
//
// With y_i = x_i - i·step the task is isotonic regression, solved by pooling
// adjacent violators (Ayer et al. 1955, Annals of Mathematical Statistics 26,
// 641); cutting the solution to bounds keeps it optimal.
func spread(at []float64, step, low, high float64) []float64 {
	n := len(at)
	if n == 0 {
		return nil
	}
	top := high - float64(n-1)*step
	if top < low {
		return nil
	}
	type block struct {
		sum float64
		n   int
	}
	var blocks []block
	for i, x := range at {
		blocks = append(blocks, block{x - float64(i)*step, 1})
		for k := len(blocks) - 1; k > 0; k-- {
			a, b := blocks[k-1], blocks[k]
			if a.sum/float64(a.n) <= b.sum/float64(b.n) {
				break
			}
			blocks = append(blocks[:k-1], block{a.sum + b.sum, a.n + b.n})
		}
	}
	out := make([]float64, 0, n)
	for _, b := range blocks {
		y := math.Min(top, math.Max(low, b.sum/float64(b.n)))
		for range b.n {
			out = append(out, y+float64(len(out))*step)
		}
	}
	return out
}

// ring is the outline of a spot on the page and the size of its number.
type ring struct {
	at            point
	r             float64
	reach         float64 // distance from the middle that numbers keep
	width, height float64 // of the number; zero width asks for none
}

// placedNumber is the place of the number of a ring; ok is false if there was
// no room.
type placedNumber struct {
	box  box
	line []point // from the ring to a number that stands apart, else nil
	ok   bool
}

// placeNumbers finds a place for the number of each ring inside bounds. Numbers
// cover neither each other nor a ring nor the line of another number. Rings are
// served in the order given.
func placeNumbers(rings []ring, bounds box) []placedNumber {
	ringsAt, boxesAt, linesAt := grid{}, grid{}, grid{}
	for i, r := range rings {
		ringsAt.add(box{r.at.x - r.reach, r.at.y - r.reach, r.at.x + r.reach, r.at.y + r.reach}, i)
	}
	out := make([]placedNumber, len(rings))
	free := func(i int, n placedNumber) bool {
		if !n.box.inside(bounds) ||
			boxesAt.any(n.box, func(j int) bool { return n.box.overlaps(out[j].box) }) ||
			linesAt.any(n.box, func(j int) bool { return crossesBox(out[j].line, n.box) }) ||
			ringsAt.any(n.box, func(j int) bool { return j != i && n.box.near(rings[j].at) < rings[j].reach }) {
			return false
		}
		if n.line == nil {
			return true
		}
		along := boundsOf(n.line)
		return !boxesAt.any(along, func(j int) bool { return crossesBox(n.line, out[j].box) }) &&
			!ringsAt.any(along, func(j int) bool { return j != i && distanceToLine(rings[j].at, n.line) < rings[j].reach })
	}
	for i, r := range rings {
		if !(r.width > 0) {
			continue
		}
	search:
		for d, far := range []float64{0.8, 6, 12} {
			for _, k := range []int{0, 1, 7, 2, 4, 3, 6, 5} { // right of the ring first
				s, c := math.Sincos(float64(k) * math.Pi / 4)
				x := r.at.x + (r.reach+far)*c + (c-1)/2*r.width
				y := r.at.y + (r.reach+far)*s + (s-1)/2*r.height
				n := placedNumber{box: box{x, y, x + r.width, y + r.height}, ok: true}
				if d > 0 {
					n.line = []point{{r.at.x + r.reach*c, r.at.y + r.reach*s}, {r.at.x + (r.reach+far)*c, r.at.y + (r.reach+far)*s}}
				}
				if free(i, n) {
					out[i] = n
					boxesAt.add(n.box, i)
					if n.line != nil {
						linesAt.add(boundsOf(n.line), i)
					}
					break search
				}
			}
		}
	}
	return out
}

// grid finds what lies near a box.
type grid map[[2]int][]int

const gridCell = 12.0 // points: a few numbers per cell

func (g grid) cells(b box, visit func(cell [2]int) bool) {
	for y := int(math.Floor(b.y0 / gridCell)); y <= int(math.Floor(b.y1/gridCell)); y++ {
		for x := int(math.Floor(b.x0 / gridCell)); x <= int(math.Floor(b.x1/gridCell)); x++ {
			if !visit([2]int{x, y}) {
				return
			}
		}
	}
}

func (g grid) add(b box, i int) {
	g.cells(b, func(c [2]int) bool { g[c] = append(g[c], i); return true })
}

func (g grid) any(b box, is func(i int) bool) bool {
	found := false
	g.cells(b, func(c [2]int) bool {
		found = slices.ContainsFunc(g[c], is)
		return !found
	})
	return found
}

// near returns the distance of q from the box, 0 inside.
func (b box) near(q point) float64 {
	return math.Hypot(math.Max(0, math.Max(b.x0-q.x, q.x-b.x1)), math.Max(0, math.Max(b.y0-q.y, q.y-b.y1)))
}

func boundsOf(l []point) box {
	b := box{l[0].x, l[0].y, l[0].x, l[0].y}
	for _, q := range l[1:] {
		b = box{math.Min(b.x0, q.x), math.Min(b.y0, q.y), math.Max(b.x1, q.x), math.Max(b.y1, q.y)}
	}
	return b
}

// crossesBox reports whether the straight line of two points meets the box
// (clipping of Liang and Barsky 1984, from memory).
func crossesBox(l []point, b box) bool {
	t0, t1 := 0.0, 1.0
	clip := func(d, low, high float64) bool {
		if d == 0 {
			return low < 0 && high > 0
		}
		a, c := low/d, high/d
		t0, t1 = math.Max(t0, math.Min(a, c)), math.Min(t1, math.Max(a, c))
		return t0 < t1
	}
	return len(l) == 2 &&
		clip(l[1].x-l[0].x, b.x0-l[0].x, b.x1-l[0].x) &&
		clip(l[1].y-l[0].y, b.y0-l[0].y, b.y1-l[0].y)
}

// distanceToLine returns the distance of q from the line between two points.
func distanceToLine(q point, l []point) float64 {
	dx, dy := l[1].x-l[0].x, l[1].y-l[0].y
	t := 0.0
	if n := dx*dx + dy*dy; n > 0 {
		t = math.Min(1, math.Max(0, ((q.x-l[0].x)*dx+(q.y-l[0].y)*dy)/n))
	}
	return math.Hypot(q.x-l[0].x-t*dx, q.y-l[0].y-t*dy)
}
