package compare

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"example.org/fleck/maps"
	"gonum.org/v1/gonum/stat/distuv"
)

// fieldsOf returns one observation per number of spots, 1 mm² each; perCoupon
// fields share a coupon.
func fieldsOf(role maps.Role, perCoupon int, spots ...int) []Observation {
	var out []Observation
	for i, n := range spots {
		out = append(out, Observation{
			Field:   maps.Field{Name: fmt.Sprintf("%s%d", role, i), Coupon: fmt.Sprintf("%s-%d", role, i/perCoupon), Role: role},
			AreaMm2: 1, Spots: n, SpotAreaMm2: .001 * float64(n), ExcessCounts: 100 * float64(n), Efficiency: 1,
		})
	}
	return out
}

func mustCompare(t *testing.T, treated, blank []Observation, opt Options) *Result {
	t.Helper()
	r, err := Fields(treated, blank, opt)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// Exact permutation over fields: 12, 0, 3, 25, 1 against 2, 1, 0, 4, 0 gives
// 34 of 252 (enumerated independently).
func TestPermutationExact(t *testing.T) {
	r := mustCompare(t, fieldsOf(maps.Treated, 1, 12, 0, 3, 25, 1), fieldsOf(maps.Untreated, 1, 2, 1, 0, 4, 0), Options{})
	if want := 34. / 252; math.Abs(r.Density.Permutation-want) > 1e-12 {
		t.Errorf("permutation p = %.15g, want 34/252 = %.15g", r.Density.Permutation, want)
	}
	if !r.Dispersion.Clustered || r.Density.PValue != r.Density.Permutation {
		t.Errorf("clustered %v, p = %g: clustered counts must be compared by permutation", r.Dispersion.Clustered, r.Density.PValue)
	}
	if r.Higher {
		t.Error("a four-fold difference of five clustered fields is not significant")
	}
	if math.Abs(r.Signal.PValue-34./252) > 1e-12 || math.Abs(r.AreaFraction.PValue-34./252) > 1e-12 {
		t.Errorf("signal p = %g, area p = %g; both are in proportion to the spots: 34/252", r.Signal.PValue, r.AreaFraction.PValue)
	}
}

// Index of dispersion of 0, 0, 1, 3, 0, 12, 2, 0, 5, 7: variance-to-mean ratio
// 5.25925925925926, p = 3.40157250356288e-7 (chi-square, 9 degrees of freedom;
// computed with scipy 1.10.1).
func TestDispersion(t *testing.T) {
	r := mustCompare(t, fieldsOf(maps.Treated, 1, 0, 0, 1, 3, 0, 12, 2, 0, 5, 7), fieldsOf(maps.Untreated, 1, 0, 0), Options{})
	if math.Abs(r.Dispersion.Ratio-5.25925925925926) > 1e-12 || math.Abs(r.Dispersion.Fields/3.40157250356288e-7-1) > 1e-9 {
		t.Errorf("ratio %.15g, p %.15g; want 5.25925925925926, 3.40157250356288e-7", r.Dispersion.Ratio, r.Dispersion.Fields)
	}
}

// E-test: Krishnamoorthy & Thomson (2004): k1 = 20, n1 = 1, k2 = 5, n2 = 1 has
// the two-sided p 0.00222454319679841 (exact sum).
func TestPoissonRates(t *testing.T) {
	r := mustCompare(t, fieldsOf(maps.Treated, 1, 7, 6, 7), fieldsOf(maps.Untreated, 1, 2, 1, 2), Options{})
	if math.Abs(r.Density.PTwoSided/0.00222454319679841-1) > 1e-9 {
		t.Errorf("two-sided p = %.15g, want 0.00222454319679841", r.Density.PTwoSided)
	}
	if !r.Higher || r.Density.Ratio != 4 || !(r.Density.Low > 1) {
		t.Errorf("higher %v, ratio %g, from %g", r.Higher, r.Density.Ratio, r.Density.Low)
	}
}

// Nothing found: −ln 0.05/(A·eps) = 2.99573227355399/(4·0.8).
func TestNothingFound(t *testing.T) {
	tr := fieldsOf(maps.Treated, 2, 0, 0, 0, 0)
	for i := range tr {
		tr[i].Efficiency = .8
	}
	r := mustCompare(t, tr, fieldsOf(maps.Untreated, 2, 0, 0, 0, 0), Options{})
	if want := 2.99573227355399 / 3.2; math.Abs(r.Limit.PerMm2-want) > 1e-12 {
		t.Errorf("limit %.15g per mm², want %.15g", r.Limit.PerMm2, want)
	}
	if r.Density.PValue != 1 || !math.IsNaN(r.Density.Ratio) || r.Density.Reason == "" {
		t.Errorf("p %g, ratio %g, reason %q", r.Density.PValue, r.Density.Ratio, r.Density.Reason)
	}
	if !strings.Contains(r.Verdict, "0.936 per mm²") {
		t.Errorf("verdict %q does not state the limit", r.Verdict)
	}
}

func TestOneCouponPerSide(t *testing.T) {
	r := mustCompare(t, fieldsOf(maps.Treated, 9, 5, 6, 7), fieldsOf(maps.Untreated, 9, 0, 1, 0), Options{})
	if r.Unit != "field" || !strings.Contains(r.Verdict, "cannot be told apart") {
		t.Errorf("unit %q, verdict %q", r.Unit, r.Verdict)
	}
	r = mustCompare(t, fieldsOf(maps.Treated, 1, 5, 6, 7), fieldsOf(maps.Untreated, 1, 0, 1, 0), Options{})
	if r.Unit != "coupon" || strings.Contains(r.Verdict, "cannot be told apart") {
		t.Errorf("unit %q, verdict %q", r.Unit, r.Verdict)
	}
}

// Under equal, clustered densities the test of the density must not exceed its
// level by more than chance: 400 studies of 4 + 4 coupons of 3 fields.
func TestLevelWithClusters(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 1))
	const studies = 400
	wrong := 0
	for range studies {
		draw := func(role maps.Role) []Observation {
			var n []int
			for range 4 {
				mu := 6 * math.Exp(rng.NormFloat64()*.7)
				for range 3 {
					k, p := 0, math.Exp(-mu)
					for u := rng.Float64(); u > p; u *= rng.Float64() {
						k++
					}
					n = append(n, k)
				}
			}
			return fieldsOf(role, 3, n...)
		}
		if mustCompare(t, draw(maps.Treated), draw(maps.Untreated), Options{}).Higher {
			wrong++
		}
	}
	// The permutation test alone has 3/70 = 0.043; where the dispersion test
	// misses the clusters the E-test is too liberal. 0.05 plus 5 s.e. (0.011).
	if rate := float64(wrong) / studies; rate > .05+5*.011 {
		t.Errorf("treated called higher in %.3f of the studies without a difference, want about 0.05", rate)
	}
}

