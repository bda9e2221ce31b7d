package fit

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

// ErrNoScale says that the peaks of a spectrum do not fix an energy scale.
var ErrNoScale = errors.New("the peaks do not fix an energy scale")

// Bounds of the scales that FindScale considers: channel widths of spectrometers
// in use and offsets of a few tens of channels (common practice, no source).
const (
	minGainEV   = 1.0
	maxGainEV   = 50.0
	maxOffsetEV = 1500.0
	scalePeaks  = 8 // strongest peaks considered
	scaleTrials = 12
)

// FindScale finds offset and gain from nothing but the counts and the elements
// that the specimen is known to hold: pairs of strong peaks are matched with
// pairs of main lines, each scale that follows is scored by how many of the
// peaks fall on lines and of the lines on peaks, and the best are fitted. The
// beam energy of s, if known, limits the lines. The scale is good to about a
// tenth of the resolution; Spectrum refines it.
//
// It fails with ErrNoScale where fewer than two peaks stand out, and where two
// different scales describe the spectrum about as well.
func FindScale(s *spectra.Spectrum, elements []xray.Element, det spectra.Detector) (spectra.Calibration, error) {
	var none spectra.Calibration
	if kind, i := spectra.CheckCounts(s.Counts); kind == spectra.InvalidCounts {
		return none, fmt.Errorf("fit: channel %d holds %g; counts must be numbers ≥ 0", i, s.Counts[i])
	}
	det = det.WithDefaults()
	peaks := strongPeaks(s.Counts)
	if len(peaks) < 2 {
		return none, fmt.Errorf("fit: %d peaks stand out: %w", len(peaks), ErrNoScale)
	}
	type mainLine struct {
		e      float64
		family Family
	}
	var lines []mainLine
	for _, f := range FamiliesOf(elements, s.BeamEnergy, 150, 40000) {
		m, _ := MainLine(f.Element, f.Family, s.BeamEnergy)
		lines = append(lines, mainLine{float64(m.Energy), f})
	}
	slices.SortFunc(lines, func(a, b mainLine) int { return cmp.Compare(a.e, b.e) })
	if len(lines) < 2 {
		return none, fmt.Errorf("fit: the elements have %d main lines that the beam excites; two are needed: %w", len(lines), ErrNoScale)
	}
	type trial struct {
		cal   spectra.Calibration
		score float64
	}
	var trials []trial
	for i, p := range peaks {
		for _, q := range peaks[i+1:] {
			a, b := min(p.channel, q.channel), max(p.channel, q.channel)
			for k, lo := range lines {
				for _, hi := range lines[k+1:] {
					gain := (hi.e - lo.e) / (b - a)
					cal := spectra.Calibration{GainEV: gain, OffsetEV: lo.e - a*gain}
					if gain < minGainEV || gain > maxGainEV || math.Abs(cal.OffsetEV) > maxOffsetEV || b-a < 5 {
						continue
					}
					score := 0.0
					for _, x := range peaks {
						e := float64(cal.Energy(x.channel))
						for _, l := range lines {
							if math.Abs(l.e-e) < 0.3*det.FWHM(xray.Energy(l.e)) {
								score += x.weight
								break
							}
						}
					}
					trials = append(trials, trial{cal, score})
				}
			}
		}
	}
	slices.SortStableFunc(trials, func(a, b trial) int { return cmp.Compare(b.score, a.score) })
	best, second := math.Inf(1), math.Inf(1)
	var found spectra.Calibration
	for _, t := range trials[:min(scaleTrials, len(trials))] {
		moved := *s
		moved.Calibration = t.cal
		o := Options{Detector: det, FixWeights: true, MaxIterations: 25}
		end := float64(t.cal.Energy(float64(len(s.Counts) - 1)))
		o.Families = FamiliesOf(elements, s.BeamEnergy, LowEV(elements, s.BeamEnergy), end)
		if len(o.Families) == 0 {
			continue
		}
		r, err := spectrum(&moved, o, nil)
		if err != nil || r.Status == Empty {
			continue
		}
		m := misfit(r.counts, r.Model) / float64(len(r.Model))
		same := math.Abs(float64(r.Calibration.Energy(peaks[0].channel)-found.Energy(peaks[0].channel))) < 0.3*det.FWHM(r.Calibration.Energy(peaks[0].channel)) &&
			math.Abs(r.Calibration.GainEV-found.GainEV) < 0.01*found.GainEV
		switch {
		case m < best:
			if !same {
				second = best
			}
			best, found = m, r.Calibration
		case !same && m < second:
			second = m
		}
	}
	if !found.Valid() {
		return none, fmt.Errorf("fit: no pair of peaks fits a pair of lines: %w", ErrNoScale)
	}
	if second < 1.3*best {
		return none, fmt.Errorf("fit: two scales describe the spectrum alike: %w", ErrNoScale)
	}
	return found, nil
}

// strongPeak is a peak of a spectrum without energy scale.
type strongPeak struct {
	channel float64
	weight  float64 // logarithm of the significance
}

// strongPeaks returns the peaks that stand out of their surroundings, the most
// significant first. Peaks are looked for at several widths, because the width
// in channels is not known either.
func strongPeaks(counts []float64) []strongPeak {
	sums := make([]float64, len(counts)+1)
	for i, n := range counts {
		sums[i+1] = sums[i] + n
	}
	window := func(a, b int) float64 { // [a, b)
		a, b = max(a, 0), min(b, len(counts))
		if b <= a {
			return 0
		}
		return sums[b] - sums[a]
	}
	type found struct {
		channel, z float64
		half       int
	}
	var all []found
	for _, half := range []int{1, 2, 3, 5, 8} {
		w := 2*half + 1
		z := make([]float64, len(counts))
		for i := range counts {
			if i < 2*w || i > len(counts)-2*w {
				continue
			}
			in := window(i-half, i+half+1)
			side := 0.5 * (window(i-half-w, i-half) + window(i+half+1, i+half+1+w))
			if in > side {
				z[i] = (in - side) / math.Sqrt(in+side/2+1)
			}
		}
		for i := 1; i+1 < len(z); i++ {
			if z[i] > 8 && z[i] >= z[i-1] && z[i] > z[i+1] {
				// The centroid of the three highest channels.
				c, n := 0.0, 0.0
				for j := i - half; j <= i+half; j++ {
					if j >= 0 && j < len(counts) {
						c += float64(j) * counts[j]
						n += counts[j]
					}
				}
				all = append(all, found{c / n, z[i], half})
			}
		}
	}
	slices.SortFunc(all, func(a, b found) int { return cmp.Or(cmp.Compare(b.z, a.z), cmp.Compare(a.channel, b.channel)) })
	var out []strongPeak
	for _, f := range all {
		if slices.ContainsFunc(out, func(p strongPeak) bool { return math.Abs(p.channel-f.channel) < float64(2*f.half+1) }) {
			continue
		}
		out = append(out, strongPeak{f.channel, math.Log(f.z)})
		if len(out) == scalePeaks {
			break
		}
	}
	return out
}
