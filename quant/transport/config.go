package transport

import (
	"fmt"
	"math"

	"example.org/fleck/quant"
	"example.org/fleck/spectra/xray"
)

// Elastic selects the elastic cross section.
type Elastic uint8

const (
	// Browning is the empirical Mott form of Browning, Li, Chui, Ye, Pease,
	// Czyzewski & Joy 1994, J. Appl. Phys. 76:2016, for 0.1 to 30 keV; the default.
	Browning Elastic = iota
	// Rutherford is the screened Rutherford form of Joy 1995; its backscatter of
	// heavy elements is some 15 % too high.
	Rutherford
)

// Cross sections.

// String returns a short name.
func (e Elastic) String() string {
	switch e {
	case Browning:
		return "Browning"
	case Rutherford:
		return "screened Rutherford"
	}
	return fmt.Sprintf("elastic %d", uint8(e))
}

// Order says where the coating lies relative to the particles.
type Order uint8

const (
	NoOrder Order = iota // allowed without a coating only
	Under                // coated before the particles came: below them
	Over                 // coated afterwards: over particle and surface
	Both
)

// Orders of coating.

// ParseOrder reads "under", "over" or "both".
func ParseOrder(s string) (Order, error) {
	for o := Under; o <= Both; o++ {
		if s == o.String() {
			return o, nil
		}
	}
	return NoOrder, fmt.Errorf("transport: coating order %q; under, over or both are accepted (relative to the particles)", s)
}

// String returns "under", "over", "both" or "".
func (o Order) String() string {
	switch o {
	case Under:
		return "under"
	case Over:
		return "over"
	case Both:
		return "both"
	}
	return ""
}

// Particle is a sphere on the surface, or a part of one.
type Particle struct {
	Material  xray.Material // with a density
	DiameterM float64
	// Sunk is the part of the diameter below the surface, 0 to 1; 0 is a sphere
	// that touches it in one point.
	Sunk float64
	// Truncated cuts the sunk part off, as of a droplet that sits on the surface;
	// otherwise the particle is pressed in and displaces what was there.
	Truncated bool
}

// Beam says where electrons enter. Positions are measured in the plane parallel to
// the surface through the centre of the particle, or in the surface without
// a particle.
type Beam struct {
	XM, YM float64 // place of the beam or centre of the pixel
	// ProbeM is the diameter of a Gaussian probe, full width at half maximum; 0
	// is a point.
	ProbeM float64
	// PixelM is the side of a square that the beam covers uniformly; 0 is a
	// stationary beam.
	PixelM float64
}

// Config is one simulation. Materials need a density, layers and coatings a
// thickness.
type Config struct {
	Geometry quant.Geometry // TakeOff 0 = 35°
	Azimuth  xray.Angle     // of the detector, from the x axis
	Beam     Beam
	// Substrate is infinitely thick; the zero Material means none, and the layers
	// are then a free-standing foil.
	Substrate xray.Material
	Layers    []xray.Material // from the top
	Coating   *xray.Material
	Order     Order // required with a coating
	Particle  *Particle
	// Peaks are what is counted; nil = every K, L and M family that the beam excites
	// in the specimen, at most MaxPeaks.
	Peaks []quant.Peak
	// Continuum are the photon energies, rising, at which the continuum is counted
	// as well; nil = none.
	Continuum []xray.Energy
	Elastic   Elastic
	// Cutoff is the energy at which an electron is given up; 0 = 0.5 keV, or the
	// lowest edge of the peaks where that is lower. Below 0.05 keV is refused.
	Cutoff       xray.Energy
	Trajectories int // 0 = 10 000
	Seed         uint64
	Workers      int // 0 = all cores; the result does not depend on it
	// DepthBins > 0 fills Result.Depth and Result.Radial with that many bins.
	DepthBins int
	// DepthMax is the mass depth of the last depth bin in g/cm²; 0 = the range of
	// Kanaya & Okayama 1972 in the substrate, or in the first layer of a foil.
	DepthMax float64
	// RadiusMaxM is the radius of the last radial bin; 0 = that range as a length.
	RadiusMaxM float64
	// Progress, if not nil, is called with finished trajectories, one call at
	// a time.
	Progress func(done, total int)
}

// Limits and defaults of Config.
const (
	BlockSize           = 250 // trajectories per random stream
	MaxPeaks            = 64
	MaxContinuum        = 256 // energies of the continuum
	DefaultTrajectories = 10000

	defaultTakeOff    = 35 * xray.Degree
	defaultCutoff     = 500 * xray.EV
	lowestCutoff      = 50 * xray.EV
	maxTrajectories   = 1 << 40
	maxBins           = 100000
	longestThicknessM = 1e-2 // a thicker layer is a substrate, or a slip of the unit
)

