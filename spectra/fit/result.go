package fit

import (
	"fmt"
	"math"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

// Status says how a fit ended.
type Status uint8

// Values of Status.
const (
	Converged    Status = iota
	NotConverged        // the iteration limit was reached; the values are the best so far
	Empty               // no counts in the fitted range
)

// String names the status.
func (s Status) String() string {
	switch s {
	case Converged:
		return "converged"
	case NotConverged:
		return "not converged"
	case Empty:
		return "empty"
	}
	return fmt.Sprintf("status %d", uint8(s))
}

// Result is the fit of one spectrum.
type Result struct {
	Families []FamilyResult
	// Covariance of the families' net counts, in their order. Rows of families
	// at zero hold their one-sided variance on the diagonal and zero elsewhere.
	Covariance       [][]float64
	Calibration      spectra.Calibration
	CalibrationSigma spectra.Calibration // standard uncertainties; 0 = held fixed
	Detector         spectra.Detector    // with the refined resolution and charge loss
	// LandingEnergy is the end of the continuum (Duane–Hunt limit); 0 = not
	// fitted. It carries a prior of 0.4 % around the stated beam energy.
	LandingEnergy, LandingSigma xray.Energy
	Deviance                    float64 // Baker & Cousins 1984
	DegreesOfFreedom            int
	ExpectedDeviance            float64 // of a correct model at the fitted rates, less the fitted parameters
	LowChannel                  int     // first fitted channel
	Model                       []float64
	Continuum                   []float64 // both over the fitted channels
	PileUp                      []float64 // nil when there is no term
	PileUpCounts                float64
	SiliconCounts               float64 // Si K from the detector itself; 0 when silicon is a fitted element
	SpecimenName                string  // "" = no specimen absorption
	Status                      Status
	Iterations                  int
	Warnings                    []spectra.Warning
	Options                     Options // as resolved

	beam    xray.Energy
	overlap [][]float64 // correlations of the families at fixed line shares
	design  *design
	state   state
	start   shape                 // where the fit began, the centre of its priors
	free    [shapeParameters]bool // the shape parameters that were fitted
	devOf   []bool                // families whose line shares were
	counts  []float64             // in range
	penalty float64               // of the priors, in log-likelihood
}

// penalised returns the deviance with what the priors add to it.
func (r *Result) penalised() float64 { return r.Deviance + 2*r.penalty }

// FamilyResult is the outcome for one line family.
type FamilyResult struct {
	Family
	NetCounts float64 // counts in the full-energy peaks of all lines, ≥ 0
	Sigma     float64 // standard uncertainty; one-sided when AtZero
	AtZero    bool    // the estimate sits on the bound
	Lines     []LineResult
	// Shift is how far the main peak of the data lies from the model, eV, after
	// all refinements; NaN when the family is too weak to tell.
	ShiftEV, ShiftSigmaEV float64
}

// Significance returns net counts over the uncertainty.
func (f FamilyResult) Significance() float64 {
	if f.Sigma <= 0 {
		return 0
	}
	return f.NetCounts / f.Sigma
}

// LineResult is one line of a family: its share and counts.
type LineResult struct {
	Line   xray.Line
	Counts float64
}

// Find returns the result of a family, ok = false when it was not fitted.
func (r *Result) Find(f Family) (FamilyResult, bool) {
	for _, fr := range r.Families {
		if fr.Family == f {
			return fr, true
		}
	}
	return FamilyResult{}, false
}

// FWHMManganese returns the fitted resolution at Mn K-L3 (5898.8 eV), eV.
func (r *Result) FWHMManganese() float64 { return r.Detector.FWHM(5898.8) }

// FamilyModel returns the fitted counts per channel of family i with its
// artefacts, over the fitted channels.
func (r *Result) FamilyModel(i int) []float64 {
	dst := make([]float64, r.design.hi-r.design.lo)
	r.addFamily(dst, i, 1)
	return dst
}

// addFamily adds scale times the fitted family i to dst.
func (r *Result) addFamily(dst []float64, i int, scale float64) {
	d := r.design
	det := r.state.shape.detector(d.base)
	cal := r.state.shape.calibration()
	cal.OffsetEV = float64(cal.Energy(float64(d.lo)))
	for k, g := range d.groupsOf[i] {
		area := d.families[i].groups[k].weight * r.state.family[i] * math.Exp(r.state.dev[g])
		if area > 0 {
			d.families[i].groups[k].add(dst, cal, det, scale*area)
		}
	}
}

// Band is the sum of data and model over a stretch of channels.
type Band struct {
	FromEV, ToEV float64
	Counts       float64
	Model        float64
}

// Sigmas returns (counts − model)/√model.
func (b Band) Sigmas() float64 { return (b.Counts - b.Model) / math.Sqrt(math.Max(b.Model, 1e-9)) }

// Relative returns (counts − model)/counts.
func (b Band) Relative() float64 {
	if b.Counts == 0 {
		return 0
	}
	return (b.Counts - b.Model) / b.Counts
}

// Bands sums data and model over consecutive bands one FWHM wide from fromEV
// to the end of the fitted range.
func (r *Result) Bands(fromEV float64) []Band {
	var out []Band
	i := 0
	for i < len(r.Model) {
		e := float64(r.Calibration.Energy(float64(r.LowChannel + i)))
		if e < fromEV {
			i++
			continue
		}
		n := max(1, int(math.Round(r.Detector.FWHM(xray.Energy(e))/r.Calibration.GainEV)))
		b := Band{FromEV: e - r.Calibration.GainEV/2}
		end := min(len(r.Model), i+n)
		for ; i < end; i++ {
			b.Counts += r.counts[i]
			b.Model += r.Model[i]
		}
		b.ToEV = b.FromEV + float64(n)*r.Calibration.GainEV
		out = append(out, b)
	}
	return out
}
