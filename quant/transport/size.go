package transport

import (
	"context"
	"encoding/json"
	"fmt"
	"math"

	"example.org/fleck/quant"
	"example.org/fleck/spectra/poisson"
)

// SizeTable holds what particles of one compound send by diameter, so that counts
// can be turned into a diameter. It can be stored as JSON.
type SizeTable struct {
	Peaks     []quant.Peak
	DensityG  float64   // of the particle, g/cm³
	DiameterM []float64 // ascending
	// Area holds, per diameter and peak, the photons into 4π that the particle sends
	// per electron and m² of the surface: added up over the square of Excess.SideM.
	// In the thin limit it is n Q ω V.
	Area, AreaErr [][]float64
}

// Sizes simulates particles of increasing diameter; see Excesses, of which it takes
// what the particle itself sends.
func Sizes(ctx context.Context, cfg Config, diameters []float64) (*SizeTable, error) {
	if len(diameters) < 2 {
		return nil, fmt.Errorf("transport: %d diameters; at least 2 are needed", len(diameters))
	}
	var patches []Patch
	for _, d := range diameters {
		patches = append(patches, Patch{DiameterM: d})
	}
	x, err := Excesses(ctx, cfg, patches)
	if err != nil {
		return nil, err
	}
	return x.SizeTable(cfg.Particle.Material.Density), nil
}

// SizeTable returns the part that the particles, of density g/cm³, themselves
// send.
func (x *ExcessTable) SizeTable(density float64) *SizeTable {
	t := &SizeTable{Peaks: x.Bare.Config.Peaks, DensityG: density}
	for _, s := range x.Spheres {
		t.DiameterM = append(t.DiameterM, s.DiameterM)
		var area, sigma []float64
		for _, i := range s.Intensities {
			area = append(area, i.FromParticle)
			sigma = append(sigma, i.FromParticleErr)
		}
		t.Area = append(t.Area, area)
		t.AreaErr = append(t.AreaErr, sigma)
	}
	return t
}

// UnmarshalJSON reads a table and refuses one that cannot be used.
func (t *SizeTable) UnmarshalJSON(b []byte) error {
	type plain SizeTable
	var p plain
	if err := json.Unmarshal(b, &p); err != nil {
		return fmt.Errorf("transport: size table: %w", err)
	}
	ok := len(p.DiameterM) >= 2 && len(p.Area) == len(p.DiameterM) && len(p.AreaErr) == len(p.DiameterM)
	for i := range p.DiameterM {
		ok = ok && p.DiameterM[i] > 0 && (i == 0 || p.DiameterM[i] > p.DiameterM[i-1]) && len(p.Area[i]) == len(p.Peaks) && len(p.AreaErr[i]) == len(p.Peaks)
	}
	if !ok {
		return fmt.Errorf("transport: size table: %d diameters with %d rows of %d peaks do not fit together", len(p.DiameterM), len(p.Area), len(p.Peaks))
	}
	*t = SizeTable(p)
	return nil
}

// Size is a particle as its counts show it. Diameters are those of a sphere of the
// compound at the density of the table: a porous or flat particle has another.
type Size struct {
	DiameterM      float64 // most likely; 0 for counts not above the background
	LowM, HighM    float64
	MassG          float64 // of the sphere
	MassLow        float64
	MassHigh       float64
	OutsideOfTable bool // extrapolated as d³ below the table, d² above
}

// Spot is what was counted of one particle. The counts come from an area that
// holds it wholly.
type Spot struct {
	Counts     int     // in the window of the peak, background included
	Background float64 // expected there
	// PerArea is the counts per photon into 4π that an electron per m² would give: the
	// electrons per m² times Ω/4π, the detector's efficiency and the share of the
	// peak in the window. One nA·s is 6.24e9 electrons.
	PerArea float64
	// Systematic is the relative standard uncertainty of PerArea and the model
	// together; 0 = 0.1, about what cross sections of K lines are good to. A negative
	// value means none.
	Systematic float64
}

const defaultSystematic = 0.1

