package spectra

import (
	"math"

	"example.org/fleck/spectra/xray"
)

// Detector is a silicon detector with its window: what turns photons that
// arrive into counts per channel. The zero value stands for DefaultDetector.
type Detector struct {
	Name string
	// NoiseEV and FanoEV give the energy resolution
	// FWHM² = NoiseEV² + FanoEV·E, all in eV (Fiori & Newbury 1978, form from
	// memory). FanoEV = 8 ln2·ε·F.
	NoiseEV, FanoEV float64
	// LossFraction is the share of the charge that is lost when a photon is
	// absorbed at the very entrance of the silicon, LossDepthNM the depth over
	// which the loss dies away: collected charge = 1 − LossFraction·exp(−z/LossDepth).
	// Together they give the low-energy tail and the downward shift of soft
	// lines (see AddPeak). Negative LossFraction means none at all.
	LossFraction, LossDepthNM float64
	// Window lists the layers in front of the crystal, each with its thickness.
	Window []xray.Material
	// GridOpen is the open fraction of the silicon grid that carries the
	// window; GridUM is its thickness in µm. GridOpen 1 means no grid.
	GridOpen, GridUM float64
	// DeadLayerNM is the inactive silicon at the entrance, ActiveUM the
	// charge-collecting depth.
	DeadLayerNM, ActiveUM float64
	// ExtraUgCm2 is a correction to the window: mass depths of silicon, oxygen
	// and carbon in µg/cm² beyond what Window and DeadLayerNM state, as refined
	// by a fit; negative means less.
	ExtraUgCm2 [3]float64
	// PulsePairS is the pulse-pair resolution, s.
	PulsePairS float64
	// SolidAngleSr is the solid angle seen from the beam spot, sr.
	SolidAngleSr float64
}

// silicon is the detector crystal.
const (
	silicon          xray.Element = 14
	siliconDensity                = 2.33   // g/cm³, CRC Handbook
	SiliconKEnergy   xray.Energy  = 1740.0 // Si K-L2,3, Deslattes et al. 2003 (1739.985)
	SiliconKEdge     xray.Energy  = 1839.0 // Si K edge, X-Ray Data Booklet 2009, Table 1-1 (1838.9 ± 0.4)
	fwhmPerSigma                  = 2.3548200450309493
	negligibleLossEV              = 1.0 // losses below this count as a shift only; a thirtieth of a standard deviation
)

// DefaultDetector is a silicon drift detector with a polymer window. Resolution
// corresponds to 129 eV at Mn K-L3 (Goldstein et al. 2018, fig. 22.3, as a
// typical specification) split into noise and statistics with ε = 3.65 eV and
// F = 0.115; window thicknesses are a common model, from memory: 300 nm
// polyimide, 40 nm Al, a 380 µm silicon grid with 77 % open area. The charge
// loss is the value fitted to silicon-drift-detector spectra of Mo, Si and
// GaAs: the product LossFraction·LossDepth ≈ 4 nm reproduces the observed
// shifts of C K and O K.
func DefaultDetector() Detector {
	return Detector{
		Name:    "silicon drift detector, polymer window (default)",
		NoiseEV: 54.0, FanoEV: 2.33,
		LossFraction: 0.22, LossDepthNM: 50,
		Window: []xray.Material{
			layer("C22H10N2O5", 1.42, 300e-9, []part{{6, 22}, {1, 10}, {7, 2}, {8, 5}}),
			layer("Al", 2.70, 40e-9, []part{{13, 1}}),
		},
		GridOpen: 0.77, GridUM: 380,
		DeadLayerNM: 50, ActiveUM: 450,
		PulsePairS:   0.3e-6,
		SolidAngleSr: 0.012,
	}
}

// ExtraElements returns the elements of Detector.ExtraUgCm2.
func ExtraElements() [3]xray.Element { return [3]xray.Element{silicon, 8, 6} }

type part struct {
	z xray.Element
	n float64
}

// layer builds a window layer from a formula's atoms.
func layer(name string, density, thicknessM float64, parts []part) xray.Material {
	m := xray.Material{Name: name, Density: density, ThicknessM: thicknessM}
	total := 0.0
	for _, p := range parts {
		total += p.n * p.z.AtomicWeight()
	}
	for _, p := range parts {
		m.Components = append(m.Components, xray.Component{Element: p.z, MassFraction: p.n * p.z.AtomicWeight() / total})
	}
	return m
}

// WithDefaults returns d with every unset field taken from DefaultDetector.
func (d Detector) WithDefaults() Detector {
	def := DefaultDetector()
	set := func(v *float64, w float64) {
		if *v == 0 {
			*v = w
		}
	}
	if d.Name == "" && d.Window == nil && d.GridOpen == 0 {
		d.Name = def.Name
	}
	set(&d.NoiseEV, def.NoiseEV)
	set(&d.FanoEV, def.FanoEV)
	set(&d.LossFraction, def.LossFraction)
	set(&d.LossDepthNM, def.LossDepthNM)
	if d.Window == nil {
		d.Window = def.Window
	}
	set(&d.GridOpen, def.GridOpen)
	set(&d.GridUM, def.GridUM)
	set(&d.DeadLayerNM, def.DeadLayerNM)
	set(&d.ActiveUM, def.ActiveUM)
	set(&d.PulsePairS, def.PulsePairS)
	set(&d.SolidAngleSr, def.SolidAngleSr)
	return d
}

