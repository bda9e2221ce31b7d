package matrix

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
)

// vector is one row of testdata/computed.csv, numbers made by an independent
// script from the same equations.
type vector struct {
	quantity, composition, line, exciter, model string
	edge, energy, beam, takeoff, chi, value     float64 // keV, degrees, cm²/g
}

// readTable returns the rows of a CSV file of testdata without its header.
func readTable(t testing.TB, name string, columns int) [][]string {
	t.Helper()
	f, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	r.FieldsPerRecord = columns
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows[1:]
}

// number reads a field of testdata, 0 for an empty one.
func number(t testing.TB, s string) float64 {
	t.Helper()
	if s == "" {
		return 0
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func vectors(t testing.TB, quantities ...string) []vector {
	t.Helper()
	var out []vector
	for _, r := range readTable(t, "computed.csv", 11) {
		for _, q := range quantities {
			if r[0] == q {
				out = append(out, vector{r[0], r[1], r[2], r[8], r[9], number(t, r[3]), number(t, r[4]), number(t, r[5]), number(t, r[6]), number(t, r[7]), number(t, r[10])})
			}
		}
	}
	if len(out) == 0 {
		t.Fatalf("no rows for %v", quantities)
	}
	return out
}

// weightOf returns Z and the two-decimal atomic weights of testdata/constants.csv.
func constants(t testing.TB) map[string]constituent {
	t.Helper()
	z := map[string]float64{"Be": 4, "C": 6, "O": 8, "Mg": 12, "Al": 13, "Si": 14, "Ca": 20, "Ti": 22, "Cr": 24, "Fe": 26, "Ni": 28, "Cu": 29, "Zn": 30, "Mo": 42, "Ag": 47, "W": 74, "Au": 79}
	out := map[string]constituent{}
	for _, r := range readTable(t, "constants.csv", 6) {
		out[r[0]] = constituent{z: z[r[0]], a: number(t, r[1])}
	}
	return out
}

func parseComposition(t testing.TB, known map[string]constituent, s string) []constituent {
	t.Helper()
	var cs []constituent
	sum := 0.0
	for part := range strings.SplitSeq(s, "|") {
		sym, frac, _ := strings.Cut(part, ":")
		c, ok := known[sym]
		if !ok {
			t.Fatalf("element %q not in testdata/constants.csv", sym)
		}
		c.c = number(t, frac)
		sum += c.c
		cs = append(cs, c)
	}
	for i := range cs {
		cs[i].c /= sum
	}
	return cs
}

func levelOf(t testing.TB, known map[string]constituent, line string, edge float64) level {
	t.Helper()
	sym, shell, _ := strings.Cut(line, " ")
	for _, r := range readTable(t, "constants.csv", 6) {
		// The edge column of computed.csv is rounded to five digits.
		if e := number(t, r[3]); r[0] == sym && math.Abs(e-edge) <= 5e-5*edge {
			edge = e
		}
	}
	l := level{z: known[sym].z, edge: edge}
	switch shell[0] {
	case 'K':
		l.m = exponentK(l.z)
	case 'L':
		l.m = exponentL
	default:
		l.m = exponentM
	}
	return l
}

// published returns the target with the surface ionisation of PAP and XPP as
// published, which the vectors have.
func published(cs []constituent) target {
	t := newTarget(cs)
	t.phi0 = SurfacePouchou
	return t
}

// closeTo fails unless got equals want within rel.
func closeTo(t testing.TB, what string, got, want, rel float64) {
	t.Helper()
	if !(math.Abs(got-want) <= rel*math.Abs(want)) {
		t.Errorf("%s = %.7g, want %.7g within %.1g of it", what, got, want, rel)
	}
}

// TestComputedElectrons compares everything without a photon in it with the
// independent vectors. Tolerance: half a unit of the sixth digit printed there,
// and of the fourth digit of the atomic weights does not enter since the same
// weights are used.
func TestComputedElectrons(t *testing.T) {
	known := constants(t)
	for _, v := range vectors(t, "R", "one_over_S_g_cm2", "phi0", "F_g_cm2", "Rx_g_cm2", "Rm_g_cm2", "Rc_g_cm2", "Rbar_g_cm2") {
		cs := parseComposition(t, known, v.composition)
		l := levelOf(t, known, v.line, v.edge)
		tg := published(cs)
		u := v.beam / l.edge
		p := tg.pap(l, v.beam)
		c, err := newPAP(p)
		if err != nil {
			t.Fatal(v, err)
		}
		var got float64
		switch v.quantity {
		case "R":
			got = tg.backscatter(u)
			if v.model[0] == 'D' {
				continue // the polynomial of ZAF: TestComputedZAF
			}
		case "one_over_S_g_cm2":
			got = tg.pathIntegral(l.edge, v.beam, l.m)
		case "phi0":
			got = tg.surface(l, v.beam)
		case "F_g_cm2":
			got = p.f
		case "Rx_g_cm2":
			got = p.rx
		case "Rm_g_cm2":
			got = p.rm
		case "Rc_g_cm2":
			got = c.Rc
		case "Rbar_g_cm2":
			x, err := tg.xpp(l, v.beam)
			if err != nil {
				t.Fatal(v, err)
			}
			got = x.Rbar
		}
		closeTo(t, v.quantity+" "+v.composition+" "+v.line+" at "+strconv.FormatFloat(v.beam, 'g', -1, 64)+" keV", got, v.value, 5e-6)
	}
}

// TestComputedAbsorption compares f(χ) at the χ given with the vectors.
func TestComputedAbsorption(t *testing.T) {
	known := constants(t)
	for _, v := range vectors(t, "f_chi") {
		tg := published(parseComposition(t, known, v.composition))
		l := levelOf(t, known, v.line, v.edge)
		var c Curve
		var err error
		switch v.model {
		case "PAP":
			c, err = newPAP(tg.pap(l, v.beam))
		case "XPP":
			c, err = tg.xpp(l, v.beam)
		default:
			continue // TestComputedZAF
		}
		if err != nil {
			t.Fatal(v, err)
		}
		closeTo(t, v.model+" f(chi) "+v.composition+" "+v.line, c.Emitted(v.chi, 0, math.Inf(1))/c.Area(), v.value, 5e-6)
	}
}
