package spots

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
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
	// Whole is the share by all lines together; it rises with oxygen that is no
	// part of the target as well.
	Whole, WholeSigma float64
	Treated, Blank    []float64 // of every field; a blank against the other blanks
	// Spread is the standard deviation of the shares of blank fields beyond their
	// counting, 0 when there is none; Inflation the factor on the variances.
	Spread, Inflation float64
	// Reason says why the numbers are missing (NaN) or lack the scatter of blanks.
	Reason string
}

// spreadAlpha is the significance from which fields of one kind count as scattering
// more than counts do (choice of this package: large, since a scatter that is
// overlooked raises false alarms).
const spreadAlpha = 0.2

// FieldMean compares the sum spectra of treated fields, or coupons, with those of
// blank ones. It sees what no search for spots sees: a deposit spread evenly, or
// particles too small to stand out. Where blank fields scatter more than counts
// do, their variance takes the place of the counts' and Student's t that of the
// normal law. Without blank fields there is no answer: a substrate spectrum of the
// treated field itself holds the deposit.
//
// The share is the weighted least-squares estimate (weights 1/variance of the
// pooled blank) with the other lines of the target, the nuisance lines and a shift
// of the energy axis free.
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
	out := &Mean{Share: nan, Sigma: nan, Low: nan, High: nan, Limit: nan, PValue: nan, Whole: nan, WholeSigma: nan, Spread: nan, Inflation: nan}
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
	e := meanEstimate{target: target, nuisance: nuisance}
	if err := out.estimate(&e, treated, blanks); err != nil {
		return nil, err
	}
	out.test(opt.Level, len(treated), len(blanks))
	return out, nil
}

// estimate fills in shares and counting uncertainties; Inflation and Spread from
// the scatter of fields of one kind.
func (m *Mean) estimate(e *meanEstimate, treated, blanks [][]float64) error {
	pool := sumSpectra(blanks, -1)
	var err error
	if m.Share, m.Sigma, m.Whole, m.WholeSigma, err = e.share(sumSpectra(treated, -1), pool); err != nil {
		return err
	}
	chi2, dof, scatter, counting := 0.0, 0.0, 0.0, 0.0
	for side, list := range [][][]float64{treated, blanks} {
		var shares []float64
		for i, s := range list {
			against := pool
			if side == 1 {
				if len(blanks) == 1 {
					continue
				}
				against = sumSpectra(blanks, i)
			}
			share, _, _, _, err := e.share(s, against)
			if err != nil {
				return err
			}
			shares = append(shares, share)
		}
		if side == 0 {
			m.Treated = shares
		} else {
			m.Blank = shares
		}
		if len(list) < 2 {
			continue
		}
		// Scatter within the side, each field against the same reference.
		for i, s := range list {
			others := sumSpectra(list, i)
			share, sigma, _, _, err := e.share(s, others)
			if err != nil {
				return err
			}
			// A field against the n−1 others: n/(n−1) of its own variance; the n
			// differences hold n−1 degrees of freedom.
			n := float64(len(list))
			chi2 += (share / sigma) * (share / sigma) * (n - 1) / n
			if side == 1 {
				scatter += share * share / n
				counting += sigma * sigma / n
			}
		}
		dof += float64(len(list) - 1)
	}
	m.Inflation = 1
	if dof > 0 && (distuv.ChiSquared{K: dof}).Survival(chi2) < spreadAlpha {
		m.Inflation = chi2 / dof
	}
	if len(blanks) > 1 {
		m.Spread = math.Sqrt(math.Max(0, scatter-counting))
	}
	return nil
}

// test fills in p-value, interval and limit.
func (m *Mean) test(level float64, treated, blanks int) {
	m.Sigma *= math.Sqrt(m.Inflation)
	m.WholeSigma *= math.Sqrt(m.Inflation)
	dof := float64(max(0, treated-1) + max(0, blanks-1))
	quantile, survival := distuv.UnitNormal.Quantile, distuv.UnitNormal.Survival
	switch {
	case blanks < 2:
		m.Reason = "one blank field: how far blanks differ among themselves is not known, so that the uncertainty holds counting alone"
	case m.Inflation > 1:
		t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: dof}
		quantile, survival = t.Quantile, t.Survival
	}
	two := quantile(0.5 + level/2)
	m.PValue = survival(m.Share / m.Sigma)
	m.Low, m.High = m.Share-two*m.Sigma, m.Share+two*m.Sigma
	m.Limit = math.Max(0, m.Share) + quantile(level)*m.Sigma
}

