package compare

import (
	"fmt"
	"math"

	"example.org/fleck/spectra/poisson"
)

// Above bounds how many more spots per area the treated side holds than the blank
// one: the statement of equivalence.
type Above struct {
	PerMm2    float64 // estimate of the difference, per detected share
	Limit     float64 // one-sided upper limit at Options.Level
	Statement string
}

// above fills in the difference of densities and its upper limit: the estimate plus
// the root of the summed squares of how far the one-sided limits of the two sides lie
// from their estimates (Zou & Donner 2008, Stat. Med. 27, 1693), divided by the
// detection efficiency of the treated side; never below the limit for nothing found, and
// without a blank spot not above that of the treated side alone.
func (r *Result) above() {
	level := r.Options.Level
	d := r.Density
	upper := poisson.UpperLimit(r.Spots[0], level) / r.AreaMm2[0]
	lower := poisson.LowerLimit(r.Spots[1], level) / r.AreaMm2[1]
	if r.clustered != nil {
		upper = math.Max(upper, r.clustered.density(0, level))
		lower = math.Min(lower, r.clustered.density(1, 1-level))
	}
	difference := d.TreatedPerMm2 - d.BlankPerMm2
	limit := difference + math.Hypot(upper-d.TreatedPerMm2, d.BlankPerMm2-lower)
	least := poisson.UpperLimit(0, level) / r.AreaMm2[0]
	eps := r.Limit.Efficiency
	r.Above = Above{PerMm2: difference / eps, Limit: math.Max(limit, least) / eps}
	if r.Spots[1] == 0 {
		r.Above.Limit = math.Min(r.Above.Limit, r.Limit.PerMm2)
	}
	r.Above.Statement = fmt.Sprintf("The treated fields hold no more than %.3g spots of the target per mm² above the blank ones (%g %%).", r.Above.Limit, 100*level)
}

// SmallestP returns the smallest one-sided p-value that exchanging the replicates
// of the two sides, or the members of pairs, can give.
func SmallestP(treated, blank int, paired bool) float64 {
	if paired {
		return math.Pow(2, -float64(treated))
	}
	return 1 / choose(treated+blank, treated)
}