// FWHM returns the full width at half maximum, in eV, of a line at energy e
// from noise and charge statistics alone.
func (d Detector) FWHM(e xray.Energy) float64 {
	return math.Sqrt(float64(d.NoiseEV*d.NoiseEV) + float64(d.FanoEV*math.Max(0, float64(e))))
}

// Efficiency returns the fraction of the photons of energy e, sent towards the
// detector, that are absorbed in its active volume: window, grid, dead layer
// and crystal thickness. 0 ≤ Efficiency ≤ 1.
func (d Detector) Efficiency(e xray.Energy) float64 {
	if e <= 0 {
		return 0
	}
	t := 1.0
	for _, w := range d.Window {
		t *= math.Exp(-float64(w.Attenuation(e)) * w.Density * w.ThicknessM * 100)
	}
	mu := float64(silicon.Attenuation(e)) * siliconDensity // 1/cm
	if d.GridOpen > 0 && d.GridOpen < 1 {
		t *= d.GridOpen + (1-d.GridOpen)*math.Exp(-mu*d.GridUM*1e-4)
	}
	t *= math.Exp(-mu * d.DeadLayerNM * 1e-7)
	for i, z := range ExtraElements() {
		if x := d.ExtraUgCm2[i]; x != 0 {
			t *= math.Exp(-float64(z.Attenuation(e)) * x * 1e-6)
		}
	}
	photo := float64(silicon.Photo(e)) * siliconDensity
	return t * (1 - math.Exp(-photo*d.ActiveUM*1e-4))
}

// EscapeRatio returns the counts in the silicon escape peak, at e minus
// SiliconKEnergy, as a fraction of those in the parent peak at e. It is 0 below
// the silicon K edge.
//
// Source: Reed & Ware 1972; Statham 1976 (form from memory):
// p = ω (r−1)/(2r) · [1 − (μK/μE) ln(1 + μE/μK)], ratio = p/(1−p); normal
// incidence, thick crystal.
func (d Detector) EscapeRatio(e xray.Energy) float64 {
	if e <= SiliconKEdge {
		return 0
	}
	r := silicon.Jump(xray.K)
	muE, muK := float64(silicon.Photo(e)), float64(silicon.Attenuation(SiliconKEnergy))
	if r <= 1 || muE <= 0 || muK <= 0 {
		return 0
	}
	p := 0.5 * silicon.Yield(xray.K) * (r - 1) / r * (1 - muK/muE*math.Log(1+muE/muK))
	return p / (1 - p)
}

// InternalFluorescence returns the Si K counts that photons of energy e raise
// in the dead layer and send into the crystal, as a fraction of the counts in
// the peak at e: f = ω (r−1)/(2r) (1 − exp(−μ t)), 0 below the silicon K edge.
// Form common practice, no source; Si K photons leave half to each side.
func (d Detector) InternalFluorescence(e xray.Energy) float64 {
	if e <= SiliconKEdge || d.DeadLayerNM <= 0 {
		return 0
	}
	r := silicon.Jump(xray.K)
	if r <= 1 {
		return 0
	}
	mu := float64(silicon.Photo(e)) * siliconDensity
	return 0.5 * silicon.Yield(xray.K) * (r - 1) / r * (1 - math.Exp(-mu*d.DeadLayerNM*1e-7))
}

// MeanShift returns the mean energy loss of a line at e from incomplete charge
// collection, in eV (positive = downwards).
func (d Detector) MeanShift(e xray.Energy) float64 {
	alpha, yMax := d.loss(e)
	return yMax * alpha / (1 + alpha)
}

// loss returns the exponent α = μ·LossDepth and the largest loss in eV.
func (d Detector) loss(e xray.Energy) (alpha, yMax float64) {
	if d.LossFraction <= 0 || d.LossDepthNM <= 0 || e <= 0 {
		return 0, 0
	}
	return float64(silicon.Photo(e)) * siliconDensity * d.LossDepthNM * 1e-7, float64(e) * d.LossFraction
}

