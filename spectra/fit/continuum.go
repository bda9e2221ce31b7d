package fit

import (
	"math"

	"gonum.org/v1/gonum/stat/combin"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

// continuumTable holds the physical shape of the continuum as a function of
// energy on a fine grid, so that a change of the energy scale costs an
// interpolation only.
//
// The terms of the continuum are
//
//	B_k(t(E)) · [S(E) · ε(E) · exp(−Σ μ_j(E) x_j)] ⊗ resolution,  k = 0 … terms−1,
//
// where S is the specimen's emitted continuum (Kramers' (E0−E)/E where none is
// given), ε the detector's efficiency, x_j additional mass depths of silicon,
// oxygen and carbon in front of the crystal (the window is rarely known to
// better than that; negative values mean less than assumed), and B_k the
// Bernstein polynomials of degree terms−1 in t = ln(E/Elow)/ln(E0/Elow).
// Non-negative weights of the terms make a positive smooth correction to the
// physical shape; the steps at absorption edges come from S, ε and μ_j alone.
//
// One more term, ε(E)/E up to the beam energy, is the continuum of a target so
// thin that electrons do not slow down in it (1/E per photon energy: Kramers
// 1923 before the integration over the slowing-down path): particles, films,
// lamellae.
type continuumTable struct {
	startEV, stepEV float64
	bare            []float64            // S·ε, photons per eV on an arbitrary scale
	open            []float64            // ε/E, likewise
	mu              [absorbers][]float64 // cm²/µg on the same grid
	rough           [absorbers][]bool    // where μ varies much within the resolution
	sigma           []float64            // Gaussian width, eV
	bernstein       [][]float64          // per term
	terms           int
	e0              float64 // stated beam energy, eV

	// For the shape of the last call of set: raw and smeared curves.
	landing     float64
	depths      [absorbers]float64
	thick, thin continuumCurve
	work        []float64
}

// continuumCurve is a continuum before and after it is smeared.
type continuumCurve struct{ raw, smeared []float64 }

// absorbers are the elements whose mass depth in front of the crystal is
// refined.
const absorbers = 3

// continuumStepEV is the grid of the continuum table; far below any FWHM.
const continuumStepEV = 4.0

func newContinuumTable(det spectra.Detector, spec Specimen, e0, lowEV, highEV float64, terms int) *continuumTable {
	shape := spec.Continuum
	if shape == nil {
		shape = func(e xray.Energy) float64 { return math.Max(0, e0-float64(e)) / float64(e) }
	}
	reach := 3 * det.FWHM(xray.Energy(highEV))
	start := math.Max(50, lowEV-reach)
	n := int((highEV+reach-start)/continuumStepEV) + 1
	t := &continuumTable{startEV: start, stepEV: continuumStepEV, bare: make([]float64, n), open: make([]float64, n), sigma: make([]float64, n),
		e0: e0, terms: terms, work: make([]float64, n)}
	for j := range t.mu {
		t.mu[j] = make([]float64, n)
	}
	for i := range t.bare {
		e := xray.Energy(start + float64(i)*continuumStepEV)
		if float64(e) < e0 {
			eff := det.Efficiency(e)
			t.bare[i] = shape(e) * eff
			t.open[i] = eff / float64(e)
		}
		t.sigma[i] = det.FWHM(e) / 2.3548
		for j, z := range spectra.ExtraElements() {
			t.mu[j][i] = float64(z.Attenuation(e)) * 1e-6
		}
	}
	for j := range t.mu {
		t.rough[j] = t.roughness(t.mu[j])
	}
	t.bernstein = bernstein(terms-1, n, func(i int) float64 {
		e := start + float64(i)*continuumStepEV
		return math.Min(1, math.Max(0, math.Log(e/lowEV)/math.Log(e0/lowEV)))
	})
	return t
}

// bernstein returns the Bernstein polynomials of a degree at n arguments.
func bernstein(degree, n int, arg func(int) float64) [][]float64 {
	out := make([][]float64, degree+1)
	for k := range out {
		out[k] = make([]float64, n)
		b := float64(combin.Binomial(degree, k))
		for i := range out[k] {
			u := arg(i)
			out[k][i] = b * power(u, k) * power(1-u, degree-k)
		}
	}
	return out
}

func power(x float64, n int) float64 {
	p := 1.0
	for ; n > 0; n-- {
		p *= x
	}
	return p
}

// smoothAboveEV is the energy above which μ, between its edges, varies so
// little within the resolution that smearing μ·S and S·μ are the same: to
// 6 (σ/E)², a fifth of a percent.
const smoothAboveEV = 2000

// roughness marks the grid points at which μ must be smeared together with the
// continuum: low energies and four widths around the edges.
func (t *continuumTable) roughness(mu []float64) []bool {
	out := make([]bool, len(mu))
	for i := range mu {
		if t.startEV+float64(i)*t.stepEV < smoothAboveEV {
			out[i] = true
		}
		if i > 0 && mu[i] > 1.2*mu[i-1] {
			h := int(4*t.sigma[i]/t.stepEV) + 1
			for j := max(0, i-h); j < min(len(out), i+h); j++ {
				out[j] = true
			}
		}
	}
	return out
}

// set makes the smeared curves for the given shape's extra mass depths and
// landing energy.
func (t *continuumTable) set(p shape) {
	depths := [absorbers]float64(p[absorberParameter:])
	landing := t.bounded(p[landingParameter])
	if t.thick.raw != nil && depths == t.depths && landing == t.landing {
		return
	}
	n := len(t.bare)
	if t.thick.raw == nil {
		for _, c := range []*continuumCurve{&t.thick, &t.thin} {
			c.raw, c.smeared = make([]float64, n), make([]float64, n)
		}
	}
	t.depths, t.landing = depths, landing
	t.fold(t.thick.raw, t.bare, landing, 0)
	t.fold(t.thin.raw, t.open, landing, 0)
	t.smear(t.thick.smeared, t.thick.raw, 0)
	t.smear(t.thin.smeared, t.thin.raw, 0)
}

// bounded returns the landing shift within a tenth of the beam energy; beyond
// that the stretch makes no sense.
func (t *continuumTable) bounded(landing float64) float64 {
	return math.Min(math.Max(landing, -0.1*t.e0), 0.1*t.e0)
}

// kneeEV is where a landing energy other than the stated one begins to stretch
// the curve: four fifths of the beam energy, where the end of the continuum
// shows; below, the absorption edges stay in place.
func (t *continuumTable) kneeEV() float64 { return 0.8 * t.e0 }

// fold writes, from grid point first, what arrives of src behind the extra
// absorbers, its end stretched to the landing energy.
func (t *continuumTable) fold(dst, src []float64, landing float64, first int) {
	knee := t.kneeEV()
	stretch := (t.e0 - knee) / (t.e0 + landing - knee)
	for i := first; i < len(src); i++ {
		e := t.startEV + float64(i)*t.stepEV
		v := src[i]
		if landing != 0 && e > knee {
			x := (knee + (e-knee)*stretch - t.startEV) / t.stepEV
			j := int(x)
			if j < 0 || j+1 >= len(src) {
				v = 0
			} else {
				v = src[j] + (src[j+1]-src[j])*(x-float64(j))
			}
		}
		x := 0.0
		for j, d := range t.depths {
			x += float64(t.mu[j][i] * d)
		}
		if x != 0 {
			v *= math.Exp(-x)
		}
		dst[i] = v
	}
}

// smear folds a density on the grid with a Gaussian of slowly varying width,
// from grid point first.
func (t *continuumTable) smear(out, raw []float64, first int) {
	var k gaussKernel
	for i := first; i < len(raw); i++ {
		out[i] = k.at(raw, i, t.sigma[i], t.stepEV)
	}
}

// gaussKernel is one half of a Gaussian on a grid, renewed when its width has
// changed by more than 2 %.
type gaussKernel struct {
	half        []float64
	width, norm float64
}

// at returns the smeared value of raw at index i.
func (k *gaussKernel) at(raw []float64, i int, sigma, step float64) float64 {
	if k.width == 0 || math.Abs(sigma-k.width) > 0.02*k.width {
		k.width = sigma
		k.half, k.norm = k.half[:0], 0
		for j := range int(math.Ceil(4*sigma/step)) + 1 {
			x := float64(j) * step / sigma
			k.half = append(k.half, math.Exp(-0.5*x*x))
			k.norm += 2 * k.half[j]
		}
		k.norm--
	}
	h := len(k.half) - 1
	if i < h || i+h >= len(raw) { // at the ends of the grid
		sum, norm := 0.0, 0.0
		for j := max(0, i-h); j <= min(len(raw)-1, i+h); j++ {
			w := k.half[max(i-j, j-i)]
			sum += w * raw[j]
			norm += w
		}
		return sum / norm
	}
	sum := raw[i]
	left, right := raw[i-h:i], raw[i+1:i+h+1]
	for j, w := range k.half[1:] {
		sum += w * (left[h-1-j] + right[j])
	}
	return sum / k.norm
}

// columns is the number of terms, the thin-target term included.
func (t *continuumTable) columns() int { return t.terms + 1 }

// fill writes the terms into cols as counts per channel for channels lo, lo+1, ….
func (t *continuumTable) fill(cols [][]float64, lo int, cal spectra.Calibration) {
	for i := range cols[0] {
		j, f, ok := t.position(cal.Energy(float64(lo + i)))
		if !ok {
			for _, c := range cols {
				c[i] = 0
			}
			continue
		}
		v := cal.GainEV * (t.thick.smeared[j]*(1-f) + t.thick.smeared[j+1]*f)
		for k, b := range t.bernstein {
			cols[k][i] = v * (b[j]*(1-f) + b[j+1]*f)
		}
		cols[t.terms][i] = cal.GainEV * (t.thin.smeared[j]*(1-f) + t.thin.smeared[j+1]*f)
	}
}

// position returns the grid cell of an energy and the place within it.
func (t *continuumTable) position(e xray.Energy) (int, float64, bool) {
	x := (float64(e) - t.startEV) / t.stepEV
	j := int(math.Floor(x))
	return j, x - float64(j), j >= 0 && j+1 < len(t.bare)
}

// weighted returns the sum of the terms with their amplitudes at grid point i.
func (t *continuumTable) weighted(amplitudes []float64, i int, thick, thin float64) float64 {
	b := 0.0
	for k, c := range t.bernstein {
		b += float64(amplitudes[k] * c[i])
	}
	return float64(b*thick) + float64(amplitudes[t.terms]*thin)
}

// scaleGradient writes the derivatives of the continuum by offset and gain.
func (t *continuumTable) scaleGradient(offset, gain, amplitudes []float64, lo int, cal spectra.Calibration) {
	for i := range t.work {
		t.work[i] = t.weighted(amplitudes, i, t.thick.smeared[i], t.thin.smeared[i])
	}
	for i := range offset {
		ch := float64(lo + i)
		j, f, ok := t.position(cal.Energy(ch))
		if !ok {
			offset[i], gain[i] = 0, 0
			continue
		}
		slope := (t.work[j+1] - t.work[j]) / t.stepEV
		offset[i] = cal.GainEV * slope
		gain[i] = t.work[j]*(1-f) + t.work[j+1]*f + float64(ch*offset[i])
	}
}

// depthGradient writes the derivative of the continuum by the mass depth of
// absorber a.
func (t *continuumTable) depthGradient(dst []float64, a int, amplitudes []float64, lo int, cal spectra.Calibration) {
	mu, rough := t.mu[a], t.rough[a]
	thick, thin := make([]float64, len(mu)), make([]float64, len(mu))
	for i, m := range mu {
		thick[i], thin[i] = m*t.thick.raw[i], m*t.thin.raw[i]
	}
	var k, l gaussKernel
	for i, m := range mu {
		if rough[i] {
			t.work[i] = -t.weighted(amplitudes, i, k.at(thick, i, t.sigma[i], t.stepEV), l.at(thin, i, t.sigma[i], t.stepEV))
		} else {
			t.work[i] = -m * t.weighted(amplitudes, i, t.thick.smeared[i], t.thin.smeared[i])
		}
	}
	t.sample(dst, lo, cal)
}

// landingGradient writes the derivative of the continuum by the landing energy,
// from a step of the given size.
func (t *continuumTable) landingGradient(dst []float64, step float64, amplitudes []float64, lo int, cal spectra.Calibration) {
	n := len(t.bare)
	knee := min(n-1, max(0, int((t.kneeEV()-t.startEV)/t.stepEV)))
	first := max(0, knee-int(4*t.sigma[knee]/t.stepEV)-1)
	landing := t.bounded(t.landing + step)
	change := func(c continuumCurve, src []float64) []float64 {
		raw := make([]float64, n)
		t.fold(raw, src, landing, knee)
		for i := knee; i < n; i++ {
			raw[i] -= c.raw[i]
		}
		out := make([]float64, n)
		t.smear(out, raw, first)
		return out
	}
	thick, thin := change(t.thick, t.bare), change(t.thin, t.open)
	clear(t.work)
	for i := first; i < n; i++ {
		t.work[i] = t.weighted(amplitudes, i, thick[i], thin[i]) / step
	}
	t.sample(dst, lo, cal)
}

// sample writes the grid in work as counts per channel.
func (t *continuumTable) sample(dst []float64, lo int, cal spectra.Calibration) {
	for i := range dst {
		j, f, ok := t.position(cal.Energy(float64(lo + i)))
		if !ok {
			dst[i] = 0
			continue
		}
		dst[i] = cal.GainEV * (t.work[j]*(1-f) + t.work[j+1]*f)
	}
}
