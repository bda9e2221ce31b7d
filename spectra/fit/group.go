package fit

import (
	"math"
	"slices"
	"strings"
)

// Group is a set of families that the resolution does not separate. Their sum
// is well known, its division is not.
type Group struct {
	Families  []Family
	NetCounts float64 // of all together
	Sigma     float64
	// Inflation is by how much the overlap raises the variance of the member
	// that suffers most, against the others being known.
	Inflation float64
}

// String joins the families, "Al K or Br L".
func (g Group) String() string {
	names := make([]string, len(g.Families))
	for i, f := range g.Families {
		names[i] = f.String()
	}
	return strings.Join(names, " or ")
}

// inseparable is the inflation of the variance from which families are reported
// as a group: a correlation of −0.95 between two. Common practice, no source
// (variance inflation above 10).
const inseparable = 10

// Groups returns the families that the spectrum cannot tell apart: those whose
// variances the overlap raises at least tenfold, joined where they correlate by
// −0.7 or less, line shares held fixed. A family alone is never a group.
func (r *Result) Groups() []Group {
	n := len(r.Families)
	corr := func(i, j int) float64 {
		if r.overlap == nil {
			return 0
		}
		return r.overlap[i][j]
	}
	inflation := make([]float64, n)
	for i := range n {
		inflation[i] = 1
		for j := range n {
			if i == j || r.Families[i].AtZero || r.Families[j].AtZero {
				continue
			}
			if c := corr(i, j); c < 0 {
				inflation[i] = math.Max(inflation[i], 1/math.Max(1-c*c, 1e-12))
			}
		}
	}
	var out []Group
	seen := make([]bool, n)
	for i := range n {
		if seen[i] || inflation[i] < inseparable {
			continue
		}
		seen[i] = true
		members := []int{i}
		for k := 0; k < len(members); k++ {
			for j := range n {
				if !seen[j] && !r.Families[j].AtZero && corr(members[k], j) <= -0.7 {
					seen[j] = true
					members = append(members, j)
				}
			}
		}
		if len(members) < 2 {
			continue
		}
		slices.Sort(members)
		g := Group{}
		variance := 0.0
		for _, a := range members {
			g.Families = append(g.Families, r.Families[a].Family)
			g.NetCounts += r.Families[a].NetCounts
			g.Inflation = math.Max(g.Inflation, inflation[a])
			for _, b := range members {
				variance += r.Covariance[a][b]
			}
		}
		g.Sigma = math.Sqrt(math.Max(0, variance))
		out = append(out, g)
	}
	return out
}