// AddPeak adds to dst the counts per channel of a line at energy e with the
// given area: a Gaussian of width FWHM(e), broadened to low energies by
// incomplete charge collection.
//
// A photon absorbed at depth z loses the fraction LossFraction·exp(−z/τ) of its
// charge; z is exponential with 1/μ, so the loss y in eV has the density
// α y^(α−1)/yMax^α on (0, yMax) with α = μτ and yMax = e·LossFraction. (The
// exponential form of the collection function is the one commonly used for the
// entrance layer of silicon detectors; value and form from memory, checked on
// measured spectra by the positions of C K and O K.) The mean loss is
// yMax·α/(1+α). The area is conserved up to what falls outside dst.
func (d Detector) AddPeak(dst []float64, c Calibration, e xray.Energy, area float64) {
	if area == 0 {
		return
	}
	sigma := d.FWHM(e) / fwhmPerSigma
	var buf [lossSteps + 1]piece
	for _, p := range d.pieces(&buf, e) {
		if p.width == 0 {
			addGauss(dst, c, p.centre, sigma, area*p.share)
		} else {
			addBox(dst, c, p.centre, p.width, sigma, area*p.share)
		}
	}
}

// piece is a part of a peak before the resolution smears it: a uniform
// distribution of energy of the given full width, 0 for a sharp one.
type piece struct{ centre, width, share float64 }

// pieces lists the parts of the peak of a line at e, whose shares add up to 1.
func (d Detector) pieces(buf *[lossSteps + 1]piece, e xray.Energy) []piece {
	out := buf[:0]
	alpha, yMax := d.loss(e)
	if float64(alpha*yMax) < 0.01 {
		return append(out, piece{float64(e), 0, 1})
	}
	uEnd := math.Log(yMax / negligibleLossEV)
	if uEnd <= 0 {
		return append(out, piece{float64(e) - yMax*alpha/(1+alpha), 0, 1})
	}
	// Beyond uEnd the loss is a shift too small to see.
	yEnd := yMax * math.Exp(-uEnd)
	out = append(out, piece{float64(e) - yEnd*alpha/(1+alpha), 0, math.Exp(-alpha * uEnd)})
	du := uEnd / lossSteps
	e0, f0 := 1.0, 1.0 // exp(−αu) and exp(−u) at the lower end of the step
	fStep, eStep := math.Exp(-du), math.Exp(-alpha*du)
	for k := 0; k < lossSteps; k++ {
		e1, f1 := e0*eStep, f0*fStep
		w := e0 - e1
		mean := yMax * alpha / (1 + alpha) * (e0*f0 - e1*f1) / w
		out = append(out, piece{float64(e) - mean, yMax * (f0 - f1), w})
		e0, f0 = e1, f1
	}
	return out
}

// lossSteps is the number of pieces in ln(loss) that represent the loss; fixed,
// so that the shape varies smoothly with its parameters.
const lossSteps = 8

// gaussReach is the half width, in standard deviations, over which peaks are
// evaluated; 5.5 σ leaves out 4e-8 of the area.
const gaussReach = 5.5

// addGauss adds a Gaussian integrated over each channel.
func addGauss(dst []float64, c Calibration, centre, sigma, area float64) {
	lo, hi := channelRange(len(dst), c, centre-gaussReach*sigma, centre+gaussReach*sigma)
	if lo >= hi {
		return
	}
	x := (c.OffsetEV + (float64(lo)-0.5)*c.GainEV - centre) / sigma
	dx := c.GainEV / sigma
	prev := normalCDF(x)
	for i := lo; i < hi; i++ {
		x += dx
		next := normalCDF(x)
		dst[i] += area * (next - prev)
		prev = next
	}
}

// addBox adds a uniform distribution of the given full width, smeared by a
// Gaussian, integrated over each channel.
func addBox(dst []float64, c Calibration, centre, width, sigma, area float64) {
	lo, hi := channelRange(len(dst), c, centre-width/2-gaussReach*sigma, centre+width/2+gaussReach*sigma)
	if lo >= hi {
		return
	}
	x := (c.OffsetEV + (float64(lo)-0.5)*c.GainEV - centre) / sigma
	dx, h := c.GainEV/sigma, width/(2*sigma)
	f := area * sigma / width
	prev := normalCum(x+h) - normalCum(x-h)
	for i := lo; i < hi; i++ {
		x += dx
		next := normalCum(x+h) - normalCum(x-h)
		dst[i] += f * (next - prev)
		prev = next
	}
}

// channelRange returns the half-open range of channels that covers energies lo
// to hi.
func channelRange(n int, c Calibration, lo, hi float64) (int, int) {
	first := int(math.Floor((lo-c.OffsetEV)/c.GainEV + 0.5))
	last := int(math.Ceil((hi-c.OffsetEV)/c.GainEV + 0.5))
	return max(first, 0), min(last, n)
}

// AddLine is AddPeak with what the detector makes of the line besides: its
// silicon escape peak and the Si K raised in the dead layer. area is the counts
// in the full-energy peak.
func (d Detector) AddLine(dst []float64, c Calibration, e xray.Energy, area float64) {
	d.AddPeak(dst, c, e, area)
	if r := d.EscapeRatio(e); r > 0 {
		d.AddPeak(dst, c, e-SiliconKEnergy, area*r)
	}
	if f := d.InternalFluorescence(e); f > 0 {
		d.AddPeak(dst, c, SiliconKEnergy, area*f)
	}
}
