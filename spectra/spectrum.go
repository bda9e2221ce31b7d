// Package spectra holds the nouns of one energy-dispersive X-ray spectrum:
// the counts per channel, the energy calibration, the conditions of
// measurement and the detector.
//
// Loops in this room run over channels. Energies are in electronvolts
// (xray.Energy), times in seconds, counts are counts. The x value of a channel
// is the energy of its centre.
//
// The package reads no files; see its children msa (files), fit (peak fitting)
// and synth (simulation).
package spectra

import (
	"fmt"
	"math"

	"example.org/fleck/spectra/xray"
)

// Spectrum is one measured or simulated spectrum.
type Spectrum struct {
	Title string
	Calibration
	Conditions
	// Counts per channel. Whole numbers as long as nothing was subtracted or
	// averaged; see CheckCounts.
	Counts []float64
}

// Calibration is the linear energy scale of a spectrum:
// energy(channel i) = OffsetEV + i·GainEV, i counted from 0, at the centre of
// the channel.
type Calibration struct {
	OffsetEV float64 // energy of the centre of channel 0, eV
	GainEV   float64 // channel width, eV; > 0
}

// Energy returns the energy at channel coordinate ch (0 = centre of the first
// channel).
func (c Calibration) Energy(ch float64) xray.Energy {
	return xray.Energy(c.OffsetEV + float64(ch*c.GainEV))
}

// Channel returns the channel coordinate of energy e, the inverse of Energy.
func (c Calibration) Channel(e xray.Energy) float64 {
	return (float64(e) - c.OffsetEV) / c.GainEV
}

// Valid reports whether the gain is finite and positive and the offset finite.
func (c Calibration) Valid() bool {
	return c.GainEV > 0 && !math.IsInf(c.GainEV, 0) && !math.IsNaN(c.OffsetEV) && !math.IsInf(c.OffsetEV, 0)
}

// Conditions are the circumstances of a measurement. Zero means "not stated".
type Conditions struct {
	BeamEnergy     xray.Energy // landing energy of the electrons
	TakeOff        xray.Angle  // between specimen surface and detector direction
	Tilt           xray.Angle
	LiveTimeS      float64
	RealTimeS      float64
	ProbeCurrentNA float64
}

// DeadTimeFraction returns (real − live)/real, or NaN when either time is
// missing or they contradict each other.
func (c Conditions) DeadTimeFraction() float64 {
	if c.LiveTimeS <= 0 || c.RealTimeS <= 0 || c.LiveTimeS > c.RealTimeS {
		return math.NaN()
	}
	return (c.RealTimeS - c.LiveTimeS) / c.RealTimeS
}

// Total returns the sum of all counts.
func (s *Spectrum) Total() float64 {
	t := 0.0
	for _, n := range s.Counts {
		t += n
	}
	return t
}

// CountKind says whether Poisson statistics can hold for a set of counts.
type CountKind uint8

// Kinds of counts.
const (
	WholeCounts      CountKind = iota // non-negative whole numbers
	FractionalCounts                  // non-negative, not whole: averaged or processed
	InvalidCounts                     // negative, NaN or infinite
)

// CheckCounts classifies the counts and returns the index of the first channel
// that is not a whole non-negative number, −1 if there is none.
func CheckCounts(counts []float64) (CountKind, int) {
	kind, first := WholeCounts, -1
	for i, n := range counts {
		switch {
		case n < 0 || math.IsNaN(n) || math.IsInf(n, 0):
			return InvalidCounts, i
		case n != math.Trunc(n) && kind == WholeCounts:
			kind, first = FractionalCounts, i
		}
	}
	return kind, first
}

// Validate reports what makes s unusable for fitting: no channels, no energy
// scale, or counts that are not numbers ≥ 0.
func (s *Spectrum) Validate() error {
	if len(s.Counts) == 0 {
		return fmt.Errorf("spectra: spectrum %q has no channels", s.Title)
	}
	if !s.Calibration.Valid() {
		return fmt.Errorf("spectra: spectrum %q: energy scale offset %g eV, gain %g eV per channel; the gain must be above 0", s.Title, s.OffsetEV, s.GainEV)
	}
	if kind, i := CheckCounts(s.Counts); kind == InvalidCounts {
		return fmt.Errorf("spectra: spectrum %q: channel %d holds %g; counts must be numbers ≥ 0", s.Title, i, s.Counts[i])
	}
	return nil
}
