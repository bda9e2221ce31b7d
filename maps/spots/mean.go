package spots

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// MeanOptions are the settings of FieldMean.
type MeanOptions struct {
	Target   Template
	Nuisance []Template // lines of free strength, e.g. carbon
	Level    float64    // of the interval and the limit; 0 means 0.95
}

// Mean is the target that whole fields hold on average, in spots or spread evenly.
type Mean struct {
	// Share is the counts of the target, all its lines, over all counts of the
	// treated fields, in excess of the blank ones, as its own line shows it.
	Share, Sigma float64
	Low, High    float64 // interval at Level
	Limit        float64 // one-sided upper limit at Level
	PValue       float64 // one-sided: "the treated fields hold more"
	// Whole is the share by all lines together and WholePValue as PValue for it. They
	// find less deposit than the own line does where oxygen tells it best, but rise
	// with oxygen that is no part of the target as well: no evidence of the target.
	Whole, WholeSigma, WholePValue float64
	Treated, Blank                 []float64 // of every field; a blank against the other blanks
	// Spread is the standard deviation of the shares of blank fields beyond their
	// counting, 0 when there is none; Inflation the factor between the variance from
	// the scatter of the fields and that of counting, by which Sigma² was multiplied.
	Spread, Inflation float64
	// Reason says why the numbers are missing (NaN) or lack the scatter of blanks.
	Reason string
}

// FieldMean compares the sum spectra of treated fields, or coupons, with those of
// blank ones. It sees what no search for spots sees: a deposit spread evenly, or
// particles too small to stand out. Without blank fields there is no answer: a
// substrate spectrum of the treated field itself holds the deposit.
//
// The share of each field is one weighted sum of its channels, the same for all:
// the weighted least-squares estimate (weights 1/variance of all fields pooled) of
// the own line with the other parts of the target, the nuisance lines, and shift
// and width of the substrate's lines free. Oxygen that is no part of the target, or
// another continuum, thus neither passes for it nor hides it, provided that the
// template states its parts.
//
// The shares, treated against blank, are compared by Student's t with the pooled
// scatter of fields of one kind, which holds counting and all else that fields differ
// by; with counting alone where no side has two fields. With eight or more degrees of
// freedom no threshold on the difference that depends on the scatter, and keeps its
// level whatever the scatter is, finds 0.01 more (TestStudyMeanBound).
//
// Interval and limit are those of a deposit that is the same on all treated fields.
func FieldMean(treated, blanks [][]float64, opt MeanOptions) (*Mean, error) {
	if opt.Level == 0 {
		opt.Level = 0.95
	}
	if !(opt.Level > 0 && opt.Level < 1) {
		return nil, fmt.Errorf("spots: level %g; must lie between 0 and 1", opt.Level)
	}
	if len(treated) == 0 {
		return nil, fmt.Errorf("spots: no treated field given")
	}
	nc := len(treated[0])
	target, err := opt.Target.check(nc, "target")
	if err != nil {
		return nil, err
	}
	if target.Line == nil {
		return nil, fmt.Errorf("spots: target %q has no line family of its own; Template.Line must say which part of the spectrum it is", target.Name)
	}
	nuisance, err := checkAll(opt.Nuisance, nc, "nuisance", map[string]bool{})
	if err != nil {
		return nil, err
	}
	nan := math.NaN()
	out := &Mean{Share: nan, Sigma: nan, Low: nan, High: nan, Limit: nan, PValue: nan, Whole: nan, WholeSigma: nan, WholePValue: nan, Spread: nan, Inflation: nan}
	if len(blanks) == 0 {
		out.Reason = "no blank field: a deposit spread evenly cannot be seen in the field's own spectrum"
		return out, nil
	}
	for side, list := range [][][]float64{treated, blanks} {
		for i, s := range list {
			if _, err := normalised(s, nc, fmt.Sprintf("%s field %d", [2]string{"treated", "blank"}[side], i)); err != nil {
				return nil, err
			}
		}
	}
	own, whole, err := compareFields(treated, blanks, target, nuisance)
	if err != nil {
		return nil, err
	}
	out.Whole, out.WholeSigma, out.WholePValue = whole.difference, whole.sigma(), whole.survival()
	out.take(own, opt.Level)
	return out, nil
}

// take fills in what the own line shows.
func (m *Mean) take(c *comparison, level float64) {
	m.Share, m.Sigma, m.Inflation, m.Spread = c.difference, c.sigma(), c.inflation, c.spread
	all := c.side[1].mean()
	for _, v := range c.side[0].share {
		m.Treated = append(m.Treated, v-all)
	}
	for i, v := range c.side[1].share {
		if len(c.side[1].share) > 1 {
			m.Blank = append(m.Blank, v-c.side[1].meanWithout(i))
		}
	}
	m.PValue = c.survival()
	two, one := c.halfWidth(0.5+level/2), c.halfWidth(level)
	m.Low, m.High = m.Share-two, m.Share+two
	m.Limit = math.Max(0, m.Share) + one
	switch {
	case len(c.side[1].share) > 1:
	case c.dof > 0:
		m.Reason = "one blank field: how far blanks differ among themselves is not known, the scatter of the treated fields stands for it"
	default:
		m.Reason = "one blank field: how far blanks differ among themselves is not known, so that the uncertainty holds counting alone"
	}
}

