package plan

import (
	"fmt"
	"math"

	"example.org/fleck/quant"
	"example.org/fleck/quant/transport"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

// Coating is a conductive layer and where it lies relative to the particles. The
// zero value is no coating.
type Coating struct {
	Layer xray.Material // with a thickness
	Order transport.Order
}

// None reports whether there is no coating.
func (c Coating) None() bool { return len(c.Layer.Components) == 0 }

// String returns the layer and its order, "none" without one.
func (c Coating) String() string {
	if c.None() {
		return "none"
	}
	return c.Layer.String() + " " + c.Order.String()
}

// Store keeps results of simulations between runs. Keys are short and safe as
// file names. Get returns false for what is not there; Put may drop what it gets.
// Both may be called by one goroutine at a time only.
type Store interface {
	Get(key string) ([]byte, bool)
	Put(key string, value []byte)
}

// Request is what to plan for. Target and every substrate need a density.
type Request struct {
	Target     xray.Material
	Substrates []xray.Material // at least one
	Coatings   []Coating       // alternatives; nil = none
	Confusers  []xray.Material // other compounds that a spot may be
	Diameters  []float64       // of the particles, m; nil = 100 nm, 300 nm and 1 µm
	Beams      []xray.Energy   // nil = 5, 10, 15 and 20 keV
	TakeOff    xray.Angle      // 0 = 35°
	// PixelM is the side of the pixel that a rastered beam covers, the particle in
	// it; 0 is a beam that stands on the middle of the particle, as for a point
	// spectrum.
	PixelM float64
	// PitchM is the distance between points of a stationary beam; 0 = not a map. It
	// is used for advice only, together with PixelM = 0.
	PitchM float64
	// ProbeM is the diameter of the beam, full width at half maximum.
	ProbeM    float64
	CurrentNA float64 // 0 = 1 nA; sets pile-up and the time
	// DoseNAs is the dose per pixel or point that is available; 0 = DefaultDose.
	DoseNAs  float64
	Detector spectra.Detector
	// Alpha is the probability of a false alarm per pixel, 0 = 5e-7, which is 5 % for
	// a field of 100 000 pixels; Beta that of missing the particle, 0 = 0.05.
	Alpha, Beta float64
	// Systematic is the standard uncertainty of the background that no dose
	// takes away, as a share of it; 0 = 0.02 for the continuum and three times that
	// for lines (common practice, no source).
	Systematic   float64
	Trajectories int // per simulation; 0 = 3000
	Seed         uint64
	Workers      int
	Store        Store // nil = none
	Progress     func(done, total int)
}

// Defaults and limits.
const (
	DefaultDose = 100.0 // nA·s per pixel: 20 s at 5 nA; common practice, no source
	WindowFWHM  = 1.2   // width of the window of a family in units of the resolution

	defaultAlpha        = 5e-7
	defaultBeta         = 0.05
	defaultSystematic   = 0.02
	defaultTrajectories = 3000
	maxCases            = 1000
	largestDiameter     = 1e-4 // m
)

// withDefaults returns the request with its defaults, or says what is wrong.
func (r Request) withDefaults() (Request, error) {
	if len(r.Target.Components) == 0 {
		return r, fmt.Errorf("plan: no target compound")
	}
	if err := r.Target.RequireDensity(); err != nil {
		return r, fmt.Errorf("plan: target: %w", err)
	}
	if len(r.Substrates) == 0 {
		return r, fmt.Errorf("plan: no substrate")
	}
	for _, m := range r.Substrates {
		if len(m.Components) == 0 {
			return r, fmt.Errorf("plan: a substrate has no composition")
		}
		if err := m.RequireDensity(); err != nil {
			return r, fmt.Errorf("plan: substrate: %w", err)
		}
	}
	for _, c := range r.Coatings {
		if c.None() {
			continue
		}
		if !(c.Layer.MassDepth > 0) {
			return r, fmt.Errorf("plan: coating %s has no thickness; for example \"C:2.0g/cm3:8nm\"", c.Layer.Name)
		}
		if c.Order == transport.NoOrder || c.Order > transport.Both {
			return r, fmt.Errorf("plan: coating %s without an order; under, over or both are accepted (relative to the particles)", c.Layer.Name)
		}
	}
	for _, m := range r.Confusers {
		if len(m.Components) == 0 {
			return r, fmt.Errorf("plan: a confuser has no composition")
		}
	}
	if len(r.Coatings) == 0 {
		r.Coatings = []Coating{{}}
	}
	if len(r.Diameters) == 0 {
		r.Diameters = []float64{100e-9, 300e-9, 1e-6}
	}
	if len(r.Beams) == 0 {
		r.Beams = []xray.Energy{5 * xray.KeV, 10 * xray.KeV, 15 * xray.KeV, 20 * xray.KeV}
	}
	if r.TakeOff == 0 {
		r.TakeOff = 35 * xray.Degree
	}
	for _, e := range r.Beams {
		if err := (quant.Geometry{BeamEnergy: e, TakeOff: r.TakeOff}).Validate(); err != nil {
			return r, fmt.Errorf("plan: %w", err)
		}
		if e < xray.KeV {
			return r, fmt.Errorf("plan: beam energy %g keV; at least 1 keV is accepted", e.KeV())
		}
	}
	for _, d := range r.Diameters {
		if !(d > 0 && d <= largestDiameter) {
			return r, fmt.Errorf("plan: particle diameter %g nm; above 0 and at most 100000 nm is accepted", d*1e9)
		}
		const rounding = 1e-9 // of nm and µm into m
		if r.PixelM > 0 && d > r.PixelM*(1+rounding) {
			return r, fmt.Errorf("plan: particle diameter %.6g nm is larger than the pixel of %.6g nm; particles must fit into the pixel; without a pixel the beam stands on the middle of the particle", d*1e9, r.PixelM*1e9)
		}
	}
	for _, v := range []struct {
		name string
		v    float64
	}{{"pixel", r.PixelM}, {"pitch", r.PitchM}, {"probe diameter", r.ProbeM}, {"current", r.CurrentNA}, {"dose", r.DoseNAs}, {"systematic share", r.Systematic}} {
		if !(v.v >= 0) || math.IsInf(v.v, 0) {
			return r, fmt.Errorf("plan: %s %g; a finite number not below 0 is accepted", v.name, v.v)
		}
	}
	r.CurrentNA = orDefault(r.CurrentNA, 1)
	r.DoseNAs = orDefault(r.DoseNAs, DefaultDose)
	r.Alpha = orDefault(r.Alpha, defaultAlpha)
	r.Beta = orDefault(r.Beta, defaultBeta)
	r.Systematic = orDefault(r.Systematic, defaultSystematic)
	if !(r.Alpha > 0 && r.Alpha < 0.5) || !(r.Beta > 0 && r.Beta < 0.5) {
		return r, fmt.Errorf("plan: error rates %g and %g; above 0 and below 0.5 are accepted", r.Alpha, r.Beta)
	}
	if r.Trajectories < 0 {
		return r, fmt.Errorf("plan: %d trajectories; 0 (for %d) or more are accepted", r.Trajectories, defaultTrajectories)
	}
	if r.Trajectories == 0 {
		r.Trajectories = defaultTrajectories
	}
	if n := len(r.Substrates) * len(r.Coatings) * len(r.Beams) * len(r.Diameters); n > maxCases {
		return r, fmt.Errorf("plan: %d cases; at most %d are accepted", n, maxCases)
	}
	r.Detector = r.Detector.WithDefaults()
	return r, nil
}

func orDefault(v, or float64) float64 {
	if v == 0 {
		return or
	}
	return v
}
