//go:build study

package spots

import (
	"context"
	"math"
	"testing"

	"example.org/fleck/maps"
)

// TestStudyStability measures how often each statement on the halves is made: in
// measurements where nothing changes (its level), and where target, carbon or the place of
// the spots change (its power). Spots are those that were planted, and in the last rows
// those that the search finds in the sum of both halves.
func TestStudyStability(t *testing.T) {
	const alpha = 0.01
	type row struct {
		name                string
		lost, carbon, shift float64
		n                   int
		found               bool
	}
	rows := []row{
		{"nothing changes", 0, 0, 0, 2000, false},
		{"10 % of the target lost", .10, 0, 0, 150, false},
		{"20 % of the target lost", .20, 0, 0, 150, false},
		{"40 % of the target lost", .40, 0, 0, 150, false},
		{"carbon share + 0.1 %", 0, .001, 0, 150, false},
		{"carbon share + 0.2 %", 0, .002, 0, 150, false},
		{"carbon share + 0.5 %", 0, .005, 0, 150, false},
		{"drift 0.1 px", 0, 0, .1, 150, false},
		{"drift 0.2 px", 0, 0, .2, 150, false},
		{"drift 0.4 px", 0, 0, .4, 150, false},
		{"nothing changes, spots searched", 0, 0, 0, 100, true},
	}
	for _, r := range rows {
		var made [4]int
		for i := range r.n {
			a, b, list := halves(uint64(1000+i), r.lost, r.carbon, r.shift)
			if r.found {
				list = foundInSum(t, a, b)
			}
			s := stability(t, a, b, list)
			for k, on := range statements(s, alpha) {
				if on {
					made[k]++
				}
			}
		}
		for k, n := range made {
			p := float64(n) / float64(r.n)
			t.Logf("%-32s %-6s %5d of %d: %.4f ± %.4f", r.name, statementNames[k], n, r.n, p, math.Sqrt(math.Max(p*(1-p), 1/float64(r.n))/float64(r.n)))
			// Without a change: 5 standard errors above the level.
			if r.lost == 0 && r.carbon == 0 && r.shift == 0 && p > alpha+5*math.Sqrt(alpha*(1-alpha)/float64(r.n)) {
				t.Errorf("%s: %s is stated in %.4f of unchanged measurements; %g asked for", r.name, statementNames[k], p, alpha)
			}
		}
	}
}

// foundInSum searches the sum of two halves, without a blank field.
func foundInSum(t *testing.T, a, b *Field) []maps.Spot {
	t.Helper()
	counts := make([]uint32, a.W*a.H*a.nc)
	for _, f := range []*Field{a, b} {
		for p := range f.W * f.H {
			for i := f.start[p]; i < f.start[p+1]; i++ {
				counts[p*f.nc+int(f.ch[i])] += uint32(f.n[i])
			}
		}
	}
	sum, err := NewField(a.W, a.H, a.nc, counts, maps.Pixel{})
	if err != nil {
		t.Fatal(err)
	}
	res, err := Find(context.Background(), sum, Options{Target: worldSilica(), Bootstrap: 39, NoLimit: true, Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	return res.Spots
}
