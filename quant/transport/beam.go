package transport

import "math"

// A rastered beam sends more than their share of the electrons to where they meet
// a small particle, each counting less: the share aimed into a disc as large as the
// particle, the share returning, in Excesses, to places from which the electron
// comes back to the particle, and the rest in equal parts into squares
// aimedStep times larger and larger, the last of which is the pixel. Chosen for
// small errors; any values give the same expectation.
const (
	aimed     = 0.5
	returning = 0.2
	aimedStep = 3
)

// exit is how a trajectory left the specimen; in a bare one relative to where the beam
// met it.
type exit struct {
	left bool
	at   vector
	u    vector
}

// start returns the point in vacuum from which an electron flies, and sets its
// weight and the axis of the beam.
func (t *tracker) start() vector {
	c := &t.Config
	s := &t.specimen
	t.weight = 1
	x, y := c.Beam.XM*1e9, c.Beam.YM*1e9
	height := 0.0
	if c.Particle != nil {
		height = s.cz
	}
	cx, cy := x, y
	if side := c.Beam.PixelM * 1e9; side > 0 {
		x, y = t.raster(x, y, side)
	}
	t.radius = math.Hypot(x-cx, y-cy)
	if c.Beam.ProbeM > 0 {
		// Box & Muller 1958; FWHM = 2 √(2 ln 2) σ.
		sigma := c.Beam.ProbeM * 1e9 / (2 * math.Sqrt(2*math.Ln2))
		r := sigma * math.Sqrt(-2*math.Log(t.chanceOfAim()))
		sin, cos := math.Sincos(2 * math.Pi * t.chanceOfAim())
		x += r * cos
		y += r * sin
	}
	u := s.beam
	slope := u.x / u.z
	t.axis = vector{cx - height*slope, cy, 0}
	// Above everything.
	top := -s.coatNM - 1
	if c.Particle != nil {
		top = math.Min(top, s.cz-math.Sqrt(s.rr2)-1)
	}
	return vector{x + (top-height)*slope, y, top}
}

func (t *tracker) chanceOfAim() float64 { return uniform(t.streams[aimStream].Uint64()) }

// raster returns a place within the pixel and sets the weight.
func (t *tracker) raster(x, y, side float64) (float64, float64) {
	if t.squares == nil {
		return x + (t.chanceOfAim()-0.5)*side, y + (t.chanceOfAim()-0.5)*side
	}
	back := t.ellipse()
	pick, a, b := t.chanceOfAim(), t.chanceOfAim(), t.chanceOfAim()
	n := float64(len(t.squares))
	rest := 1 - aimed
	if back.area > 0 {
		rest -= returning
	}
	var px, py float64
	switch {
	case pick < aimed:
		sin, cos := math.Sincos(2 * math.Pi * a)
		r := math.Sqrt(b * t.specimen.rr2)
		px, py = r*cos, r*sin
	case pick < aimed+rest:
		k := min(int((pick-aimed)/rest*n), len(t.squares)-1)
		px, py = (2*a-1)*t.squares[k], (2*b-1)*t.squares[k]
		if k == len(t.squares)-1 {
			px, py = px+x, py+y
		}
	default:
		px, py = back.draw(a, b)
	}
	// The density of starts at this place, times the area of the pixel.
	if math.Abs(px-x) > side/2 || math.Abs(py-y) > side/2 {
		t.weight = 0 // came back from beyond the pixel
		return px, py
	}
	density := rest / n // the pixel itself
	far := math.Max(math.Abs(px), math.Abs(py))
	for _, half := range t.squares[:len(t.squares)-1] {
		if far <= half {
			density += rest / n * side * side / (4 * half * half)
		}
	}
	if px*px+py*py <= t.specimen.rr2 {
		density += aimed * side * side / (math.Pi * t.specimen.rr2)
	}
	if back.area > 0 && back.holds(px, py) {
		density += returning * side * side / back.area
	}
	t.weight = 1 / density
	return px, py
}

// aim returns half the sides of the squares into which electrons are sent, the
// last of which is the pixel; nil where the pixel does not hold the particle in
// its middle.
func (s *simulation) aim() []float64 {
	side := s.Beam.PixelM * 1e9
	if s.Particle == nil || side == 0 {
		return nil
	}
	r := math.Sqrt(s.specimen.rr2)
	off := math.Max(math.Abs(s.Beam.XM), math.Abs(s.Beam.YM)) * 1e9
	if r+off > side/2 {
		return nil
	}
	var out []float64
	for half := r * aimedStep; half*1.5 < side/2 && half+off <= side/2; half *= aimedStep {
		out = append(out, half)
	}
	return append(out, side/2)
}

// ellipse is where the beam stands so that the trajectory, on its way out of the
// bare specimen, meets the particle in the middle, in the plane through its centre.
type ellipse struct {
	x, y   float64 // centre
	ux, uy float64 // direction of flight
	uz     float64
	r2     float64
	area   float64 // 0 if there is none
}

func (t *tracker) ellipse() ellipse {
	if !t.bare.left {
		return ellipse{}
	}
	u := t.bare.u
	s := &t.specimen
	// Where the way out passes the height of the centre, relative to where
	// the way in does.
	way := (s.cz - t.bare.at.z) / u.z
	slope := s.beam.x / s.beam.z
	return ellipse{
		x: -(t.bare.at.x + way*u.x - s.cz*slope), y: -(t.bare.at.y + way*u.y),
		ux: u.x, uy: u.y, uz: u.z, r2: s.rr2, area: math.Pi * s.rr2 / math.Abs(u.z),
	}
}

// draw returns an evenly distributed place.
func (e ellipse) draw(a, b float64) (x, y float64) {
	sin, cos := math.Sincos(2 * math.Pi * a)
	r := math.Sqrt(b * e.r2)
	// Along the direction of flight in the plane the ellipse is longer by 1/uz.
	flat := math.Hypot(e.ux, e.uy)
	if flat == 0 {
		return e.x + r*cos, e.y + r*sin
	}
	ax, ay := e.ux/flat, e.uy/flat
	along := r * cos / math.Abs(e.uz)
	return e.x + along*ax - r*sin*ay, e.y + along*ay + r*sin*ax
}

// holds reports whether a place lies within.
func (e ellipse) holds(x, y float64) bool {
	x -= e.x
	y -= e.y
	along := x*e.ux + y*e.uy
	return x*x+y*y-along*along <= e.r2
}
