package quant

import (
	"fmt"

	"example.org/fleck/spectra/xray"
)

// Model is a matrix correction for fixed peaks, standards and geometry.
// matrix.Predictor is one.
type Model interface {
	// Peaks returns the peaks in the order of Factors.
	Peaks() []Peak
	// Factors writes k/C of each peak to dst: the k-ratio per mass fraction of
	// its element in a specimen of composition c, which counts fractions not
	// above 0 as absent and is normalised to 1 first.
	Factors(dst []float64, c Composition) error
}

// Rule says how an element is found that was not measured.
type Rule uint8

// Rules for an unmeasured element.
const (
	NoRule Rule = iota // every element was measured
	// ByStoichiometry binds the element to the others by their valences; the
	// common case is oxygen in oxides.
	ByStoichiometry
	// ByDifference gives it what is missing to 1. It hides every error: the
	// total is 1 by construction and proves nothing.
	ByDifference
)

// String returns the rule in words.
func (r Rule) String() string {
	switch r {
	case NoRule:
		return "measured"
	case ByStoichiometry:
		return "by stoichiometry"
	case ByDifference:
		return "by difference"
	}
	return fmt.Sprintf("Rule(%d)", uint8(r))
}

// SolveOptions are the settings of an iteration. The zero value asks for all
// elements measured and the defaults stated.
type SolveOptions struct {
	// Unmeasured is the element found by Rule; zero is oxygen.
	Unmeasured xray.Element
	Rule       Rule
	// Valences of the other elements for ByStoichiometry; an element without an
	// entry has Valence.
	Valences map[xray.Element]int
	// AnionValence of the unmeasured element; 0 is 2.
	AnionValence int
	// Known are mass fractions of elements that were not measured and stay as
	// they are, for example hydrogen of a known hydrate.
	Known Composition
	// MaxSteps of the guarded hyperbolic iteration, and again of the simple one
	// if the first does not converge; 0 is 50.
	MaxSteps int
	// Tolerance on mass fractions and on k-ratios; 0 is 1e-6.
	Tolerance float64
	// SkipCovariance leaves out the covariance, which costs one evaluation of
	// the model for each peak.
	SkipCovariance bool
}

func (o SolveOptions) withDefaults() (SolveOptions, error) {
	if o.MaxSteps == 0 {
		o.MaxSteps = 50
	}
	if o.Tolerance == 0 {
		o.Tolerance = 1e-6
	}
	if o.Unmeasured == 0 {
		o.Unmeasured = Oxygen
	}
	if o.AnionValence == 0 {
		o.AnionValence = 2
	}
	switch {
	case o.MaxSteps < 1 || o.MaxSteps > 10000:
		return o, fmt.Errorf("quant: %d steps of iteration; 1 to 10000 are accepted", o.MaxSteps)
	case !(o.Tolerance > 0 && o.Tolerance < 0.1):
		return o, fmt.Errorf("quant: tolerance %g of the iteration; it must be above 0 and below 0.1", o.Tolerance)
	case o.Rule > ByDifference:
		return o, fmt.Errorf("quant: unknown rule %d for the unmeasured element", uint8(o.Rule))
	case !o.Unmeasured.Valid():
		return o, fmt.Errorf("quant: unmeasured element with atomic number %d; 1 to %d are known", int(o.Unmeasured), int(xray.MaxElement))
	case o.AnionValence < 1:
		return o, fmt.Errorf("quant: valence %d of the unmeasured element; it must be above 0", o.AnionValence)
	}
	return o, nil
}
