// Package synth is the forward model of a spectrum: from photons that arrive at
// the detector to expected counts per channel, and to counts with seeded
// Poisson noise.
//
// The peak shape, efficiency and escape are those of spectra.Detector, the same
// that package fit uses.
package synth

import (
	"math"
	"math/rand/v2"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

// Line is photons of one energy that head for the detector.
type Line struct {
	Energy  xray.Energy
	Photons float64
}

// AddLines adds to dst the expected counts of the lines: each times the
// detector's efficiency, with its escape peak and dead-layer fluorescence.
// Unset fields of det are those of spectra.DefaultDetector.
func AddLines(dst []float64, det spectra.Detector, cal spectra.Calibration, lines []Line) {
	det = det.WithDefaults()
	for _, l := range lines {
		if l.Photons > 0 {
			det.AddLine(dst, cal, l.Energy, l.Photons*det.Efficiency(l.Energy))
		}
	}
}

// AddContinuum adds to dst the expected counts of a continuum given as photons
// per eV at the centre of each channel: times efficiency and channel width,
// smeared by the detector's resolution. Unset fields of det are those of
// spectra.DefaultDetector.
func AddContinuum(dst []float64, det spectra.Detector, cal spectra.Calibration, perEV []float64) {
	det = det.WithDefaults()
	n := len(dst)
	for i, p := range perEV {
		e := cal.Energy(float64(i))
		if p <= 0 || e <= 0 {
			continue
		}
		counts := p * det.Efficiency(e) * cal.GainEV
		// Spread over the neighbours with a normalised Gaussian.
		s := det.FWHM(e) / 2.3548200450309493 / cal.GainEV // channels
		h := int(math.Ceil(4 * s))
		norm := 0.0
		for j := -h; j <= h; j++ {
			norm += math.Exp(-0.5 * float64(j*j) / (s * s))
		}
		for j := max(-h, -i); j <= h && i+j < n; j++ {
			dst[i+j] += counts * math.Exp(-0.5*float64(j*j)/(s*s)) / norm
		}
	}
}

// AddPileUp adds to dst the sums of two events: share, from 0 to 0.5, is the
// number of sums per event of dst. The shape is the spectrum folded with itself;
// the two events of each sum are taken out, so that the total falls by
// share·total, and by more where sums lie beyond the last channel.
func AddPileUp(dst []float64, cal spectra.Calibration, share float64) {
	total := 0.0
	for _, v := range dst {
		total += v
	}
	if share <= 0 || total <= 0 {
		return
	}
	shift := cal.OffsetEV / cal.GainEV
	whole := int(math.Floor(shift))
	frac := shift - math.Floor(shift)
	sum := make([]float64, len(dst))
	for i, a := range dst {
		if a < 1e-7*total {
			continue
		}
		for k, b := range dst {
			j := i + k + whole
			if j < 0 || j+1 >= len(sum) {
				continue
			}
			w := a * b / (total * total)
			sum[j] += w * (1 - frac)
			sum[j+1] += w * frac
		}
	}
	for i := range dst {
		dst[i] += share * total * (sum[i] - 2*dst[i]/total)
		dst[i] = math.Max(0, dst[i])
	}
}

// Poisson draws a Poisson count of mean mu: by multiplication of uniforms for
// small means, by the normal with continuity correction refined by rejection
// (Hörmann 1993, Insurance Math. Econ. 12, 39: transformed rejection) above 10.
// A mean that is not above 0 gives 0; counts end at 2³²−1.
func Poisson(rng *rand.Rand, mu float64) uint32 {
	switch {
	case !(mu > 0): // NaN too
		return 0
	case mu > 2*math.MaxUint32:
		return math.MaxUint32
	case mu < 10:
		limit, p := math.Exp(-mu), 1.0
		for k := uint32(0); ; k++ {
			p *= rng.Float64()
			if p <= limit {
				return k
			}
		}
	}
	b := 0.931 + 2.53*math.Sqrt(mu)
	a := -0.059 + 0.02483*b
	invAlpha := 1.1239 + 1.1328/(b-3.4)
	vr := 0.9277 - 3.6224/(b-2)
	for {
		u := rng.Float64() - 0.5
		v := rng.Float64()
		us := 0.5 - math.Abs(u)
		k := math.Floor((2*a/us+b)*u + mu + 0.43)
		if us >= 0.07 && v <= vr {
			return uint32(min(k, math.MaxUint32))
		}
		if k < 0 || us < 0.013 && v > us {
			continue
		}
		lg, _ := math.Lgamma(k + 1)
		if math.Log(v*invAlpha/(a/(us*us)+b)) <= -mu+k*math.Log(mu)-lg {
			return uint32(min(k, math.MaxUint32))
		}
	}
}

// Noise draws a spectrum of Poisson counts around the expected counts. Where
// these are NaN, so is the result.
func Noise(expected []float64, rng *rand.Rand) []float64 {
	out := make([]float64, len(expected))
	for i, m := range expected {
		if math.IsNaN(m) {
			out[i] = m
			continue
		}
		out[i] = float64(Poisson(rng, m))
	}
	return out
}
