package fit

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/poisson"
	"example.org/fleck/spectra/xray"
)

// RareFeature is a stretch of the maximum-pixel spectrum that holds more than
// the sum spectrum accounts for: counts that sit in few pixels.
type RareFeature struct {
	EnergyEV   float64 // of the channel that stands out most
	Counts     float64 // of the maximum pixel there
	Expected   float64 // mean counts per pixel there
	PValue     float64 // over all channels
	Candidates []Family
}

// maxCandidates bounds the families listed for one feature.
const maxCandidates = 6

// Rare screens the maximum-pixel spectrum (the largest count of any pixel,
// channel by channel; Bright & Newbury 2004, J. Microsc. 216, 186) for lines
// that single pixels show and the sum spectrum hides. Under the null every
// pixel is a Poisson draw from the mean spectrum, so that the largest of n
// pixels exceeds k with probability 1 − (1 − P(X ≥ k))ⁿ; brightest is the
// largest pixel total over the mean one, which scales the mean to allow for
// shading. Features with a p-value below alpha over all channels (Bonferroni)
// are returned, strongest evidence first, each with the families that have
// their main line within half the resolution.
//
// Every pixel of a second phase that is common in the field stands out here
// too: a feature is a place to look, not an element found.
func Rare(s *spectra.Spectrum, maximum []uint32, pixels int, brightest float64, det spectra.Detector, alpha float64) ([]RareFeature, error) {
	if err := s.Validate(); err != nil {
		return nil, err
	}
	if len(maximum) != len(s.Counts) {
		return nil, fmt.Errorf("fit: the maximum-pixel spectrum has %d channels, the sum spectrum %d", len(maximum), len(s.Counts))
	}
	if pixels < 1 || !(alpha > 0 && alpha < 1) {
		return nil, fmt.Errorf("fit: %d pixels, alpha %g; at least one pixel and an alpha between 0 and 1 are needed", pixels, alpha)
	}
	det = det.WithDefaults()
	brightest = math.Max(1, brightest)
	type hit struct {
		channel int
		p       float64
	}
	var hits []hit
	tested := 0
	for c, k := range maximum {
		e := float64(s.Energy(float64(c)))
		if e < DefaultLowEV || s.BeamEnergy > 0 && e > float64(s.BeamEnergy) {
			continue
		}
		tested++
		if k == 0 {
			continue
		}
		mu := brightest * s.Counts[c] / float64(pixels)
		one := poisson.TailP(int(k), mu)
		p := -math.Expm1(float64(pixels) * math.Log1p(-math.Min(one, 1-1e-16)))
		hits = append(hits, hit{c, p})
	}
	var out []RareFeature
	slices.SortFunc(hits, func(a, b hit) int { return cmp.Or(cmp.Compare(a.p, b.p), cmp.Compare(a.channel, b.channel)) })
	for _, h := range hits {
		p := math.Min(1, h.p*float64(tested))
		if p > alpha {
			break
		}
		e := s.Energy(float64(h.channel))
		if slices.ContainsFunc(out, func(f RareFeature) bool { return math.Abs(f.EnergyEV-float64(e)) < det.FWHM(e) }) {
			continue
		}
		f := RareFeature{EnergyEV: float64(e), Counts: float64(maximum[h.channel]), Expected: s.Counts[h.channel] / float64(pixels), PValue: p}
		type near struct {
			Family
			d float64
		}
		var cands []near
		for _, z := range DefaultCandidates() {
			for _, fam := range FamiliesOf([]xray.Element{z}, s.BeamEnergy, 0, math.Inf(1)) {
				main, _ := MainLine(z, fam.Family, s.BeamEnergy)
				if d := math.Abs(float64(main.Energy - e)); d < det.FWHM(e)/2+s.GainEV {
					cands = append(cands, near{fam, d})
				}
			}
		}
		slices.SortStableFunc(cands, func(a, b near) int { return cmp.Compare(a.d, b.d) })
		for _, c := range cands[:min(maxCandidates, len(cands))] {
			f.Candidates = append(f.Candidates, c.Family)
		}
		out = append(out, f)
	}
	return out, nil
}
