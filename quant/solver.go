package quant

import (
	"fmt"
	"math"
	"slices"

	"example.org/fleck/spectra/xray"
)

// Status says what became of an iteration.
type Status uint8

// Values of Status.
const (
	Converged    Status = iota
	NotConverged        // the best value found; not a solution
	Failed              // no value: a k-ratio is not finite, or the model failed
)

// String returns the status in words.
func (s Status) String() string {
	switch s {
	case Converged:
		return "converged"
	case NotConverged:
		return "not converged"
	case Failed:
		return "failed"
	}
	return fmt.Sprintf("Status(%d)", uint8(s))
}

// Result is a composition found from k-ratios.
type Result struct {
	// Composition as measured, not normalised, with the covariance that the
	// k-ratios' uncertainties give; nil when those are not known. Nothing else
	// is in it: see Budget for the rest. Empty when Status is Failed.
	Composition Composition
	Status      Status
	Err         error   // why the model failed, with Failed
	Steps       int     // evaluations of the model on the way
	Residual    float64 // largest difference of a k-ratio from the model at the end
	// TotalByRule is set when the total proves nothing because an element was
	// found by difference.
	TotalByRule bool
}

// Solver finds compositions from sets of k-ratios of the same peaks. It does not
// change after NewSolver and may be used by several goroutines if its model may.
type Solver struct {
	model Model
	opt   SolveOptions
	peaks []Peak
	pure  []float64 // k-ratio of the pure element of each peak
	layout
}

// layout places measured, known and unmeasured elements in one composition.
type layout struct {
	elements []xray.Element
	measured []int     // of each peak
	rule     int       // of the unmeasured element, −1 if none
	known    []float64 // mass fraction of each element that is known, else 0
	bound    []float64 // mass of unmeasured element per mass of each element, by stoichiometry
}

// NewSolver prepares a model. Each element must have one peak, and the
// unmeasured and known elements none.
func NewSolver(model Model, opt SolveOptions) (*Solver, error) {
	opt, err := opt.withDefaults()
	if err != nil {
		return nil, err
	}
	s := &Solver{model: model, opt: opt, peaks: model.Peaks()}
	if len(s.peaks) == 0 {
		return nil, fmt.Errorf("quant: model without peaks")
	}
	var all []xray.Element
	for _, p := range s.peaks {
		if slices.Contains(all, p.Element) {
			return nil, fmt.Errorf("quant: element %s has more than one peak; choose one", p.Element)
		}
		all = append(all, p.Element)
	}
	for _, z := range opt.Known.Elements {
		if slices.Contains(all, z) {
			return nil, fmt.Errorf("quant: element %s is both known and measured", z)
		}
		all = append(all, z)
	}
	s.rule = -1
	if opt.Rule != NoRule {
		if slices.Contains(all, opt.Unmeasured) {
			return nil, fmt.Errorf("quant: element %s is both measured or known and found %s", opt.Unmeasured, opt.Rule)
		}
		all = append(all, opt.Unmeasured)
	}
	slices.Sort(all)
	s.elements = all
	s.known = make([]float64, len(all))
	for i, z := range opt.Known.Elements {
		s.known[slices.Index(all, z)] = float64(opt.Known.Mass[i])
	}
	for _, p := range s.peaks {
		s.measured = append(s.measured, slices.Index(all, p.Element))
	}
	if opt.Rule != NoRule {
		s.rule = slices.Index(all, opt.Unmeasured)
	}
	s.bound = make([]float64, len(all))
	if opt.Rule == ByStoichiometry {
		for i, z := range all {
			if i == s.rule {
				continue
			}
			v, ok := opt.Valences[z]
			if !ok {
				v = Valence(z)
			}
			if v < 0 || v == 0 && !ok {
				return nil, fmt.Errorf("quant: no valence of %s for %s by stoichiometry; state one, 0 for none", z, opt.Unmeasured)
			}
			s.bound[i] = bound(z, opt.Unmeasured, v, opt.AnionValence)
		}
	}
	return s, s.findPure()
}

// findPure evaluates the model for the pure element of each peak: 1 for a pure
// standard, more for a compound.
func (s *Solver) findPure() error {
	s.pure = make([]float64, len(s.peaks))
	f := make([]float64, len(s.peaks))
	for i, p := range s.peaks {
		if err := s.model.Factors(f, Composition{Elements: []xray.Element{p.Element}, Mass: []MassFraction{1}}); err != nil {
			return fmt.Errorf("quant: pure %s: %w", p.Element, err)
		}
		s.pure[i] = f[i]
	}
	return nil
}

// Solve returns the composition of a set of k-ratios, in the order of the
// model's peaks. Other peaks or another number of them are an error; everything
// that is wrong with the data is a Status.
//
// The iteration is the hyperbolic one of Criss J W, Birks L S (1966) in The
// Electron Microprobe, Wiley, 217: C/k = α + (1−α)C for each element, with k
// relative to the pure element. Where it makes the largest residual grow it goes
// back half the step; where C or k lies outside (0, 1) it takes the simple step
// C·k_measured/k. If it has not converged after MaxSteps, the simple iteration
// starts over. Mass fractions are held to [1e-6, 1.2] inside the model; a
// k-ratio ≤ 0 gives the fraction k·(C/k), ≤ 0, and counts as absent.
func (s *Solver) Solve(ks []KRatio) (Result, error) {
	if len(ks) != len(s.peaks) {
		return Result{}, fmt.Errorf("quant: %d k-ratios for a model of %d peaks", len(ks), len(s.peaks))
	}
	for i, k := range ks {
		if k.Peak != s.peaks[i] {
			return Result{}, fmt.Errorf("quant: k-ratio %d is of %s; the model expects %s", i+1, k.Peak, s.peaks[i])
		}
		if math.IsNaN(k.Value) || math.IsInf(k.Value, 0) {
			return Result{Status: Failed, Err: fmt.Errorf("quant: k-ratio of %s is %g", k.Peak, k.Value)}, nil
		}
	}
	it := s.newIteration(ks)
	for _, step := range []func() bool{it.hyperbolic, it.simple} {
		it.start()
		for range s.opt.MaxSteps {
			done, err := it.evaluate()
			if err != nil {
				return Result{Status: Failed, Err: err, Steps: it.steps}, nil
			}
			if done {
				return it.result(Converged), nil
			}
			if !step() {
				break
			}
		}
	}
	return it.result(NotConverged), nil
}

// Solve finds the composition of one set of k-ratios; see Solver.Solve.
func Solve(model Model, ks []KRatio, opt SolveOptions) (Result, error) {
	s, err := NewSolver(model, opt)
	if err != nil {
		return Result{}, err
	}
	return s.Solve(ks)
}