// Paired: five coupons, all higher after treatment: 1 of 2^5 sign patterns is as
// extreme one-sided.
func TestPaired(t *testing.T) {
	tr, bl := fieldsOf(maps.Treated, 1, 9, 4, 30, 7, 12), fieldsOf(maps.Untreated, 1, 2, 1, 20, 3, 4)
	for i := range tr {
		tr[i].Field.Coupon = fmt.Sprint(i)
		bl[len(bl)-1-i].Field.Coupon = fmt.Sprint(len(bl) - 1 - i)
	}
	r := mustCompare(t, tr, bl, Options{Paired: true})
	if r.Unit != "pair" || math.Abs(r.Density.Permutation-1./32) > 1e-12 || math.Abs(r.Signal.PValue-1./32) > 1e-12 {
		t.Errorf("unit %q, density p %g, signal p %g; want pair, 1/32, 1/32", r.Unit, r.Density.Permutation, r.Signal.PValue)
	}
	if !(r.Signal.DifferenceLow > 0) {
		t.Errorf("difference of the pairs from %g; all five are above 0", r.Signal.DifferenceLow)
	}
	un := mustCompare(t, tr, bl, Options{})
	if len(un.Remarks) == 0 || !strings.Contains(strings.Join(un.Remarks, " "), "paired") {
		t.Errorf("coupons on both sides without a remark: %q", un.Remarks)
	}
}

// The ratio of means: Fieller's interval of 10 ± 1 over 5 ± 0.5, four replicates a
// side, by its defining equation (a − R·b)² = t²(va + R²·vb).
func TestFieller(t *testing.T) {
	a, b := sample{10, 1, 4}, sample{5, .25, 4}
	low, high, ok := fieller(a, b, .95)
	if !ok {
		t.Fatal("unbounded")
	}
	tq := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: welch(a, b)}.Quantile(.975)
	for _, r := range []float64{low, high} {
		l, q := (10-r*5)*(10-r*5), tq*tq*(1+r*r*.25)
		if math.Abs(l/q-1) > 1e-9 {
			t.Errorf("end %g: (a−Rb)² = %g, t²(va+R²vb) = %g", r, l, q)
		}
	}
	if !(low < 2 && 2 < high) {
		t.Errorf("interval %g to %g does not hold the ratio 2", low, high)
	}
	if _, _, ok := fieller(a, sample{.5, .25, 4}, .95); ok {
		t.Error("a blank mean of one standard error gives a bounded interval")
	}
}

