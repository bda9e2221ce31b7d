package study

import (
	"fmt"
	"math"

	"example.org/fleck/maps"
	"example.org/fleck/maps/record"
	"example.org/fleck/quant/transport"
)

// SpotSize is a spot as one solid sphere of the target, from the counts of its own
// line: what area and width of a spot do not tell when the particle is smaller than
// the beam or the pixel.
type SpotSize struct {
	DiameterNM, LowNM, HighNM float64 // 95 % interval: counting, cross sections, simulation
	MassFG                    float64 // femtograms
	MassLowFG, MassHighFG     float64
	Outside                   bool   // beyond the diameters that were simulated
	Assumed                   string // shape, density and pores
	Reason                    string // why numbers are missing (NaN)
}

// sizeLevel is the coverage of the intervals.
const sizeLevel = 0.95

// Size returns the size of a spot of field i named as the target. The dose follows
// from the substrate's strongest family in the field, so that detector and current
// need not be known; the model is quant/transport.
func (r *Result) Size(i int, s maps.Spot) SpotSize {
	nan := math.NaN()
	out := SpotSize{DiameterNM: nan, LowNM: nan, HighNM: nan, MassFG: nan, MassLowFG: nan, MassHighFG: nan}
	p := r.Target.Particles
	if p == nil {
		out.Reason = "the density of the target is not known"
		return out
	}
	out.Assumed = fmt.Sprintf("one solid sphere of %.4g g/cm³ without pores", p.DensityG)
	perM2, reason := r.dosePerM2(i)
	peak := r.ownPeak()
	switch {
	case s.Verdict != maps.TargetVerdict:
		out.Reason = "not named as the target"
	case reason != "":
		out.Reason = reason
	case peak < 0:
		out.Reason = "the own line of the target was not simulated"
	case !(s.LineSigma > 0) || !(s.LineCounts > 0):
		out.Reason = "the counts of the own line are not known"
	}
	if out.Reason != "" {
		return out
	}
	// Counts and background of the same signal and variance.
	n := math.Max(s.LineCounts, s.LineSigma*s.LineSigma)
	size, err := p.Sizes.Diameter(peak, transport.Spot{Counts: int(math.Round(n)), Background: n - s.LineCounts, PerArea: perM2}, sizeLevel)
	if err != nil {
		out.Reason = record.Reason(err.Error())
		return out
	}
	out.DiameterNM, out.LowNM, out.HighNM, out.Outside = size.DiameterM*1e9, size.LowM*1e9, size.HighM*1e9, size.OutsideOfTable
	out.MassFG, out.MassLowFG, out.MassHighFG = size.MassG*1e15, size.MassLow*1e15, size.MassHigh*1e15
	return out
}

// ownPeak returns the number of the target's own family in its table of sizes.
func (r *Result) ownPeak() int {
	for k, p := range r.Target.Particles.Sizes.Peaks {
		if p.Element.Symbol()+" "+p.Family.String() == r.Target.Own {
			return k
		}
	}
	return -1
}

// dosePerM2 returns the electrons per m² in field i times Ω/4π, from the net counts
// of the strongest family of the substrate against those simulated for it.
func (r *Result) dosePerM2(i int) (v float64, reason string) {
	f := &r.Fields[i]
	if !f.Header.Pixel.Known() {
		return 0, record.NoPixelSize
	}
	bare := r.Target.Particles.Bare
	predicted := sumOf(bare.Families[bare.Strongest])
	net := 0.0
	for _, fam := range r.Fit.Families {
		if fam.Family.String() == bare.Strongest {
			net = fam.NetCounts
		}
	}
	if !(predicted > 0) || !(net > 0) {
		return 0, fmt.Sprintf("%s, the substrate's strongest family, has no counts to take the dose from", bare.Strongest)
	}
	// The fit is of all fields together: shared out by their counts.
	all := sumOf(r.Sum.Counts)
	own := 0.0
	for _, n := range f.Sums.Sum {
		own += float64(n)
	}
	perPixel := net * own / all / float64(f.Header.Pixels()) / predicted
	return perPixel / (f.Header.Pixel.AreaUm2() * 1e-12), ""
}
