package spectra

import (
	"math"
)

// SumPeaksAboveEV is the energy below which counts, those of the electronics'
// zero peak, take no part in sums of two events (common practice, no source).
const SumPeaksAboveEV = 100

// PileUpShape returns the spectrum of sums of two recorded events, made from
// the measured spectrum itself: (n ⋆ n)/2 shifted to the sum of the two
// energies, scaled to unit area over all channels. Channels below
// SumPeaksAboveEV do not take part. A nil slice means no counts.
func (s *Spectrum) PileUpShape() []float64 {
	counts, cal := s.Counts, s.Calibration
	first := max(0, int(math.Ceil(cal.Channel(SumPeaksAboveEV))))
	// energy(i)+energy(k) = energy(i+k+shift)
	shift := cal.OffsetEV / cal.GainEV
	whole := math.Floor(shift)
	frac := shift - whole
	sums := make([]float64, len(counts)) // by i+k+whole
	for i := first; i < len(counts); i++ {
		a := counts[i]
		if a == 0 {
			continue
		}
		from := max(first, -i-int(whole))
		to := min(i, len(counts)-2-i-int(whole)) // j+1 must lie within
		if from > to {
			continue
		}
		dst := sums[i+from+int(whole):]
		for k, b := range counts[from : to+1] {
			dst[k] += float64(a * b)
		}
		if to == i { // a pair of one channel counts half
			sums[2*i+int(whole)] -= a * a / 2
		}
	}
	total := 0.0
	for _, v := range sums {
		total += v
	}
	if total == 0 {
		return nil
	}
	out := make([]float64, len(counts))
	for j, v := range sums[:len(sums)-1] {
		out[j] += v / total * (1 - frac)
		out[j+1] += v / total * frac
	}
	return out
}