// sumSpectra adds up all spectra but number without.
func sumSpectra(list [][]float64, without int) []float64 {
	out := make([]float64, len(list[0]))
	for i, s := range list {
		if i == without {
			continue
		}
		for c, v := range s {
			out[c] += v
		}
	}
	return out
}

type meanEstimate struct {
	target   Template
	nuisance []Template
}

// share returns the share of the target in the spectrum against the blank, by the
// own line with the other lines free and by the whole template, with the standard
// uncertainties from counting in both.
func (e *meanEstimate) share(field, blank []float64) (own, ownSigma, whole, wholeSigma float64, err error) {
	nf, nb := sumOf(field), sumOf(blank)
	raw := make([]float64, len(blank))
	for c, v := range blank {
		raw[c] = v / nb
	}
	b := smoothed(raw, nb)
	line, rest := e.target.split()
	own, ownSigma, err = solveShare(field, raw, b, nf, nb, append([][]float64{line, rest}, e.free(b)...))
	if err != nil {
		return
	}
	t := sumOf(line)
	own, ownSigma = own/t, ownSigma/t
	whole, wholeSigma, err = solveShare(field, raw, b, nf, nb, append([][]float64{e.target.Spectrum}, e.free(b)...))
	return
}

// free returns the shapes of free strength of either sign: nuisance lines and the
// change of the substrate with a shift of the axis.
func (e *meanEstimate) free(b []float64) [][]float64 {
	var out [][]float64
	for _, n := range e.nuisance {
		out = append(out, n.Spectrum)
	}
	shift := make([]float64, len(b))
	for c := 1; c < len(b)-1; c++ {
		shift[c] = (b[c-1] - b[c+1]) / 2
	}
	return append(out, shift)
}

// solveShare solves the normal equations of field/nf − raw = sum a_j·(s_j − S_j·b)
// with the weights 1/b, S_j the sum of s_j, and returns a_0, scaled to line counts
// per count, and its uncertainty: that of a sum of channels with the variances of
// the smoothed spectra of field and blank.
func solveShare(field, raw, b []float64, nf, nb float64, shapes [][]float64) (a, sigma float64, err error) {
	k := len(shapes)
	normal, right := mat.NewSymDense(k, nil), mat.NewVecDense(k, nil)
	cols := make([][]float64, k)
	for j, s := range shapes {
		t := sumOf(s)
		cols[j] = make([]float64, len(s))
		for c, v := range s {
			cols[j][c] = v - t*b[c]
		}
	}
	for i := range k {
		v := 0.0
		for c, x := range cols[i] {
			v += x * (field[c]/nf - raw[c]) / b[c]
		}
		right.SetVec(i, v)
		for j := i; j < k; j++ {
			v := 0.0
			for c, x := range cols[i] {
				v += x * cols[j][c] / b[c]
			}
			normal.SetSym(i, j, v)
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(normal) || chol.Cond() > 1e12 {
		return 0, 0, fmt.Errorf("spots: target and free lines %w", ErrInseparable)
	}
	var inverse mat.SymDense
	if err := chol.InverseTo(&inverse); err != nil {
		return 0, 0, fmt.Errorf("spots: %w", err)
	}
	share := make([]float64, len(field))
	for c, v := range field {
		share[c] = v / nf
	}
	variance := 0.0
	for c, v := range smoothed(share, nf) {
		w := 0.0
		for j := range k {
			w += inverse.At(0, j) * cols[j][c] / b[c]
		}
		variance += w * w * (v/nf + b[c]/nb)
	}
	for j := range k {
		a += inverse.At(0, j) * right.AtVec(j)
	}
	t := sumOf(shapes[0])
	return a * t, t * math.Sqrt(variance), nil
}
