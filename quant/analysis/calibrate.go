package analysis

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"example.org/fleck/quant"
	"example.org/fleck/quant/matrix"
	"example.org/fleck/spectra/xray"
)

// Factor is what the intensity of a peak is over the computed one.
type Factor struct {
	Value float64
	Sigma float64 // relative standard uncertainty
}

// Calibration holds the factors of a standardless analysis, which are those of
// one detector and one beam energy. A peak without an entry gets the value
// between its neighbours in energy.
type Calibration map[quant.Peak]Factor

// Limits of a calibration; common practice, no source.
const (
	calibratedUncertainty = 0.03 // of a factor, beside counting: the composition of the reference, surface, fit
	usablePeak            = 0.25 // relative uncertainty of a peak of the reference
)

// Calibrate compares the measured intensities of a reference of known
// composition with the computed ones and returns their ratios, scaled so that
// their weighted geometric mean is 1. Peaks known to less than 25 % or with an
// overvoltage below 1.5 are left out, and it needs two peaks at least.
func Calibrate(ref Reference, opt Options) (Calibration, error) {
	opt.References = []Reference{ref}
	opt.Relative = nil
	opt, err := opt.check()
	if err != nil {
		return nil, err
	}
	g, _, err := geometryOf(ref.Spectrum.Conditions)
	if err != nil {
		return nil, err
	}
	r, err := fitReference(ref, opt)
	if err != nil {
		return nil, err
	}
	em, err := matrix.Bulk(ref.Material, g, matrix.Options{Model: opt.Model, Fluorescence: opt.Fluorescence, Coat: opt.StandardCoat, Efficiency: efficiencyOf(r)})
	if err != nil {
		return nil, err
	}
	out := Calibration{}
	sum, weights := 0.0, 0.0
	for _, f := range r.Families {
		p := quant.Peak{Element: f.Element, Family: f.Family.Family}
		want := emitted(em, p)
		if f.AtZero || f.Sigma > usablePeak*f.NetCounts || want <= 0 || Overvoltage(p, g.BeamEnergy) < leastOvervoltage {
			continue
		}
		v := Factor{f.NetCounts / want, math.Hypot(calibratedUncertainty, f.Sigma/f.NetCounts)}
		out[p] = v
		w := 1 / (v.Sigma * v.Sigma)
		sum, weights = sum+w*math.Log(v.Value), weights+w
	}
	if len(out) < 2 {
		return nil, fmt.Errorf("analysis: reference %s has %d usable peaks; relative intensities need two", ref.title(), len(out))
	}
	mean := math.Exp(sum / weights)
	for p, v := range out {
		out[p] = Factor{v.Value / mean, v.Sigma}
	}
	return out, nil
}

// origin of a factor.
type factorOrigin string

const (
	computedFactor     factorOrigin = "computed"
	calibratedFactor   factorOrigin = "calibrated"
	interpolatedFactor factorOrigin = "interpolated"
	extrapolatedFactor factorOrigin = "extrapolated"
)

// calibrated is one entry on the axis of energy.
type calibrated struct {
	x, y  float64 // logarithms of energy and factor
	sigma float64
}

// of returns the factor of a peak: its entry, else the value interpolated in the
// logarithm of the energy between entries of the same family, or of all families
// where there is none, and constant beyond them: most of what a calibration
// corrects is the efficiency of the detector, which is smooth. Between entries
// the uncertainty grows by the half-width of a rectangular distribution that
// reaches to the nearer one, beyond them by one that reaches as far as the slope
// between the last two would. Without any entry the factor is 1.
func (c Calibration) of(p quant.Peak, beam xray.Energy) (Factor, factorOrigin) {
	if f, ok := c[p]; ok {
		return f, calibratedFactor
	}
	points := c.entries(p.Family, beam)
	if len(points) == 0 {
		return Factor{Value: 1}, computedFactor
	}
	x := math.Log(float64(mainEnergy(p, beam)))
	k, _ := slices.BinarySearchFunc(points, x, func(a calibrated, x float64) int { return cmp.Compare(a.x, x) })
	if k == 0 || k == len(points) {
		end, next := points[0], points[min(1, len(points)-1)]
		if k > 0 {
			end, next = points[k-1], points[max(0, k-2)]
		}
		width := 0.0
		if next.x != end.x {
			width = math.Abs((next.y - end.y) / (next.x - end.x) * (x - end.x))
		}
		return Factor{math.Exp(end.y), math.Hypot(end.sigma, width/math.Sqrt(3))}, extrapolatedFactor
	}
	a, b := points[k-1], points[k]
	t := (x - a.x) / (b.x - a.x)
	width := min(t, 1-t) * math.Abs(b.y-a.y)
	return Factor{math.Exp(a.y + t*(b.y-a.y)), math.Hypot(max(a.sigma, b.sigma), width/math.Sqrt(3))}, interpolatedFactor
}

// entries returns the entries of a family by energy, of all if it has none.
func (c Calibration) entries(family xray.Family, beam xray.Energy) []calibrated {
	var same, all []calibrated
	for q, v := range c {
		e := mainEnergy(q, beam)
		if e <= 0 {
			continue
		}
		pt := calibrated{math.Log(float64(e)), math.Log(v.Value), v.Sigma}
		all = append(all, pt)
		if q.Family == family {
			same = append(same, pt)
		}
	}
	if len(same) == 0 {
		same = all
	}
	slices.SortFunc(same, func(a, b calibrated) int { return cmp.Or(cmp.Compare(a.x, b.x), cmp.Compare(a.y, b.y)) })
	return same
}

// has reports whether a family has an entry.
func (c Calibration) has(family xray.Family) bool {
	for q := range c {
		if q.Family == family {
			return true
		}
	}
	return false
}
