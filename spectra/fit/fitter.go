package fit

import (
	"fmt"
	"math"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/poisson"
)

// Fitter fits spectra of few counts with everything but the amplitudes frozen:
// scale, resolution, line shares and the shape of the continuum, as found on a
// strong spectrum of the same field. It is immutable and may be shared by any
// number of goroutines, each with its own Scratch.
//
// Its amplitudes are net counts of the families and the counts of the
// continuum (with sum peaks and the detector's silicon in the share they have
// in the strong spectrum). They are never negative, so a family that is not
// there is estimated as zero or slightly above: use Sigma, or a limit.
type Fitter struct {
	Families []Family
	mix      *poisson.Mixture
	low      int // first channel
	n        int // number of channels
	length   int // channels of the spectrum that it was frozen on
	shapes   [][]float64
	none     []float64 // sigma per family where there is no count
}

// Scratch is the working memory of one goroutine. The zero value is ready.
type Scratch struct {
	fit      poisson.MixtureScratch
	res      poisson.MixtureResult
	channels []int32
	counts   []float64
}

// PixelResult is the fit of one spectrum by a Fitter. Slices are reused by the
// next fit into the same value.
type PixelResult struct {
	NetCounts []float64 // per family
	Sigma     []float64 // per family; one-sided where the estimate is zero
	Continuum float64   // counts
	Deviance  float64   // NaN, like all other values, for counts that cannot be fitted
	Status    Status
}

// Freeze returns the Fitter of a result. It fails when the result has no
// counts.
func (r *Result) Freeze() (*Fitter, error) {
	if r.Status == Empty {
		return nil, fmt.Errorf("fit: the spectrum has no counts to take shapes from")
	}
	d := r.design
	f := &Fitter{low: r.LowChannel, n: len(r.Model), length: d.length}
	cal := r.Calibration
	cal.OffsetEV = float64(cal.Energy(float64(d.lo)))
	var templates [][]float64
	for i, fr := range r.Families {
		t := make([]float64, f.n)
		if fr.NetCounts > 0 {
			r.addFamily(t, i, 1/fr.NetCounts)
		} else {
			for _, g := range d.families[i].groups {
				g.add(t, cal, r.Detector, g.weight)
			}
		}
		f.Families = append(f.Families, fr.Family)
		templates = append(templates, t)
	}
	rest := make([]float64, f.n)
	sum := 0.0
	for c, m := range r.Continuum {
		rest[c] = m
		if r.PileUp != nil {
			rest[c] += r.PileUp[c]
		}
	}
	if r.SiliconCounts > 0 {
		r.Detector.AddPeak(rest, cal, spectra.SiliconKEnergy, r.SiliconCounts)
	}
	for c := range rest {
		rest[c] = math.Max(rest[c], 1e-12)
		sum += rest[c]
	}
	for c := range rest {
		rest[c] /= sum
	}
	templates = append(templates, rest)
	f.shapes = templates
	mix, err := poisson.NewMixture(templates)
	if err != nil {
		return nil, fmt.Errorf("fit: freezing the model: %w", err)
	}
	f.mix = mix
	var none Scratch
	if err := mix.Fit(&none.res, nil, nil, &none.fit); err != nil {
		return nil, fmt.Errorf("fit: freezing the model: %w", err)
	}
	mix.Covariance(&none.res, &none.fit)
	f.none = none.res.Sigma[:len(f.Families)]
	return f, nil
}

// Channels returns the half-open range of channels that the Fitter uses.
func (f *Fitter) Channels() (low, high int) { return f.low, f.low + f.n }

// SpectrumChannels returns the number of channels of the spectrum that the
// Fitter was frozen on. Its shapes hold for spectra of the same energy scale
// only.
func (f *Fitter) SpectrumChannels() int { return f.length }

// Shapes returns what the Fitter scales: for each family the counts per channel
// of one net count, its artefacts included, and last the continuum, of unit sum.
// A fitted spectrum is the sum of these times the amplitudes of a PixelResult.
func (f *Fitter) Shapes() [][]float64 {
	out := make([][]float64, len(f.shapes))
	for i, s := range f.shapes {
		out[i] = append([]float64(nil), s...)
	}
	return out
}

// FitRow fits one spectrum given as whole counts over all channels of the
// instrument. Channels outside Channels() are left out. Without counts in
// range the status is Empty, all values are zero and Sigma is one count.
func (f *Fitter) FitRow(dst *PixelResult, counts []uint32, sc *Scratch) {
	sc.channels, sc.counts = sc.channels[:0], sc.counts[:0]
	for i := f.low; i < min(f.low+f.n, len(counts)); i++ {
		if counts[i] != 0 {
			sc.channels = append(sc.channels, int32(i-f.low))
			sc.counts = append(sc.counts, float64(counts[i]))
		}
	}
	f.fit(dst, sc)
}

// FitSpectrum is FitRow for counts that may be fractions.
func (f *Fitter) FitSpectrum(dst *PixelResult, counts []float64, sc *Scratch) {
	sc.channels, sc.counts = sc.channels[:0], sc.counts[:0]
	for i := f.low; i < min(f.low+f.n, len(counts)); i++ {
		if counts[i] > 0 {
			sc.channels = append(sc.channels, int32(i-f.low))
			sc.counts = append(sc.counts, counts[i])
		}
	}
	f.fit(dst, sc)
}

func (f *Fitter) fit(dst *PixelResult, sc *Scratch) {
	nf := len(f.Families)
	dst.NetCounts = append(dst.NetCounts[:0], make([]float64, nf)...)
	dst.Sigma = append(dst.Sigma[:0], make([]float64, nf)...)
	dst.Continuum, dst.Deviance = 0, 0
	if len(sc.counts) == 0 {
		dst.Status = Empty
		copy(dst.Sigma, f.none)
		return
	}
	if err := f.mix.Fit(&sc.res, sc.channels, sc.counts, &sc.fit); err != nil {
		dst.Status = NotConverged
		for i := range dst.NetCounts {
			dst.NetCounts[i], dst.Sigma[i] = math.NaN(), math.NaN()
		}
		dst.Continuum, dst.Deviance = math.NaN(), math.NaN()
		return
	}
	f.mix.Covariance(&sc.res, &sc.fit)
	copy(dst.NetCounts, sc.res.Amplitude[:nf])
	copy(dst.Sigma, sc.res.Sigma[:nf])
	dst.Continuum = sc.res.Amplitude[nf]
	dst.Deviance = sc.res.Deviance
	dst.Status = Converged
	if sc.res.Status == poisson.NotConverged {
		dst.Status = NotConverged
	}
}
