package fit

import (
	"fmt"
	"math"
	"slices"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

// Specimen carries what the specimen does to the lines and the continuum
// before they reach the detector. The zero value means no absorption, and the
// result says so.
type Specimen struct {
	Name string
	// LineFactor multiplies the weight of a line within its family: the share
	// of the generated photons that leave the specimen. Only ratios within a
	// family matter. nil means 1.
	LineFactor func(xray.Line) float64
	// Continuum is the emitted continuum, photons per eV on any scale. nil
	// means Kramers' (E0−E)/E without absorption.
	Continuum func(xray.Energy) float64
}

// Options steer a fit. The zero value of every field works.
type Options struct {
	Families []Family // families to fit; required
	Detector spectra.Detector
	Specimen Specimen
	// References are measured peaks that take the place of modelled families.
	References []*Reference
	// LowEV and HighEV bound the fitted range. Default: that of the function
	// LowEV to 5 % above the beam energy, within the spectrum.
	LowEV, HighEV float64
	// ContinuumTerms is the number of free non-negative continuum terms, 1 to
	// 8. Default 4.
	ContinuumTerms int
	// FixCalibration keeps energy scale and resolution as given.
	FixCalibration bool
	// FixWeights keeps the relative weights of the lines of a family as
	// computed; otherwise those of strong families are refined within the
	// uncertainty of the atomic data.
	FixWeights bool
	// NoPileUp leaves the sum-peak term out.
	NoPileUp bool
	// NoDetectorSilicon leaves out the term for silicon of the detector.
	NoDetectorSilicon bool
	// MaxIterations bounds the scoring steps. Default 60.
	MaxIterations int
}

// withDefaults resolves and checks the options for spectrum s.
func (o Options) withDefaults(s *spectra.Spectrum) (Options, error) {
	seen := map[Family]bool{}
	for _, f := range o.Families {
		if seen[f] {
			return o, fmt.Errorf("fit: family %s is listed twice", f)
		}
		seen[f] = true
	}
	if s.BeamEnergy > 0 && s.BeamEnergy < 200 {
		return o, fmt.Errorf("fit: a beam energy of %g eV excites nothing; is it in keV?", float64(s.BeamEnergy))
	}
	o.Detector = o.Detector.WithDefaults()
	firstEV := float64(s.Energy(0))
	lastEV := float64(s.Energy(float64(len(s.Counts) - 1)))
	if o.LowEV == 0 {
		var elements []xray.Element
		for _, f := range o.Families {
			elements = append(elements, f.Element)
		}
		o.LowEV = LowEV(elements, s.BeamEnergy)
	}
	o.LowEV = math.Max(o.LowEV, firstEV)
	if o.HighEV == 0 {
		o.HighEV = lastEV
		if s.BeamEnergy > 0 {
			o.HighEV = math.Min(lastEV, 1.05*float64(s.BeamEnergy))
		}
	}
	o.HighEV = math.Min(o.HighEV, lastEV)
	if o.LowEV <= 0 || o.HighEV <= o.LowEV+10*s.GainEV {
		return o, fmt.Errorf("fit: the range %g to %g eV holds too few channels of a spectrum that covers %g to %g eV; is the energy scale in eV?", o.LowEV, o.HighEV, firstEV, lastEV)
	}
	if o.ContinuumTerms == 0 {
		o.ContinuumTerms = 4
	}
	if o.ContinuumTerms < 1 || o.ContinuumTerms > 8 {
		return o, fmt.Errorf("fit: %d continuum terms; 1 to 8 are accepted", o.ContinuumTerms)
	}
	if o.MaxIterations == 0 {
		o.MaxIterations = 60
	}
	return o, nil
}

// shapeParameter indexes the non-linear parameters.
type shapeParameter int

const (
	offsetParameter   shapeParameter = iota // eV
	gainParameter                           // eV per channel
	noiseParameter                          // FWHM, eV
	fanoParameter                           // eV
	lossParameter                           // charge-loss depth, nm
	fractionParameter                       // charge lost at the entrance
	landingParameter                        // landing energy beyond the stated beam energy, eV
	absorberParameter                       // first of the extra mass depths, µg/cm²
	shapeParameters   = absorberParameter + absorbers
)

// prior standard deviations of the non-linear parameters around their starting
// values; they keep weak spectra from drifting and do nothing in strong ones.
// Common practice, no source: 40 eV offset and 1.5 % gain are what a
// spectrometer that was calibrated once may be off by.
func priorSigma(cal spectra.Calibration, det spectra.Detector) [shapeParameters]float64 {
	return [shapeParameters]float64{6, 0.0012 * cal.GainEV, 20, 0.15, 20, 0.08, 0, 30, 10, 6}
}

// steps for numerical derivatives, small against every prior.
func derivativeStep(cal spectra.Calibration) [shapeParameters]float64 {
	return [shapeParameters]float64{2e-3, 1e-6 * cal.GainEV, 5e-3, 1e-4, 2e-3, 1e-5, 0.05, 0.01, 0.01, 0.01}
}

// landingPrior is the relative standard uncertainty of the stated beam energy;
// common practice, no source.
const landingPrior = 0.004

// shape holds the non-linear parameters of one spectrum.
type shape [shapeParameters]float64

func startShape(cal spectra.Calibration, det spectra.Detector) shape {
	return shape{cal.OffsetEV, cal.GainEV, det.NoiseEV, det.FanoEV, det.LossDepthNM, det.LossFraction}
}

func (p shape) calibration() spectra.Calibration {
	return spectra.Calibration{OffsetEV: p[offsetParameter], GainEV: p[gainParameter]}
}

func (p shape) detector(base spectra.Detector) spectra.Detector {
	base.NoiseEV, base.FanoEV = p[noiseParameter], p[fanoParameter]
	base.LossDepthNM, base.LossFraction = p[lossParameter], p[fractionParameter]
	for j := range absorbers {
		base.ExtraUgCm2[j] += p[int(absorberParameter)+j]
	}
	return base
}

// inRange keeps the parameters physical.
func (p shape) inRange() bool {
	return p[gainParameter] > 0 && p[noiseParameter] > 5 && p[fanoParameter] > 0.5 && p[lossParameter] >= 0 && p[lossParameter] < 300 && p[fractionParameter] < 1
}

// design is the linear model of one spectrum at fixed shape: columns over the
// fitted channels.
type design struct {
	lo, hi   int // half-open channel range
	length   int // channels of the spectrum
	families []familyLines
	groupsOf [][]int // per family, indices into the group columns
	cont     *continuumTable
	pile     []float64 // fitted range; nil = none
	silicon  bool      // a free term for Si K from the detector itself
	base     spectra.Detector
	frozen   [][]float64 // the columns, where the shape is never moved; nil = made for each shape
}

// newDesign prepares everything that does not depend on the shape.
func newDesign(s *spectra.Spectrum, o Options) (*design, error) {
	d := &design{base: o.Detector, length: len(s.Counts)}
	d.lo = max(0, int(math.Ceil(s.Channel(xray.Energy(o.LowEV))-1e-9)))
	d.hi = min(len(s.Counts), int(math.Floor(s.Channel(xray.Energy(o.HighEV))+1e-9))+1)
	for _, f := range o.Families {
		fl, err := linesOf(f, s.BeamEnergy, o.Detector, o.Specimen)
		if err != nil {
			return nil, err
		}
		for _, ref := range o.References {
			if ref != nil && ref.Family == f {
				fl = fl.measured(ref)
			}
		}
		d.addFamily(fl)
	}
	e0 := float64(s.BeamEnergy)
	if e0 <= 0 {
		e0 = lastCountEV(s)
	}
	d.cont = newContinuumTable(o.Detector, o.Specimen, math.Max(e0, 1.2*o.LowEV), o.LowEV, o.HighEV, o.ContinuumTerms)
	if !o.NoPileUp {
		if p := s.PileUpShape(); p != nil {
			sum := 0.0
			for _, v := range p[d.lo:d.hi] {
				sum += v
			}
			if sum > 1e-6 {
				d.pile = p[d.lo:d.hi]
			}
		}
	}
	// Silicon in the detector, its window grid and the collimator fluoresces.
	// Where silicon is among the elements the two cannot be told apart.
	d.silicon = !o.NoDetectorSilicon && !slices.Contains(o.Families, siliconK) && o.LowEV < 1600 && o.HighEV > 1900
	return d, nil
}

var siliconK = Family{14, xray.FamilyK}

// addFamily appends a family and numbers its groups.
func (d *design) addFamily(fl familyLines) {
	n := d.groups()
	var idx []int
	for i := range fl.groups {
		idx = append(idx, n+i)
	}
	d.families = append(d.families, fl)
	d.groupsOf = append(d.groupsOf, idx)
}

// state returns the state of zero amplitudes at a shape.
func (d *design) state(p shape) state {
	return state{family: make([]float64, len(d.families)), dev: make([]float64, d.groups()), rest: make([]float64, d.columnCount()-d.groups()), shape: p}
}

// lastCountEV returns the energy above which less than 1e-4 of the counts lie:
// a stand-in for an unknown beam energy.
func lastCountEV(s *spectra.Spectrum) float64 {
	total, sum := s.Total(), 0.0
	for i := len(s.Counts) - 1; i >= 0; i-- {
		sum += s.Counts[i]
		if sum > 1e-4*total {
			return float64(s.Energy(float64(i)))
		}
	}
	return float64(s.Energy(float64(len(s.Counts) - 1)))
}

// groups returns the number of line groups of all families.
func (d *design) groups() int {
	n := 0
	for _, g := range d.groupsOf {
		n += len(g)
	}
	return n
}

// columns writes the group columns (unit area each), the continuum columns and
// the artefact columns for the given shape. cols must hold columnCount slices of length hi−lo.
func (d *design) columns(cols [][]float64, p shape) {
	for k, c := range d.frozen {
		copy(cols[k], c)
	}
	if d.frozen != nil {
		return
	}
	cal, det := p.calibration(), p.detector(d.base)
	shifted := spectra.Calibration{OffsetEV: float64(cal.Energy(float64(d.lo))), GainEV: cal.GainEV}
	k := 0
	for _, f := range d.families {
		for _, g := range f.groups {
			clear(cols[k])
			g.add(cols[k], shifted, det, 1)
			k++
		}
	}
	d.cont.set(p)
	d.cont.fill(cols[k:k+d.cont.columns()], d.lo, cal)
	k += d.cont.columns()
	if d.pile != nil {
		copy(cols[k], d.pile)
		k++
	}
	if d.silicon {
		clear(cols[k])
		det.AddPeak(cols[k], shifted, spectra.SiliconKEnergy, 1)
	}
}

// columnCount is groups + continuum terms + pile-up + detector silicon.
func (d *design) columnCount() int {
	n := d.groups() + d.cont.columns()
	if d.pile != nil {
		n++
	}
	if d.silicon {
		n++
	}
	return n
}

func (d *design) newColumns() [][]float64 {
	cols := make([][]float64, d.columnCount())
	flat := make([]float64, len(cols)*(d.hi-d.lo))
	for i := range cols {
		cols[i], flat = flat[:d.hi-d.lo:d.hi-d.lo], flat[d.hi-d.lo:]
	}
	return cols
}
