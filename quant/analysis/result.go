package analysis

import (
	"math"

	"example.org/fleck/quant"
	"example.org/fleck/quant/matrix"
	"example.org/fleck/spectra/fit"
	"example.org/fleck/spectra/xray"
)

// Method says what intensities were compared with.
type Method string

// Methods.
const (
	ByStandards  Method = "standards"    // measured reference spectra
	Standardless Method = "standardless" // intensities computed from atomic data
	GivenKRatios Method = "k-ratios"     // k-ratios measured elsewhere
)

// Row is the analysis of one measured element.
type Row struct {
	KRatio quant.KRatio // relative to the standard, or to the pure element when standardless
	// Standard names what it is relative to.
	Standard string
	// Z, A and F are the factors of the matrix correction, k = (C/C_standard)·Z·A·F.
	Z, A, F float64
	// Escape is the share of the photons that leave the specimen.
	Escape float64
	// Overvoltage is the beam energy over the edge.
	Overvoltage float64
	// Full is the net counts at which the k-ratio would be 1, in this spectrum;
	// when standardless in units common to all rows, 0 for given k-ratios.
	Full float64
}

// Result is the quantitative analysis of one spectrum or set of k-ratios.
type Result struct {
	Method Method
	Model  string // of the matrix correction, with its fluorescence
	// Composition with the combined uncertainty of the budget, of counting alone
	// when the budget was left out; normalised if Normalised is set. It stands
	// here even when Refused, so that a report can say what it refuses; do not
	// print it as a result then.
	Composition quant.Composition
	Normalised  bool
	// Counting is the standard uncertainty of the mass fractions from counting
	// statistics alone, NaN where it is not known.
	Counting      []float64
	AtomFractions []quant.AtomFraction
	AtomSigma     []float64     // nil where it is not known
	Oxides        []quant.Oxide // with oxygen by stoichiometry, else nil
	Rows          []Row         // one for each measured element
	// Total is the analytical total before normalisation and TotalSigma its
	// standard uncertainty; NaN with TotalReason where there is none.
	Total, TotalSigma float64
	TotalReason       string
	Status            quant.Status
	Steps             int
	// Refused says that the assumptions of a bulk analysis fail or cannot be
	// trusted; Reasons say why. Remarks hold whether or not.
	Refused bool
	Reasons []string
	Remarks []string
	Budget  quant.Budget // zero when left out or refused before it could be made
	Fit     *fit.Result  // nil for given k-ratios

	Geometry quant.Geometry
	// Matrix is the matrix correction with the standards, coats and efficiency as
	// they were used.
	Matrix matrix.Options
}

// Row returns the row of an element, ok = false where it was not measured.
func (r *Result) Row(z xray.Element) (Row, bool) {
	for _, row := range r.Rows {
		if row.KRatio.Element == z {
			return row, true
		}
	}
	return Row{}, false
}

// AtomRatio returns the number of atoms of a over that of b with its standard
// uncertainty from the covariance of Composition; NaN when b is absent.
func (r *Result) AtomRatio(a, b xray.Element) (ratio, sigma float64) {
	c := r.Composition
	i, j := c.Index(a), c.Index(b)
	if i < 0 || j < 0 || !(c.Mass[j] > 0) {
		return math.NaN(), math.NaN()
	}
	x, y := float64(c.Mass[i]), float64(c.Mass[j])
	ratio = x / y * b.AtomicWeight() / a.AtomicWeight()
	n := len(c.Elements)
	if len(c.Covariance) != n*n {
		return ratio, math.NaN()
	}
	if !(x > 0) {
		return ratio, math.Sqrt(c.Covariance[i*n+i]) / y * b.AtomicWeight() / a.AtomicWeight()
	}
	v := c.Covariance[i*n+i]/(x*x) + c.Covariance[j*n+j]/(y*y) - 2*c.Covariance[i*n+j]/(x*y)
	return ratio, ratio * math.Sqrt(math.Max(v, 0))
}

// refuse adds a reason.
func (r *Result) refuse(reason string) {
	r.Refused = true
	r.Reasons = append(r.Reasons, reason)
}

func (r *Result) remark(text string) { r.Remarks = append(r.Remarks, text) }
