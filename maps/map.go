// Package maps holds the nouns of a mapped field: a Map of one quantity, a
// Stack of maps with uncertainty and status, a Mask, a Field, a Spot.
//
// Loops in this room run over pixels. Pixels are indexed [y][x], y down, x to
// the right, stored row by row. Lengths on the specimen are maps.Length
// (metres); NaN in a map means "no value here" and nothing else. A Map knows
// nothing of colours.
package maps

import (
	"fmt"
	"math"
)

// Length is a length on the specimen in metres.
type Length float64

// Units of Length.
const (
	Metre      Length = 1
	Millimetre Length = 1e-3
	Micrometre Length = 1e-6
	Nanometre  Length = 1e-9
)

// Um returns l in micrometres.
func (l Length) Um() float64 { return float64(l) * 1e6 }

// Nm returns l in nanometres.
func (l Length) Nm() float64 { return float64(l) * 1e9 }

// Pixel is the size of one pixel on the specimen. Zero means "unknown".
type Pixel struct {
	X, Y Length
}

// Known reports whether both sides are stated.
func (p Pixel) Known() bool { return p.X > 0 && p.Y > 0 }

// AreaUm2 returns the area of the pixel in µm², NaN when it is unknown.
func (p Pixel) AreaUm2() float64 {
	if !p.Known() {
		return math.NaN()
	}
	return p.X.Um() * p.Y.Um()
}

// Map is one quantity over a field of W × H pixels.
type Map struct {
	W, H  int
	V     []float64 // len W·H, row by row; NaN = no value
	What  string    // what is mapped, e.g. "Ti K net counts"
	Unit  string    // e.g. "counts"
	Pixel Pixel
}

// New returns a map of zeros. It panics if w or h is negative.
func New(w, h int) Map { return Map{W: w, H: h, V: make([]float64, w*h)} }

// At returns the value of pixel (x, y).
func (m Map) At(x, y int) float64 { return m.V[y*m.W+x] }

// Set sets the value of pixel (x, y).
func (m Map) Set(x, y int, v float64) { m.V[y*m.W+x] = v }

// Check reports a map whose shape and data disagree.
func (m Map) Check() error {
	if m.W <= 0 || m.H <= 0 || len(m.V) != m.W*m.H {
		return fmt.Errorf("maps: %q is %d × %d pixels with %d values", m.What, m.W, m.H, len(m.V))
	}
	return nil
}

// Scale is the range of values that a display covers.
type Scale struct {
	Low, High float64
}

// Range returns the smallest and largest finite value; ok is false when there
// is none.
func (m Map) Range() (s Scale, ok bool) {
	s = Scale{math.Inf(1), math.Inf(-1)}
	for _, v := range m.V {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			continue
		}
		s.Low, s.High = math.Min(s.Low, v), math.Max(s.High, v)
	}
	return s, s.Low <= s.High
}

// Stats are sums over the finite values of a map.
type Stats struct {
	N                   int
	Min, Max, Mean, Sum float64
}

// Stats returns the statistics of the finite values; N = 0 leaves NaN.
func (m Map) Stats() Stats {
	st := Stats{Min: math.NaN(), Max: math.NaN(), Mean: math.NaN()}
	r, ok := m.Range()
	if !ok {
		return st
	}
	for _, v := range m.V {
		if !math.IsNaN(v) && !math.IsInf(v, 0) {
			st.N++
			st.Sum += v
		}
	}
	st.Min, st.Max, st.Mean = r.Low, r.High, st.Sum/float64(st.N)
	return st
}

// Status says what became of one pixel's fit.
type Status uint8

// Values of Status.
const (
	OK           Status = iota // converged
	Empty                      // no counts in the fitted range
	NotConverged               // best value reached, not the optimum
	Failed                     // no value; NaN stands in the map
)

func (s Status) String() string {
	switch s {
	case OK:
		return "ok"
	case Empty:
		return "empty"
	case NotConverged:
		return "not converged"
	case Failed:
		return "failed"
	}
	return fmt.Sprintf("status %d", uint8(s))
}

// Stack is one quantity with its standard uncertainty and the status of every
// pixel.
type Stack struct {
	Value, Sigma Map
	Status       []Status // len W·H
}

// Mask marks pixels, row by row.
type Mask struct {
	W, H int
	In   []bool
}

// NewMask returns an empty mask.
func NewMask(w, h int) Mask { return Mask{W: w, H: h, In: make([]bool, w*h)} }

// Count returns the number of marked pixels.
func (m Mask) Count() int {
	n := 0
	for _, in := range m.In {
		if in {
			n++
		}
	}
	return n
}

// Role is the part a field plays in a study.
type Role string

// Roles of fields.
const (
	Treated         Role = "treated"
	Untreated       Role = "untreated" // blank
	VehicleOnly     Role = "vehicle_only"
	PositiveControl Role = "positive_control"
	InstrumentBlank Role = "instrument_blank"
)

// Field names one mapped area: the field itself, the coupon it lies on and its
// role. Fields are nested in coupons; the coupon is the replicate.
type Field struct {
	Name   string
	Coupon string
	Role   Role
}
