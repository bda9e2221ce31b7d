// Package composition turns net-count maps into composition maps: a matrix
// correction for every pixel.
//
// Loops run over pixels. Results do not depend on the number of workers.
//
// Every pixel is treated as a flat bulk specimen, which is true only where the
// composition is uniform over the excited volume, about a micrometre wide and
// deep: at boundaries, particles and films the maps show what a bulk with these
// k-ratios would be, and no composition. The maps carry a Flag for each pixel,
// but a thin particle looks like any other mixture, so that no flag can find it.
//
// The correction of a map is a table (quant.Table) made from the model once;
// it deviates from the model by less than 1 % of a mass fraction in 95 of 100
// compositions and by some per cent at worst. Options.Exact takes the model
// itself.
package composition

import (
	"context"
	"fmt"
	"math"
	"runtime"
	"slices"
	"sync"

	"example.org/fleck/maps"
	"example.org/fleck/quant"
	"example.org/fleck/quant/matrix"
	"example.org/fleck/spectra/xray"
)

// Input is the net-count map of one peak.
type Input struct {
	Peak   quant.Peak
	Counts maps.Stack
	// Standard is the counts that one pixel of the standard would have at the
	// same dose, k-ratio 1; for relative maps in any unit that is the same for
	// all inputs, see Computed.
	Standard float64
}

// Options steer Maps. Geometry must be stated.
type Options struct {
	Geometry quant.Geometry
	Matrix   matrix.Options
	// Solve holds the rule for an element that is not measured.
	Solve quant.SolveOptions
	// Relative says that the common scale of the standards means nothing, as in a
	// standardless analysis: every pixel is scaled to total 1.
	Relative bool
	// Exact evaluates the model in every pixel instead of the table.
	Exact bool
	// WeakTotal is the relative uncertainty of the summed k-ratios above which a
	// pixel is flagged Weak; default 0.3.
	WeakTotal float64
	Workers   int // 0 = all cores
	Progress  func(done, total int)
}

// Flag says what is wrong with the composition of a pixel.
type Flag uint8

// Flags, of which a pixel has one, the first that holds.
const (
	OK           Flag = iota
	NoCounts          // nothing measured: no value
	Failed            // no value: the counts are no numbers or the model failed
	NotConverged      // best value, no solution
	Weak              // counting alone leaves the total uncertain by more than WeakTotal
	TotalOff          // the analytical total lies outside 0.9 to 1.1: no flat bulk of these elements
	countOfFlags
)

// String returns the flag in words.
func (f Flag) String() string {
	switch f {
	case OK:
		return "ok"
	case NoCounts:
		return "no counts"
	case Failed:
		return "failed"
	case NotConverged:
		return "not converged"
	case Weak:
		return "weak"
	case TotalOff:
		return "total outside 0.9 to 1.1"
	}
	return fmt.Sprintf("Flag(%d)", uint8(f))
}

// Result holds one stack of mass fractions per element.
type Result struct {
	Elements []xray.Element // ascending
	Stacks   []maps.Stack   // mass fractions, 0 to 1, with their uncertainty from counting
	// Total is the analytical total before any normalisation; all NaN for
	// relative maps and by difference, where it proves nothing.
	Total   maps.Map
	Flags   []Flag // len W·H
	Pixels  [countOfFlags]int
	Remarks []string
}

// Count returns the number of pixels with a flag.
func (r *Result) Count(f Flag) int {
	if f >= countOfFlags {
		return 0
	}
	return r.Pixels[f]
}

// Computed returns the Standard of each peak for a standardless analysis: the
// counts per electron and 4π that a detector of the given efficiency would take
// of the pure elements. Use it with Options.Relative and the same efficiency in
// Options.Matrix.
func Computed(peaks []quant.Peak, g quant.Geometry, opt matrix.Options) ([]float64, error) {
	out := make([]float64, len(peaks))
	for i, p := range peaks {
		v, err := matrix.PureIntensity(p, g, opt)
		if err != nil {
			return nil, fmt.Errorf("composition: %w", err)
		}
		out[i] = v
	}
	return out, nil
}

// totalTolerance is the distance of the analytical total from 1 at which a pixel
// is flagged, beside three counting uncertainties; common practice, no source.
const totalTolerance = 0.1

// Maps finds the composition of every pixel.
func Maps(ctx context.Context, inputs []Input, opt Options) (*Result, error) {
	w, h, err := checkInputs(inputs)
	if err != nil {
		return nil, err
	}
	if opt.WeakTotal == 0 {
		opt.WeakTotal = 0.3
	}
	if !(opt.WeakTotal > 0) {
		return nil, fmt.Errorf("composition: limit %g of the uncertainty of a total; it must be above 0", opt.WeakTotal)
	}
	solver, elements, err := newSolver(inputs, opt)
	if err != nil {
		return nil, err
	}
	r := newResult(elements, inputs[0].Counts.Value, opt)
	rows := make([][countOfFlags]int, h)
	workers := opt.Workers
	if workers <= 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	var (
		wg   sync.WaitGroup
		mu   sync.Mutex
		done int
		next = make(chan int)
	)
	for range min(workers, max(h, 1)) {
		wg.Go(func() {
			px := newPixel(solver, inputs, opt)
			for y := range next {
				for x := range w {
					i := y*w + x
					rows[y][px.solve(r, i)]++
				}
				if opt.Progress != nil {
					mu.Lock()
					done++
					opt.Progress(done, h)
					mu.Unlock()
				}
			}
		})
	}
	for y := 0; y < h && err == nil; y++ {
		if err = ctx.Err(); err == nil {
			next <- y
		}
	}
	close(next)
	wg.Wait()
	if err != nil {
		return nil, err
	}
	for _, row := range rows {
		for f, n := range row {
			r.Pixels[f] += n
		}
	}
	return r, nil
}