// compareFields returns the comparison by the own line, with the rest of the target
// free, and that by the whole template.
func compareFields(treated, blanks [][]float64, target Template, nuisance []Template) (own, whole *comparison, err error) {
	blank := sumSpectra(blanks)
	pool := sumSpectra([][]float64{blank, sumSpectra(treated)})
	b, all := smoothed(blank, 1), smoothed(pool, 1)
	free := freeShapes(b, nuisance)
	w, err := contrast(b, all, append(append([][]float64{target.Line}, target.others()...), free...))
	if err != nil {
		return nil, nil, err
	}
	own = newComparison(w, treated, blanks, target.Line)
	if w, err = contrast(b, all, append([][]float64{target.Spectrum}, free...)); err != nil {
		return nil, nil, err
	}
	return own, newComparison(w, treated, blanks, target.Spectrum), nil
}

// sumSpectra adds up spectra.
func sumSpectra(list [][]float64) []float64 {
	out := make([]float64, len(list[0]))
	for _, s := range list {
		for c, v := range s {
			out[c] += v
		}
	}
	return out
}

// others returns the parts of the template beside its own line family: each by
// itself where the template states them, else the rest in one.
func (t Template) others() (out [][]float64) {
	found := false
	for _, p := range t.Parts {
		apart, most := 0.0, 0.0
		for c, v := range t.Line {
			apart, most = math.Max(apart, math.Abs(p.Spectrum[c]-v)), math.Max(most, v)
		}
		// Equal but for the rounding that check allows.
		if apart <= 1e-5*most {
			found = true
			continue
		}
		out = append(out, p.Spectrum)
	}
	if !found {
		_, rest := t.split()
		return [][]float64{rest}
	}
	return out
}

// freeShapes returns the shapes of free strength of either sign: nuisance lines and
// the changes of the substrate b with a shift of the axis and with the width of lines.
func freeShapes(b []float64, nuisance []Template) [][]float64 {
	var out [][]float64
	for _, n := range nuisance {
		out = append(out, n.Spectrum)
	}
	shift, width := make([]float64, len(b)), make([]float64, len(b))
	// Not next to the ends: a last channel may hold all that lies above it.
	for c := 2; c < len(b)-2; c++ {
		shift[c] = (b[c-1] - b[c+1]) / 2
		width[c] = b[c-1] - 2*b[c] + b[c+1]
	}
	return append(out, shift, width)
}

// solveShare returns the counts of shapes[0] per count of field beyond those of the
// spectrum raw of sum 1, b when smoothed, with the other shapes free, and its
// uncertainty from the counts nf and nb of both.
func solveShare(field, raw, b []float64, nf, nb float64, shapes [][]float64) (a, sigma float64, err error) {
	w, err := contrast(b, b, shapes)
	if err != nil {
		return 0, 0, err
	}
	variance := 0.0
	for c, v := range smoothed(field, 1) {
		a += w[c] * (field[c]/nf - raw[c])
		variance += w[c] * w[c] * (v/nf + b[c]/nb)
	}
	t := sumOf(shapes[0])
	return a * t, t * math.Sqrt(variance), nil
}

// contrast returns the weights w of the channels that give, as the sum of w·n over
// the sum of n, the strength of shapes[0] in spectrum n beside substrate b, with the
// other shapes free: the solution of the normal equations of
// n − b = sum a_j·(s_j − S_j·b) with the weights 1/v, S_j the sum of s_j.
func contrast(b, v []float64, shapes [][]float64) ([]float64, error) {
	var cols [][]float64
	unit := 1.0 // length of the first column
	for j, s := range shapes {
		t, length := sumOf(s), 0.0
		col := make([]float64, len(s))
		for c, x := range s {
			col[c] = x - t*b[c]
			length += col[c] * col[c] / v[c]
		}
		length = math.Sqrt(length)
		switch {
		case length > 0:
		case j > 0:
			continue // a target of one line has no rest
		default:
			return nil, fmt.Errorf("spots: target and substrate %w", ErrInseparable)
		}
		// Of unit length, so that the condition tells shapes from scales.
		for c := range col {
			col[c] /= length
		}
		if j == 0 {
			unit = length
		}
		cols = append(cols, col)
	}
	k := len(cols)
	normal := mat.NewSymDense(k, nil)
	for i := range k {
		for j := i; j < k; j++ {
			t := 0.0
			for c, x := range cols[i] {
				t += x * cols[j][c] / v[c]
			}
			normal.SetSym(i, j, t)
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(normal) || chol.Cond() > 1e12 {
		return nil, fmt.Errorf("spots: target and free lines %w", ErrInseparable)
	}
	var inverse mat.SymDense
	if err := chol.InverseTo(&inverse); err != nil {
		return nil, fmt.Errorf("spots: %w", err)
	}
	w := make([]float64, len(b))
	for c := range w {
		for j := range k {
			w[c] += inverse.At(0, j) * cols[j][c] / (v[c] * unit)
		}
	}
	return w, nil
}
