package fit

import (
	"math"

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
	sigma           []float64            // Gaussian width, eV
	lnLow, lnSpan   float64
	terms           int
	e0              float64            // stated beam energy, eV
	landing         float64            // shift of the landing energy of the cached curve
	depths          [absorbers]float64 // likewise, extra mass depths
	curve, raw      []float64
	thin            []float64 // thin-target continuum ε/E up to the beam energy, smeared
}

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
		e0: e0, lnLow: math.Log(lowEV), lnSpan: math.Log(e0 / lowEV), terms: terms}
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
	return t
}

// set makes the smeared curves for the given shape's extra mass depths and
// landing energy.
//
// A landing energy other than the stated one stretches the curve above four
// fifths of the beam energy, where the end of the continuum shows; below, the
// absorption edges stay in place.
func (t *continuumTable) set(p shape) {
	depths := [absorbers]float64(p[absorberParameter:])
	// Beyond a tenth of the beam energy the stretch makes no sense.
	landing := math.Min(math.Max(p[landingParameter], -0.1*t.e0), 0.1*t.e0)
	if t.curve != nil && depths == t.depths && landing == t.landing {
		return
	}
	n := len(t.bare)
	if t.curve == nil {
		t.curve, t.thin = make([]float64, n), make([]float64, n)
		t.raw = make([]float64, n)
	}
	transmission := make([]float64, n)
	for i := range transmission {
		x := 0.0
		for j, d := range depths {
			x += float64(t.mu[j][i] * d)
		}
		transmission[i] = math.Exp(-x)
	}
	knee := 0.8 * t.e0
	stretch := (t.e0 - knee) / (t.e0 + landing - knee)
	fill := func(dst, src []float64) {
		for i := range t.raw {
			e := t.startEV + float64(i)*t.stepEV
			v := src[i]
			if landing != 0 && e > knee {
				x := (knee + (e-knee)*stretch - t.startEV) / t.stepEV
				j := int(x)
				if j < 0 || j+1 >= n {
					v = 0
				} else {
					v = src[j] + (src[j+1]-src[j])*(x-float64(j))
				}
			}
			t.raw[i] = v * transmission[i]
		}
		smear(dst, t.raw, t.sigma, t.stepEV)
	}
	fill(t.curve, t.bare)
	fill(t.thin, t.open)
	t.depths, t.landing = depths, landing
}

// columns is the number of terms, the thin-target term included.
func (t *continuumTable) columns() int { return t.terms + 1 }

func binomial(n, k int) float64 {
	b := 1.0
	for i := 0; i < k; i++ {
		b = b * float64(n-i) / float64(i+1)
	}
	return b
}

// smear folds a density on an equidistant grid with a Gaussian of slowly
// varying width.
func smear(out, raw, sigma []float64, step float64) {
	kernel := make([]float64, 0, 256)
	width := 0.0
	for i := range raw {
		// The kernel changes by less than 2 % of its width before it is renewed.
		if width == 0 || math.Abs(sigma[i]-width) > 0.02*width {
			width = sigma[i]
			h := int(math.Ceil(4 * width / step))
			kernel = kernel[:0]
			for j := 0; j <= h; j++ {
				x := float64(j) * step / width
				kernel = append(kernel, math.Exp(-0.5*x*x))
			}
		}
		sum, norm := kernel[0]*raw[i], kernel[0]
		for j := 1; j < len(kernel); j++ {
			if i-j >= 0 {
				sum += kernel[j] * raw[i-j]
				norm += kernel[j]
			}
			if i+j < len(raw) {
				sum += kernel[j] * raw[i+j]
				norm += kernel[j]
			}
		}
		out[i] = sum / norm
	}
}

// fill writes term k into dst as counts per channel for channels lo, lo+1, ….
func (t *continuumTable) fill(dst []float64, k, lo int, cal spectra.Calibration) {
	degree := t.terms - 1
	curve := t.curve
	if k == t.terms { // the thin-target term
		curve, degree, k = t.thin, 0, 0
	}
	b := binomial(degree, k)
	for i := range dst {
		e := float64(cal.Energy(float64(lo + i)))
		x := (e - t.startEV) / t.stepEV
		j := int(math.Floor(x))
		if j < 0 || j+1 >= len(curve) {
			dst[i] = 0
			continue
		}
		f := x - float64(j)
		v := cal.GainEV * (curve[j]*(1-f) + curve[j+1]*f)
		u := math.Min(1, math.Max(0, (math.Log(math.Max(e, 1))-t.lnLow)/t.lnSpan))
		dst[i] = v * b * power(u, k) * power(1-u, degree-k)
	}
}

func power(x float64, n int) float64 {
	p := 1.0
	for ; n > 0; n-- {
		p *= x
	}
	return p
}

// pileUpShape returns the spectrum of sums of two recorded events, made from
// the measured spectrum itself: (n ⋆ n)/2 shifted to the sum of the two
// energies, scaled to unit area over all channels. Channels below lowEV (the
// electronics' zero peak) do not take part. A nil slice means no counts.
func pileUpShape(counts []float64, cal spectra.Calibration, lowEV float64) []float64 {
	first := max(0, int(math.Ceil(cal.Channel(xray.Energy(lowEV)))))
	// energy(i)+energy(k) = energy(i+k+shift)
	shift := cal.OffsetEV / cal.GainEV
	whole := math.Floor(shift)
	frac := shift - whole
	out := make([]float64, len(counts))
	total := 0.0
	// Only channels that hold a noticeable share matter; sums are taken over
	// pairs of them.
	for i := first; i < len(counts); i++ {
		if counts[i] == 0 {
			continue
		}
		for k := first; k <= i; k++ {
			if counts[k] == 0 {
				continue
			}
			j := i + k + int(whole)
			if j < 0 || j+1 >= len(out) {
				continue
			}
			w := counts[i] * counts[k]
			if i == k {
				w /= 2
			}
			out[j] += w * (1 - frac)
			out[j+1] += w * frac
			total += w
		}
	}
	if total == 0 {
		return nil
	}
	for i := range out {
		out[i] /= total
	}
	return out
}