func checkInputs(inputs []Input) (w, h int, err error) {
	if len(inputs) == 0 {
		return 0, 0, fmt.Errorf("composition: no net-count maps")
	}
	first := inputs[0].Counts.Value
	for i, in := range inputs {
		v, s := in.Counts.Value, in.Counts.Sigma
		for _, m := range []maps.Map{v, s} {
			if err := m.Check(); err != nil {
				return 0, 0, fmt.Errorf("composition: map of %s: %w", in.Peak, err)
			}
		}
		switch {
		case v.W != first.W || v.H != first.H || s.W != v.W || s.H != v.H:
			return 0, 0, fmt.Errorf("composition: map of %s has %d × %d pixels and %d × %d uncertainties; the first map has %d × %d", in.Peak, v.W, v.H, s.W, s.H, first.W, first.H)
		case in.Counts.Status != nil && len(in.Counts.Status) != v.W*v.H:
			return 0, 0, fmt.Errorf("composition: map of %s has %d states for %d pixels", in.Peak, len(in.Counts.Status), v.W*v.H)
		case !(in.Standard > 0) || math.IsInf(in.Standard, 1):
			return 0, 0, fmt.Errorf("composition: standard of %s has %g counts; they must be above 0 and finite", in.Peak, in.Standard)
		case slices.ContainsFunc(inputs[:i], func(o Input) bool { return o.Peak.Element == in.Peak.Element }):
			return 0, 0, fmt.Errorf("composition: two maps of element %s", in.Peak.Element)
		}
	}
	return first.W, first.H, nil
}

// newSolver makes the solver of a pixel and lists the elements of its results.
func newSolver(inputs []Input, opt Options) (*quant.Solver, []xray.Element, error) {
	so := opt.Solve
	if so.Tolerance == 0 {
		so.Tolerance = 1e-5 // far below counting in a pixel
	}
	if so.Unmeasured == 0 {
		so.Unmeasured = quant.Oxygen
	}
	if opt.Relative && so.Rule == quant.ByDifference {
		return nil, nil, fmt.Errorf("composition: %s by difference needs the absolute size of the k-ratios; relative maps have none", so.Unmeasured)
	}
	if opt.Relative && len(so.Known.Elements) > 0 {
		return nil, nil, fmt.Errorf("composition: relative maps take no known fractions (%d are stated)", len(so.Known.Elements))
	}
	var peaks []quant.Peak
	var elements []xray.Element
	for _, in := range inputs {
		peaks = append(peaks, in.Peak)
		elements = append(elements, in.Peak.Element)
	}
	others := slices.Clone(so.Known.Elements)
	if so.Rule != quant.NoRule {
		others = append(others, so.Unmeasured)
	}
	p, err := matrix.NewPredictor(peaks, others, opt.Geometry, opt.Matrix)
	if err != nil {
		return nil, nil, fmt.Errorf("composition: %w", err)
	}
	var model quant.Model = p
	if !opt.Exact {
		// A standard may hold elements that no pixel does.
		if model, err = quant.NewTable(p, others); err != nil {
			return nil, nil, fmt.Errorf("composition: %w", err)
		}
	}
	s, err := quant.NewSolver(model, so)
	if err != nil {
		return nil, nil, fmt.Errorf("composition: %w", err)
	}
	elements = append(elements, others...)
	slices.Sort(elements)
	return s, elements, nil
}

func newResult(elements []xray.Element, like maps.Map, opt Options) *Result {
	n := like.W * like.H
	r := &Result{Elements: elements, Flags: make([]Flag, n)}
	status := make([]maps.Status, n)
	blank := func(what string) maps.Map {
		m := maps.New(like.W, like.H)
		m.What, m.Unit, m.Pixel = what, "mass fraction", like.Pixel
		return m
	}
	for _, z := range elements {
		r.Stacks = append(r.Stacks, maps.Stack{
			Value:  blank(z.Symbol() + " mass fraction"),
			Sigma:  blank(z.Symbol() + " standard uncertainty of counting"),
			Status: status, // common to all elements
		})
	}
	r.Total = blank("analytical total")
	r.Remarks = append(r.Remarks, "every pixel is corrected as a flat bulk specimen; at boundaries, particles and films the numbers are no composition")
	if opt.Relative {
		r.Remarks = append(r.Remarks, "scaled to total 1 in every pixel, so the total proves nothing and missing elements do not show")
	}
	return r
}
