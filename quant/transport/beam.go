package transport

import "math"

// A rastered beam sends more than their share of the electrons towards a small
// particle, where each counts less: aimed of them into a square of aimedWidth
// diameters around it, the rest in equal parts into squares aimedStep times
// larger and larger, the last of which is the pixel. Chosen for small errors;
// any values give the same expectation.
const (
	aimed      = 0.5
	aimedWidth = 1.2
	aimedStep  = 3
)

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
	if c.Beam.ProbeM > 0 {
		// Box & Muller 1958; FWHM = 2 √(2 ln 2) σ.
		sigma := c.Beam.ProbeM * 1e9 / (2 * math.Sqrt(2*math.Ln2))
		r := sigma * math.Sqrt(-2*math.Log(uniform(t.streams[aimStream].Uint64())))
		sin, cos := math.Sincos(2 * math.Pi * uniform(t.streams[aimStream].Uint64()))
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

// raster returns a place within the pixel and sets the weight.
func (t *tracker) raster(x, y, side float64) (float64, float64) {
	px := x + (uniform(t.streams[aimStream].Uint64())-0.5)*side
	py := y + (uniform(t.streams[aimStream].Uint64())-0.5)*side
	if t.squares == nil {
		return px, py
	}
	n := len(t.squares)
	k := 0
	if v := uniform(t.streams[aimStream].Uint64()); v >= aimed {
		k = 1 + int((v-aimed)/(1-aimed)*float64(n))
	}
	if k < n {
		px = (2*uniform(t.streams[aimStream].Uint64()) - 1) * t.squares[k]
		py = (2*uniform(t.streams[aimStream].Uint64()) - 1) * t.squares[k]
	}
	// The density of starts at this place relative to a uniform one.
	far := math.Max(math.Abs(px), math.Abs(py))
	density := (1 - aimed) / float64(n)
	for k, half := range t.squares {
		if far <= half {
			share := (1 - aimed) / float64(n)
			if k == 0 {
				share = aimed
			}
			density += share * side * side / (4 * half * half)
		}
	}
	t.weight = 1 / density
	return px, py
}

// aim returns half the sides of the squares within the pixel into which electrons
// are sent, nil where the pixel is hardly larger than the particle.
func (s *simulation) aim() []float64 {
	side := s.Beam.PixelM * 1e9
	if s.Particle == nil || side == 0 {
		return nil
	}
	off := math.Max(math.Abs(s.Beam.XM), math.Abs(s.Beam.YM)) * 1e9
	var out []float64
	for half := math.Sqrt(s.specimen.rr2) * aimedWidth; half*1.5 < side/2 && half+off <= side/2; half *= aimedStep {
		out = append(out, half)
	}
	return out
}