// Diameter returns the diameter of the particle behind a spot with its central
// interval at the level, 0 to 1. The interval of the signal is that of Garwood for
// the counts, less the background, widened by the systematic part and the error of the
// simulation in quadrature.
func (t *SizeTable) Diameter(peak int, s Spot, level float64) (Size, error) {
	switch {
	case peak < 0 || peak >= len(t.Peaks):
		return Size{}, fmt.Errorf("transport: peak %d of a table of %d", peak, len(t.Peaks))
	case s.Counts < 0 || !(s.Background >= 0) || !(s.PerArea > 0) || math.IsInf(s.PerArea, 0):
		return Size{}, fmt.Errorf("transport: %d counts over %g at %g per area; numbers not below 0 and a scale above 0 are accepted", s.Counts, s.Background, s.PerArea)
	case !(level > 0 && level < 1):
		return Size{}, fmt.Errorf("transport: level %g; above 0 and below 1 is accepted", level)
	}
	if s.Systematic == 0 {
		s.Systematic = defaultSystematic
	}
	signal := math.Max(0, float64(s.Counts)-s.Background)
	low, high := poisson.Garwood(s.Counts, level)
	low, high = math.Max(0, low-s.Background), math.Max(0, high-s.Background)
	if s.Systematic = math.Hypot(math.Max(0, s.Systematic), t.relativeErr(peak, signal/s.PerArea)); s.Systematic > 0 {
		// The same multiple of σ as the level is for a normal law.
		z := math.Sqrt2 * math.Erfinv(level) * s.Systematic
		low = math.Max(0, signal-math.Hypot(signal-low, z*signal))
		high = signal + math.Hypot(high-signal, z*signal)
	}
	var out Size
	var outside [3]bool
	out.DiameterM, outside[0] = t.DiameterFor(peak, signal/s.PerArea)
	out.LowM, outside[1] = t.DiameterFor(peak, low/s.PerArea)
	out.HighM, outside[2] = t.DiameterFor(peak, high/s.PerArea)
	out.OutsideOfTable = outside[0]
	mass := func(d float64) float64 { return math.Pi / 6 * d * d * d * 1e6 * t.DensityG }
	out.MassG, out.MassLow, out.MassHigh = mass(out.DiameterM), mass(out.LowM), mass(out.HighM)
	return out, nil
}

// DiameterFor returns the diameter, in m, of the particle that sends an area of
// photons of the peak, per electron and m²: interpolated between logarithms; outside
// of the table, which it reports, as d³ below and d² above. 0 for an area not above 0.
func (t *SizeTable) DiameterFor(peak int, area float64) (d float64, outside bool) {
	if !(area > 0) {
		return 0, false
	}
	n := len(t.DiameterM)
	if first := t.Area[0][peak]; area <= first {
		return t.DiameterM[0] * math.Cbrt(area/first), area < first
	}
	for i := 1; i < n; i++ {
		a, b := t.Area[i-1][peak], t.Area[i][peak]
		if area <= b && b > a {
			f := math.Log(area/a) / math.Log(b/a)
			return t.DiameterM[i-1] * math.Pow(t.DiameterM[i]/t.DiameterM[i-1], f), false
		}
	}
	return t.DiameterM[n-1] * math.Sqrt(area/t.Area[n-1][peak]), true
}

// relativeErr returns the relative standard error of the simulation of the diameter
// next above.
func (t *SizeTable) relativeErr(peak int, area float64) float64 {
	i := 0
	for i < len(t.Area)-1 && t.Area[i][peak] < area {
		i++
	}
	if !(t.Area[i][peak] > 0) {
		return 0
	}
	return t.AreaErr[i][peak] / t.Area[i][peak]
}

// Ratio returns the photons of one peak over those of another from a particle of
// diameter d, interpolated; NaN outside the table.
func (t *SizeTable) Ratio(peak, over int, d float64) float64 {
	for i := 1; i < len(t.DiameterM); i++ {
		a, b := t.DiameterM[i-1], t.DiameterM[i]
		const rounding = 1e-9 // of nm into m and back
		if d >= a*(1-rounding) && d <= b*(1+rounding) {
			f := math.Log(d/a) / math.Log(b/a)
			return (1-f)*t.Area[i-1][peak]/t.Area[i-1][over] + f*t.Area[i][peak]/t.Area[i][over]
		}
	}
	return math.NaN()
}