// Turning the sides round turns the ratio of independent spots round.
func TestSidesTurned(t *testing.T) {
	x, y := fieldsOf(maps.Treated, 1, 5, 7, 6), fieldsOf(maps.Untreated, 1, 2, 3, 1)
	r, s := mustCompare(t, x, y, Options{}), mustCompare(t, y, x, Options{})
	for _, v := range [][2]float64{{r.Density.Ratio, 1 / s.Density.Ratio}, {r.Density.Low, 1 / s.Density.High}, {r.Density.High, 1 / s.Density.Low}, {r.Density.PTwoSided, s.Density.PTwoSided}} {
		if math.Abs(v[0]/v[1]-1) > 1e-9 {
			t.Errorf("%g turned round is %g", v[0], v[1])
		}
	}
}

func TestBadInput(t *testing.T) {
	good := fieldsOf(maps.Treated, 1, 1)
	bad := fieldsOf(maps.Treated, 1, 1)
	bad[0].AreaMm2 = 0
	for name, call := range map[string]func() (*Result, error){
		"no blank": func() (*Result, error) { return Fields(good, nil, Options{}) },
		"no area":  func() (*Result, error) { return Fields(bad, good, Options{}) },
		"level":    func() (*Result, error) { return Fields(good, good, Options{Level: 2}) },
		"unpaired": func() (*Result, error) {
			return Fields(good, fieldsOf(maps.Untreated, 1, 1), Options{Paired: true})
		},
	} {
		if r, err := call(); err == nil {
			t.Errorf("%s: no error, result %+v", name, r)
		} else if !strings.HasPrefix(err.Error(), "compare: ") {
			t.Errorf("%s: error %q lacks the package prefix", name, err)
		}
	}
}

// The equivalence statement: nothing on either side leaves 2.9957 spots (Garwood
// 1936, 95 % one-sided) in the treated area; the smallest p-value of 5 + 5
// replicates is 1/252, of 4 pairs 1/16.
func TestAboveBlankAndSmallestP(t *testing.T) {
	r := mustCompare(t, fieldsOf(maps.Treated, 1, 0, 0, 0, 0, 0), fieldsOf(maps.Untreated, 1, 0, 0, 0, 0, 0), Options{})
	if want := 2.99573227355399 / 5; math.Abs(r.Above.Limit-want) > 1e-9 || r.Above.PerMm2 != 0 {
		t.Errorf("above blank %g, at most %g; want 0 and %g", r.Above.PerMm2, r.Above.Limit, want)
	}
	if math.Abs(r.SmallestP-1./252) > 1e-12 || SmallestP(4, 4, true) != 1./16 {
		t.Errorf("smallest p %g and %g, want 1/252 and 1/16", r.SmallestP, SmallestP(4, 4, true))
	}
	// As many on both sides: the limit lies above zero and below that of the
	// treated side alone.
	r = mustCompare(t, fieldsOf(maps.Treated, 1, 4, 5, 6), fieldsOf(maps.Untreated, 1, 5, 5, 5), Options{})
	if !(r.Above.Limit > 0 && r.Above.Limit < r.Limit.PerMm2) || !strings.Contains(r.Above.Statement, "no more than") {
		t.Errorf("limit above blank %g, of the treated side %g: %s", r.Above.Limit, r.Limit.PerMm2, r.Above.Statement)
	}
	// Spots that are expected by chance come off both limits.
	x := fieldsOf(maps.Treated, 1, 4, 5, 6)
	x[0].ExpectedFalse = 1
	r = mustCompare(t, x, fieldsOf(maps.Untreated, 1, 0, 0, 0), Options{})
	if r.Above.Limit > r.Limit.PerMm2 {
		t.Errorf("limit above blank %g, of the treated side %g", r.Above.Limit, r.Limit.PerMm2)
	}
}

func TestArms(t *testing.T) {
	with := func(role maps.Role, spots ...int) []Observation { return fieldsOf(role, 1, spots...) }
	var all []Observation
	for _, o := range [][]Observation{with(maps.Treated, 20, 22, 18), with(maps.Untreated, 1, 0, 2), with(maps.VehicleOnly, 19, 21, 20), with(maps.PositiveControl, 1, 1, 0), with(maps.InstrumentBlank, 3)} {
		all = append(all, o...)
	}
	arms, err := Arms(all, Options{})
	if err != nil {
		t.Fatal(err)
	}
	want := []string{"more spots", "may come from the vehicle", "vehicle alone leaves spots", "has no weight", "shows 3 spots"}
	if len(arms) != len(want) {
		t.Fatalf("%d arms, want %d", len(arms), len(want))
	}
	for i, a := range arms {
		if !strings.Contains(a.Sentence, want[i]) {
			t.Errorf("%s against %s: %q, want %q in it", a.Role, a.Against, a.Sentence, want[i])
		}
	}
	if _, err := Arms([]Observation{{Field: maps.Field{Name: "a", Role: "other"}, AreaMm2: 1}}, Options{}); err == nil || !strings.Contains(err.Error(), `role "other"`) {
		t.Errorf("a role that is none: %v", err)
	}
	if _, err := Arms(with(maps.Treated, 1), Options{}); err == nil {
		t.Error("treated fields alone are compared with nothing")
	}
}