// withDefaults returns the configuration with its defaults filled in, or says what
// is wrong with it.
func (c Config) withDefaults() (Config, error) {
	if c.Geometry.TakeOff == 0 {
		c.Geometry.TakeOff = defaultTakeOff
	}
	if err := c.Geometry.Validate(); err != nil {
		return c, fmt.Errorf("transport: %w", err)
	}
	if c.Geometry.TakeOff.Degrees() > 90-1e-9 {
		c.Geometry.TakeOff = 90 * xray.Degree
	}
	if err := c.checkBodies(); err != nil {
		return c, err
	}
	switch {
	case c.Elastic > Rutherford:
		return c, fmt.Errorf("transport: %v; Browning or Rutherford are accepted", c.Elastic)
	case c.Trajectories < 0 || c.Trajectories > maxTrajectories:
		return c, fmt.Errorf("transport: %d trajectories; a number from 1 to %d is accepted, 0 for %d", c.Trajectories, maxTrajectories, DefaultTrajectories)
	case c.DepthBins < 0 || c.DepthBins > maxBins:
		return c, fmt.Errorf("transport: %d depth bins; 0 to %d are accepted", c.DepthBins, maxBins)
	case c.Workers < 0:
		return c, fmt.Errorf("transport: %d workers; 0 (all cores) or more are accepted", c.Workers)
	}
	for _, v := range []struct {
		name string
		v    float64
	}{{"azimuth", c.Azimuth.Radians()}, {"beam x", c.Beam.XM}, {"beam y", c.Beam.YM}} {
		if math.IsNaN(v.v) || math.IsInf(v.v, 0) {
			return c, fmt.Errorf("transport: %s %g; a finite number is accepted", v.name, v.v)
		}
	}
	for _, v := range []struct {
		name string
		v    float64
	}{{"probe diameter", c.Beam.ProbeM}, {"pixel", c.Beam.PixelM}, {"depth of the last bin", c.DepthMax}, {"radius of the last bin", c.RadiusMaxM}} {
		if !(v.v >= 0) || math.IsInf(v.v, 0) {
			return c, fmt.Errorf("transport: %s %g; a finite number not below 0 is accepted", v.name, v.v)
		}
	}
	if c.Trajectories == 0 {
		c.Trajectories = DefaultTrajectories
	}
	if err := c.choosePeaks(); err != nil {
		return c, err
	}
	if err := c.checkContinuum(); err != nil {
		return c, err
	}
	return c, c.chooseCutoff()
}

// checkBodies reports materials and sizes that cannot be simulated.
func (c *Config) checkBodies() error {
	free := len(c.Substrate.Components) == 0
	if free && len(c.Layers) == 0 {
		return fmt.Errorf("transport: no substrate and no layers; at least one of them is needed")
	}
	if !free {
		if err := checkDense("substrate", c.Substrate); err != nil {
			return err
		}
	}
	for i, l := range c.Layers {
		if err := checkLayer(fmt.Sprintf("layer %d", i+1), l); err != nil {
			return err
		}
	}
	switch {
	case c.Coating == nil && c.Order != NoOrder:
		return fmt.Errorf("transport: coating order %q without a coating", c.Order)
	case c.Coating != nil && (c.Order == NoOrder || c.Order > Both):
		return fmt.Errorf("transport: coating %s without an order; under, over or both are accepted (relative to the particles)", c.Coating.Name)
	case c.Coating != nil:
		if err := checkLayer("coating", *c.Coating); err != nil {
			return err
		}
	}
	p := c.Particle
	if p == nil {
		return nil
	}
	if err := checkDense("particle", p.Material); err != nil {
		return err
	}
	if !(p.DiameterM > 0 && p.DiameterM <= longestThicknessM) {
		return fmt.Errorf("transport: particle diameter %g m; a number above 0 and at most %g is accepted", p.DiameterM, longestThicknessM)
	}
	if !(p.Sunk >= 0 && p.Sunk <= 1) || p.Truncated && p.Sunk >= 1 {
		return fmt.Errorf("transport: the sunk part of the particle is %g; 0 to 1 is accepted, less than 1 if it is cut off", p.Sunk)
	}
	return nil
}

func checkDense(what string, m xray.Material) error {
	if len(m.Components) == 0 {
		return fmt.Errorf("transport: the %s has no composition", what)
	}
	for _, k := range m.Components {
		if !k.Element.Valid() || !(k.MassFraction >= 0 && k.MassFraction <= 1+1e-9) {
			return fmt.Errorf("transport: %s %s: element %v with mass fraction %g; elements 1 to %d with 0 to 1 are accepted", what, m.Name, k.Element, k.MassFraction, xray.MaxElement)
		}
	}
	if err := m.RequireDensity(); err != nil {
		return fmt.Errorf("transport: %s: %w", what, err)
	}
	if !(m.Density > 0) || math.IsInf(m.Density, 0) {
		return fmt.Errorf("transport: %s %s: density %g g/cm³; a number above 0 is accepted", what, m.Name, m.Density)
	}
	return nil
}

