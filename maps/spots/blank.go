package spots

import (
	"fmt"
	"math"

	"example.org/fleck/maps"
	"example.org/fleck/spectra/poisson"
	"gonum.org/v1/gonum/stat/distuv"
)

// blankAlpha is the significance from which a blank spectrum counts as that of
// another substrate than the field's (choice of this package: small, because
// the field falls back on its own spectrum then, at a small loss).
const blankAlpha = 1e-5

// blankMatch says how well a blank spectrum describes the field.
type blankMatch struct {
	p         float64 // of the chi-square over channel groups
	from, to  int     // channels that depart most
	got, want float64 // counts there
	excess    float64 // counts of the whole template in the field
	excessS   float64
	line      float64 // counts of the own line family, the rest free
	lineSigma float64
}

// matchBlank fits the sum spectrum of the pixels outside the mask by blank,
// target and nuisance. Two tests, both allowing for the counts of the blank: the
// chi-square of what is left over, in groups of channels with at least 25 expected
// counts; and the gain by more of the target's other lines (an oxide film, say),
// which would raise alarms all over the field. The target takes part because
// spots not yet found are no fault of the blank.
//
// Every phase of the substrate is tested by itself (Bonferroni).
func (s *cubeSearch) matchBlank(mask maps.Mask) (blankMatch, error) {
	worst := blankMatch{p: 1}
	n := float64(len(s.ground.phases))
	for k, sum := range s.ground.sums(s.f, mask) {
		if sumOf(sum) == 0 {
			continue
		}
		m, err := s.matchPhase(&s.ground.phases[k], sum)
		if err != nil {
			return m, err
		}
		if m.p = math.Min(1, n*m.p); m.p < worst.p || n == 1 {
			worst = m
		}
	}
	return worst, nil
}

// matchPhase is matchBlank for the spectrum of the pixels of one phase.
func (s *cubeSearch) matchPhase(ph *phase, sum []float64) (blankMatch, error) {
	total := sumOf(sum)
	m := blankMatch{p: 1}
	inflate := 1.0
	if ph.counts > 0 {
		inflate += total / ph.counts
	}
	templates := [][]float64{floored(ph.raw), s.opt.Target.Spectrum}
	for _, n := range s.opt.Nuisance {
		templates = append(templates, n.Spectrum)
	}
	mix, err := poisson.NewMixture(templates)
	if err != nil {
		return m, fmt.Errorf("spots: %w", err)
	}
	fit, err := mix.FitDense(sum)
	if err != nil {
		return m, fmt.Errorf("spots: %w", err)
	}
	want, err := mix.Expected(nil, fit.Amplitude)
	if err != nil {
		return m, fmt.Errorf("spots: %w", err)
	}
	chi2, dof, worst := 0.0, -1-len(s.opt.Nuisance), 0.0
	a := 0
	n, mu := 0.0, 0.0
	for c := range sum {
		n += sum[c]
		mu += want[c]
		if mu < 25 && c < len(sum)-1 {
			continue
		}
		if mu > 0 {
			z := (n - mu) * (n - mu) / (mu * inflate)
			chi2 += z
			dof++
			if z > worst {
				worst, m.from, m.to, m.got, m.want = z, a, c, n, mu
			}
		}
		a, n, mu = c+1, 0, 0
	}
	if dof > 0 {
		m.p = distuv.ChiSquared{K: float64(dof)}.Survival(chi2)
	}
	_, rest := s.opt.Target.split()
	if mix, err = poisson.NewMixture(append(templates, rest)); err != nil {
		return m, fmt.Errorf("spots: %w", err)
	}
	more, err := mix.FitDense(sum)
	if err != nil {
		return m, fmt.Errorf("spots: %w", err)
	}
	gain := math.Max(0, fit.Deviance-more.Deviance) / inflate
	m.p = math.Min(1, 2*math.Min(m.p, poisson.HalfChi2P(gain)))
	return m, nil
}

// floored lifts channels without counts to 1e−9 of the whole, so that counts of
// the field there have a place in the fit.
func floored(s []float64) []float64 {
	out := make([]float64, len(s))
	for c, v := range s {
		out[c] = math.Max(v, 1e-9)
	}
	return out
}

// fieldExcess fits the sum spectrum of the whole field by blank, nuisance and
// the target, whole and with its own line family free of the rest.
func (s *cubeSearch) fieldExcess(m *blankMatch) error {
	sum := s.f.Sum()
	substrate, counts := s.ground.mean()
	inflate := 1.0
	if counts > 0 {
		inflate += s.total / counts
	}
	fit := func(parts ...[]float64) (n, sigma float64, err error) {
		templates := append([][]float64{floored(substrate)}, parts...)
		for _, t := range s.opt.Nuisance {
			templates = append(templates, t.Spectrum)
		}
		mix, err := poisson.NewMixture(templates)
		if err != nil {
			return 0, 0, fmt.Errorf("spots: %w", err)
		}
		r, err := mix.FitDense(sum)
		if err != nil {
			return 0, 0, fmt.Errorf("spots: %w", err)
		}
		t := sumOf(parts[0])
		return r.Amplitude[1] * t, r.Sigma[1] * t * math.Sqrt(inflate), nil
	}
	var err error
	if m.excess, m.excessS, err = fit(s.opt.Target.Spectrum); err != nil {
		return err
	}
	line, rest := s.opt.Target.split()
	m.line, m.lineSigma, err = fit(line, rest)
	return err
}
