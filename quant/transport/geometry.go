package transport

import "math"

// Places that are no body.
const (
	vacuum  = -1
	beneath = -2 // below a free-standing foil
	nobody  = -3 // index of a body that the specimen has not
)

// nudgeNM is how far a step goes beyond a boundary, so that it ends on the
// other side: far above rounding at 1e7 nm, far below anything physical.
const nudgeNM = 1e-5

type vector struct{ x, y, z float64 }

// specimen is the geometry: planar bodies from the top, then the coating over
// them and the particle, if there are any.
type specimen struct {
	bodies []*body
	planar int
	tops   []float64 // z of the top of each planar body, and of the bottom of the last

	coat      int // index of the coating over everything, nobody without
	coatNM    float64
	particle  int // index, nobody without
	truncated bool
	sunken    bool // pressed in, below z = 0
	cz        float64
	r2, rr2   float64 // radius of the particle, and with its coating, squared

	beam     vector // direction of flight
	detector vector // towards the detector
	csc      float64
}

// place returns the body at a point.
func (s *specimen) place(p vector) int {
	d2 := math.Inf(1)
	if s.particle >= 0 {
		h := p.z - s.cz
		d2 = p.x*p.x + p.y*p.y + h*h
		if d2 < s.r2 && (p.z < 0 || !s.truncated) {
			return s.particle
		}
	}
	if p.z >= 0 {
		for i := range s.planar {
			if p.z < s.tops[i+1] {
				return i
			}
		}
		return beneath
	}
	if s.coat >= 0 && (p.z >= -s.coatNM || d2 < s.rr2) {
		return s.coat
	}
	return vacuum
}

// sphere returns the distance along u from p to the sphere of squared radius r2
// around the particle's centre, +Inf if it is not met.
func (s *specimen) sphere(p, u vector, r2 float64) float64 {
	h := p.z - s.cz
	b := p.x*u.x + p.y*u.y + h*u.z
	c := p.x*p.x + p.y*p.y + h*h - r2
	if c > 0 && b >= 0 {
		return math.Inf(1)
	}
	disc := b*b - c
	if disc < 0 {
		return math.Inf(1)
	}
	root := math.Sqrt(disc)
	if c > 0 {
		return -b - root
	}
	return root - b
}

// plane returns the distance along u from height z to the plane at height at,
// +Inf if it is not met.
func plane(z, uz, at float64) float64 {
	d := (at - z) / uz
	if d > 0 {
		return d
	}
	return math.Inf(1) // behind, or along the plane
}

// boundary returns the distance along u to the next surface that may bound body
// at.
func (s *specimen) boundary(at int, p, u vector) float64 {
	switch at {
	case s.particle:
		d := s.sphere(p, u, s.r2)
		if s.truncated {
			d = math.Min(d, plane(p.z, u.z, 0))
		}
		return d
	case vacuum, s.coat:
		d := math.Min(plane(p.z, u.z, 0), plane(p.z, u.z, -s.coatNM))
		if s.particle >= 0 {
			d = math.Min(d, s.sphere(p, u, s.r2))
			if s.coat >= 0 {
				d = math.Min(d, s.sphere(p, u, s.rr2))
			}
		}
		return d
	}
	d := math.Min(plane(p.z, u.z, s.tops[at]), plane(p.z, u.z, s.tops[at+1]))
	if s.sunken {
		d = math.Min(d, s.sphere(p, u, s.r2))
	}
	return d
}

// clearance returns a distance within which a point of planar body at certainly
// stays in it.
func (s *specimen) clearance(at int, p vector) float64 {
	d := math.Min(p.z-s.tops[at], s.tops[at+1]-p.z)
	if s.sunken {
		h := p.z - s.cz
		d = math.Min(d, math.Sqrt(p.x*p.x+p.y*p.y+h*h)-math.Sqrt(s.r2))
	}
	return d
}

// fly carries an electron through vacuum to the next body. It returns vacuum or
// beneath if it is gone.
func (s *specimen) fly(p *vector, u vector) int {
	for range 8 { // at most: coating, particle, coating, surface
		d := s.boundary(vacuum, *p, u)
		if math.IsInf(d, 1) {
			return vacuum
		}
		d += nudgeNM
		p.x += d * u.x
		p.y += d * u.y
		p.z += d * u.z
		if at := s.place(*p); at != vacuum {
			return at
		}
	}
	return vacuum
}

// span is an interval along the ray to the detector.
type span struct{ from, to float64 }

func (a span) length() float64 { return math.Max(0, a.to-a.from) }

func (a span) and(b span) span {
	return span{math.Max(a.from, b.from), math.Min(a.to, b.to)}
}

// chord returns the part of the ray to the detector within a sphere around the
// particle's centre.
func (s *specimen) chord(p vector, r2 float64) span {
	u := s.detector
	h := p.z - s.cz
	b := p.x*u.x + p.y*u.y + h*u.z
	c := p.x*p.x + p.y*p.y + h*h - r2
	disc := b*b - c
	if disc <= 0 || c > 0 && b >= 0 {
		return span{}
	}
	root := math.Sqrt(disc)
	return span{math.Max(0, -b-root), root - b}
}

// ways writes the lengths of the ray from p to the detector within each body to
// dst, nm.
func (s *specimen) ways(dst []float64, p vector) {
	for i := range dst {
		dst[i] = 0
	}
	up := p.z * s.csc // where the ray passes z = 0
	var ball span
	if s.particle >= 0 {
		ball = s.chord(p, s.r2)
		if s.truncated {
			ball = ball.and(span{up, math.Inf(1)})
		}
		dst[s.particle] = ball.length()
	}
	for i := range s.planar {
		slab := span{math.Max(0, (p.z-s.tops[i+1])*s.csc), math.Max(0, (p.z-s.tops[i])*s.csc)}
		dst[i] = slab.length()
		if s.sunken {
			dst[i] -= slab.and(ball).length()
		}
	}
	if s.coat < 0 {
		return
	}
	above := span{math.Max(0, up), math.Inf(1)}
	slab := span{above.from, (p.z + s.coatNM) * s.csc}
	var shell span
	if s.particle >= 0 {
		shell = s.chord(p, s.rr2).and(above)
	}
	union := slab.length() + shell.length() - slab.and(shell).length()
	// The ball lies within the shell, so that what it takes from the union is
	// its own part above the surface.
	dst[s.coat] = math.Max(0, union-ball.and(above).length())
}

// plain reports whether the ray from a point of a planar body passes the particle
// and its coating by.
func (s *specimen) plain(p vector) bool {
	if s.particle < 0 {
		return true
	}
	u := s.detector
	h := p.z - s.cz
	b := p.x*u.x + p.y*u.y + h*u.z
	c := p.x*p.x + p.y*p.y + h*h - s.rr2
	return c > 0 && (b >= 0 || b*b <= c)
}