func checkLayer(what string, m xray.Material) error {
	if err := checkDense(what, m); err != nil {
		return err
	}
	if t := thicknessNM(m); !(t > 0 && t <= longestThicknessM*1e9) {
		return fmt.Errorf("transport: %s %s: thickness %g nm; above 0 and at most %g nm is accepted", what, m.Name, t, longestThicknessM*1e9)
	}
	return nil
}

// thicknessNM returns the thickness of a layer in nm.
func thicknessNM(m xray.Material) float64 {
	if m.ThicknessM > 0 || !(m.MassDepth > 0) {
		return m.ThicknessM * 1e9
	}
	return m.MassDepth / m.Density * 1e7
}

// materials returns all materials of the specimen.
func (c *Config) materials() []xray.Material {
	ms := append([]xray.Material(nil), c.Layers...)
	if c.Coating != nil {
		ms = append(ms, *c.Coating)
	}
	if c.Particle != nil {
		ms = append(ms, c.Particle.Material)
	}
	if len(c.Substrate.Components) > 0 {
		ms = append(ms, c.Substrate)
	}
	return ms
}

// choosePeaks fills in the peaks or checks the given ones.
func (c *Config) choosePeaks() error {
	if c.Peaks != nil {
		if len(c.Peaks) > MaxPeaks {
			return fmt.Errorf("transport: %d peaks; at most %d are accepted", len(c.Peaks), MaxPeaks)
		}
		for _, p := range c.Peaks {
			if !p.Element.Valid() || !p.Family.Valid() {
				return fmt.Errorf("transport: peak %v; an element 1 to %d and family K, L or M are accepted", p, xray.MaxElement)
			}
		}
		return nil
	}
	var present [xray.MaxElement + 1]bool
	for _, m := range c.materials() {
		for _, k := range m.Components {
			present[k.Element] = present[k.Element] || k.MassFraction > 0
		}
	}
	c.Peaks = []quant.Peak{}
	for z, ok := range present {
		for f := xray.FamilyK; ok && f <= xray.FamilyM; f++ {
			if xray.ProductionCrossSection(xray.Element(z), f, c.Geometry.BeamEnergy) > 0 {
				c.Peaks = append(c.Peaks, quant.Peak{Element: xray.Element(z), Family: f})
			}
		}
	}
	if len(c.Peaks) > MaxPeaks {
		return fmt.Errorf("transport: the specimen has %d families; name at most %d peaks", len(c.Peaks), MaxPeaks)
	}
	return nil
}

// chooseCutoff fills in the cutoff or checks the given one.
func (c *Config) chooseCutoff() error {
	if c.Cutoff == 0 {
		c.Cutoff = defaultCutoff
		for _, p := range c.Peaks {
			if e := lowestEdge(p); e < c.Cutoff {
				c.Cutoff = max(e, lowestCutoff)
			}
		}
	}
	if !(c.Cutoff >= lowestCutoff) {
		return fmt.Errorf("transport: cutoff %g keV; at least %g is accepted", c.Cutoff.KeV(), lowestCutoff.KeV())
	}
	if c.Geometry.BeamEnergy <= c.Cutoff {
		return fmt.Errorf("transport: beam energy %g keV is not above the cutoff of %g keV", c.Geometry.BeamEnergy.KeV(), c.Cutoff.KeV())
	}
	return nil
}

// lowestEdge returns the lowest edge behind a peak, +Inf if there is none.
func lowestEdge(p quant.Peak) xray.Energy {
	low := xray.Energy(math.Inf(1))
	for _, s := range p.Family.Shells() {
		if e, ok := p.Element.Edge(s); ok && e < low {
			low = e
		}
	}
	return low
}

// Range returns the range of electrons of the beam energy after Kanaya & Okayama 1972,
// J. Phys. D 5:43, as a mass depth in g/cm²: 2.76 A E^1.67/Z^0.89 µg/cm² with E in
// keV, Z and A the means by mass.
func Range(m xray.Material, beam xray.Energy) float64 {
	a := 0.0
	for _, k := range m.Components {
		a += k.MassFraction * k.Element.AtomicWeight()
	}
	return 2.76e-6 * a * math.Pow(beam.KeV(), 1.67) / math.Pow(m.MeanZ(), 0.89)
}
