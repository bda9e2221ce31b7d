package analysis

import (
	"fmt"
	"math"

	"example.org/fleck/quant"
	"example.org/fleck/quant/matrix"
	"example.org/fleck/spectra/fit"
	"example.org/fleck/spectra/xray"
)

// depthShare is the share of the ionisations that must lie within what is
// measured for it to count as bulk; our own rule.
const depthShare = 0.99

// InformationDepth returns the mass depth in g/cm² above which the share of the
// ionisations that make a peak lies in a bulk material. With the share 0.99 it is
// about 0.8 times the ultimate depth of the electrons, which is also how far they
// spread sideways.
func InformationDepth(m xray.Material, p quant.Peak, beam xray.Energy, share float64) (quant.MassDepth, error) {
	if !(share > 0 && share < 1) {
		return 0, fmt.Errorf("analysis: share %g of the ionisations; it must be above 0 and below 1", share)
	}
	shell := p.Initial
	if !p.Single() {
		l, ok := fit.MainLine(p.Element, p.Family, beam)
		if !ok {
			return 0, fmt.Errorf("analysis: a beam of %.4g keV does not excite %s", beam.KeV(), p)
		}
		shell = l.Initial
	}
	c, err := matrix.DepthCurve(m, p.Element, shell, beam, matrix.Options{})
	if err != nil {
		return 0, fmt.Errorf("analysis: %w", err)
	}
	low, high := 0.0, 1e-6
	for c.Emitted(0, 0, high) < share*c.Area() {
		low, high = high, 2*high
	}
	for range 50 {
		mid := (low + high) / 2
		if c.Emitted(0, 0, mid) < share*c.Area() {
			low = mid
		} else {
			high = mid
		}
	}
	return quant.MassDepth(high), nil
}

// checkExtent refuses what is thinner or narrower than the excited volume.
func (q *Result) checkExtent(g quant.Geometry, opt Options) error {
	if opt.ExtentM == 0 {
		return nil
	}
	m, err := q.Composition.Material("bulk of the composition found")
	if err != nil {
		return nil // refused already
	}
	extent := opt.ExtentM * 100 * opt.DensityGCm3 // g/cm²
	for _, row := range q.Rows {
		d, err := InformationDepth(m, row.KRatio.Peak, g.BeamEnergy, depthShare)
		if err != nil {
			return err
		}
		if extent < float64(d) {
			um := float64(d) / opt.DensityGCm3 * 1e4
			q.refuse(fmt.Sprintf("%s: the object measures %.3g µm, but %.0f %% of the photons come from %.3g µm of a bulk of this density: a particle or film, which bulk formulas do not hold for", row.KRatio.Peak, opt.ExtentM*1e6, 100*depthShare, um))
		}
	}
	return nil
}

// checkExtent checks extent and density of the options.
func (o Options) checkExtent() error {
	switch {
	case o.ExtentM < 0 || math.IsNaN(o.ExtentM) || math.IsInf(o.ExtentM, 0):
		return fmt.Errorf("analysis: extent %g m of the object; it must be at least 0 and finite", o.ExtentM)
	case o.ExtentM > 0 && !(o.DensityGCm3 > 0 && o.DensityGCm3 < 30):
		return fmt.Errorf("analysis: density %g g/cm³ of an object of %g µm; it must be above 0 and below 30", o.DensityGCm3, o.ExtentM*1e6)
	}
	return nil
}
