package spectra

import (
	"math"

	"example.org/fleck/spectra/xray"
)

// Landing is where the continuum of a spectrum ends: the energy with which the
// electrons landed (Duane & Hunt 1915, Phys. Rev. 6, 166).
type Landing struct {
	Energy, Sigma xray.Energy
	// SumShare is the share of all counts that are sums of two events, as far as
	// the counts near and above the end tell.
	SumShare float64
}

// Bounds of what EndOfContinuum needs and looks at; common practice, no source.
const (
	endCounts    = 20   // counts above where the search starts
	windowCounts = 3000 // counts of the stretch that is fitted, at most
	leastCounts  = 150  // at least
	endSteps     = 40   // trial energies per round
	endBinEV     = 40   // width of the bins that are compared, well below the resolution
	sumPairS     = 2e-6 // sums of two events per event and rate, some times the pulse-pair resolution of common detectors
)

// EndOfContinuum finds the landing energy from the counts alone. Above the last
// characteristic line a thick specimen's continuum falls as (E0 − E)/E (Kramers
// 1923) times the detector's efficiency; E0 is fitted by maximum Poisson
// likelihood together with the height of the continuum and the sums of two
// events, which reach beyond E0. The stretch that is fitted is shortened until
// it follows that law, so that lines stay outside.
//
// ok is false where the counts do not tell: too few, an axis that ends first, or
// lines up to the end. Sigma is statistical; the law itself is good to about
// one percent of E0.
func (s *Spectrum) EndOfContinuum() (l Landing, ok bool) {
	if s.Validate() != nil {
		return l, false
	}
	last, sum := len(s.Counts)-1, 0.0
	for ; last > 0 && sum < endCounts; last-- {
		sum += s.Counts[last]
	}
	if sum < endCounts || s.Energy(float64(last)) < 1000 {
		return l, false
	}
	w := s.binned()
	for want := float64(windowCounts); want >= leastCounts; want /= 1.6 {
		hi := min(len(w.n), (last+last/2)/w.per+1)
		lo, sum := hi, 0.0
		for ; lo > 0 && sum < want; lo-- {
			sum += w.n[lo-1]
		}
		if sum < want || w.e[lo] < 0.25*float64(s.Energy(float64(last))) {
			continue
		}
		if l, ok = w.fit(lo, hi); ok {
			return l, true
		}
	}
	return l, false
}

// endFit holds the spectrum in bins.
type endFit struct {
	per             int       // channels per bin
	n, pile, e      []float64 // counts, sums of unit share, energy at the centre
	seen            []float64 // efficiency over energy
	maxShare, total float64
	law             []float64 // work space
}

func (s *Spectrum) binned() *endFit {
	w := &endFit{per: max(1, int(endBinEV/s.GainEV)), total: s.Total(), maxShare: 0.05}
	if s.LiveTimeS > 0 {
		w.maxShare = math.Min(w.maxShare, 1e-3+sumPairS*w.total/s.LiveTimeS)
	}
	pile, det := s.PileUpShape(), DefaultDetector()
	for i := 0; i+w.per <= len(s.Counts); i += w.per {
		n, p := 0.0, 0.0
		for j := i; j < i+w.per; j++ {
			n += s.Counts[j]
			if pile != nil {
				p += pile[j]
			}
		}
		e := float64(s.Energy(float64(i) + float64(w.per-1)/2))
		w.n, w.pile, w.e = append(w.n, n), append(w.pile, p*w.total), append(w.e, e)
		w.seen = append(w.seen, det.Efficiency(xray.Energy(e))/math.Max(e, 1))
	}
	w.law = make([]float64, len(w.n))
	return w
}

// fit scans the landing energy over bins lo to hi, finer from round to round.
func (w *endFit) fit(lo, hi int) (Landing, bool) {
	from, to := w.e[lo], w.e[hi-1]
	best, least := 0.0, math.Inf(1)
	var share float64
	step := (to - from) / endSteps
	for range 3 {
		for e := from + step; e < to; e += step {
			if d, p := w.deviance(e, lo, hi); d < least {
				best, least, share = e, d, p
			}
		}
		from, to = best-2*step, best+2*step
		step = (to - from) / endSteps
	}
	// The law is refused where bands of the window miss it, and where the end of
	// the axis could be taken for that of the continuum.
	if best <= 0 || !w.follows(best, lo, hi) || best > w.e[len(w.e)-1]-2*DefaultDetector().FWHM(xray.Energy(best)) {
		return Landing{}, false
	}
	// The standard uncertainty is where the deviance has risen by one.
	width := func(sign float64) float64 {
		for h := step; h < 0.2*best; h *= 1.3 {
			if d, _ := w.deviance(best+sign*h, lo, hi); d > least+1 {
				return h
			}
		}
		return 0.2 * best
	}
	return Landing{Energy: xray.Energy(best), Sigma: xray.Energy((width(1) + width(-1)) / 2), SumShare: share}, true
}

// deviance returns the least deviance with the continuum ending at e0, and the
// share of sums, by expectation maximisation. The model is left in law.
func (w *endFit) deviance(e0 float64, lo, hi int) (dev, share float64) {
	sigma := DefaultDetector().FWHM(xray.Energy(e0)) / fwhmPerSigma
	t := w.law[lo:hi]
	n, pile := w.n[lo:hi], w.pile[lo:hi]
	ta, tp, sum := 0.0, 0.0, 0.0
	for i := range t {
		t[i] = sigma * normalCum((e0-w.e[lo+i])/sigma) * w.seen[lo+i]
		ta += t[i]
		tp += pile[i]
		sum += n[i]
	}
	a, p := 0.9*sum/ta, math.Min(w.maxShare, 0.1*sum/math.Max(tp, 1e-9))
	for range 12 {
		ga, gp := 0.0, 0.0
		for i, c := range n {
			if c != 0 {
				r := c / (a*t[i] + p*pile[i] + 1e-9)
				ga += r * t[i]
				gp += r * pile[i]
			}
		}
		a *= ga / ta
		if tp > 0 {
			p = math.Min(w.maxShare, p*gp/tp)
		}
	}
	for i, c := range n {
		m := a*t[i] + p*pile[i] + 1e-9
		dev += 2 * (m - c)
		if c > 0 {
			dev += 2 * c * math.Log(c/m)
		}
		t[i] = m
	}
	return dev, p
}

// follows reports whether bands of the window, two widths of the resolution
// each, agree with the law to four standard deviations and a tenth.
func (w *endFit) follows(e0 float64, lo, hi int) bool {
	w.deviance(e0, lo, hi)
	band := max(1, int(2*DefaultDetector().FWHM(xray.Energy(e0))/(w.e[1]-w.e[0])))
	for i := lo; i < hi; i += band {
		n, m := 0.0, 0.0
		for j := i; j < min(i+band, hi); j++ {
			n += w.n[j]
			m += w.law[j]
		}
		if math.Abs(n-m) > 4*math.Sqrt(m+1)+0.1*m {
			return false
		}
	}
	return true
}
