package xray

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// inRepairedWindow reports whether e lies where the tables replace a climb of XCOM by true steps (data/SOURCES.md): around
// L3-L2 of Sc to Ge and around M5-M4 of La to Tl, with the blends and the climb above.
func inRepairedWindow(z Element, e float64) bool {
	around := func(lower, upper Shell) bool {
		a, _ := z.Edge(lower)
		b, _ := z.Edge(upper)
		return e > 0.94*float64(a) && e < 1.1*float64(b)
	}
	return z >= 21 && z <= 32 && around(L3, L2) || z >= 57 && z <= 81 && around(M5, M4)
}

// Above 1.06 keV the tables and NISTIR 5632 (Hubbell & Seltzer 1995, Table 3) go back to the same theory, Scofield's, through two
// compilations, Kissel and XCOM; off the edges and the repaired windows they differ by the interpolation of either.
// Between the L and M edges XCOM climbs for other elements too; that is in the 1 % beyond p99.
func TestAttenuationNISTIR5632(t *testing.T) {
	var off, edges deviations
	for _, r := range readCheck(t, "mac.csv") {
		z, e := r.element(t), r.number(t, "energy_ev")
		if r["source"] != "NISTIR5632" || e < 1060 || inRepairedWindow(z, e) || z > 92 {
			continue
		}
		want := r.number(t, "mac_cm2_g")
		if r["note"] == "edge" {
			continue
		}
		got := float64(z.Attenuation(Energy(e)))
		off.add(got/want-1, "%v %g eV: %.5g, want %.5g", z, e, got, want)
	}
	off.check(t, limit{name: "off edges", rows: 1200, median: 0.004, p: 0.02, q: 0.95})

	// Pairs of rows at one energy stand below and above an edge. The height of the step is compared where the tables have
	// a step within 0.3 % (the printed edge energies have three or four digits).
	rows := readCheck(t, "mac.csv")
	for i := 1; i < len(rows); i++ {
		a, b := rows[i-1], rows[i]
		if b["note"] != "edge" || a["z"] != b["z"] || a["energy_ev"] != b["energy_ev"] {
			continue
		}
		z, e := b.element(t), b.number(t, "energy_ev")
		if e < 1060 || inRepairedWindow(z, e) {
			continue
		}
		for _, s := range EdgeSteps(z) {
			if math.Abs(float64(s)/e-1) > 0.003 {
				continue
			}
			below := float64(z.Attenuation(s * (1 - 1e-9)))
			above := float64(z.Attenuation(s))
			edges.add(below/a.number(t, "mac_cm2_g")-1, "%v below %.6g eV: %.5g, want %s", z, float64(s), below, a["mac_cm2_g"])
			edges.add(above/b.number(t, "mac_cm2_g")-1, "%v above %.6g eV: %.5g, want %s", z, float64(s), above, b["mac_cm2_g"])
			break
		}
	}
	// Near an edge XCOM's own points climb for L3, L2 of light and M of heavy elements.
	edges.check(t, limit{name: "at edges", rows: 700, median: 0.005, p: 0.03, q: 0.9})
}

// Two independent tables: Henke, Gullikson & Davis 1993 (above 1.06 keV, where it is not our source) and Chantler's theory
// (NIST FFAST), at 33 lines in 90 elements. The limits are the gaps between those tables and XCOM: Henke 2.5 and 10 % at
// 1-2 keV, 2.2 and 7 % above; FFAST 6.4 and 11.6 % at 1.06-2 keV, 3.5 and 7.5 % above, each rounded up. Below 1.06 keV ours is
// Henke, and the gap between Henke and FFAST is what it is: 11 and 33 % at 300-700 eV, 8.5 and 17 % at 700-1060 eV (measured).
func TestAttenuationIndependent(t *testing.T) {
	type band struct {
		source string
		lo, hi float64
		limit
	}
	bands := []band{
		{"Henke1993", 1060, 2000, limit{rows: 340, median: 0.025, p: 0.10, q: 0.9}},
		{"Henke1993", 2000, 40000, limit{rows: 1400, median: 0.022, p: 0.07, q: 0.9}},
		{"FFAST", 300, 700, limit{rows: 400, median: 0.12, p: 0.35, q: 0.9}},
		{"FFAST", 700, 1060, limit{rows: 400, median: 0.09, p: 0.19, q: 0.9}},
		{"FFAST", 1060, 2000, limit{rows: 340, median: 0.07, p: 0.125, q: 0.9}},
		{"FFAST", 2000, 40000, limit{rows: 1400, median: 0.036, p: 0.08, q: 0.9}},
	}
	got := make([]deviations, len(bands))
	for _, r := range readCheck(t, "mac.csv") {
		z, e, want := r.element(t), r.number(t, "energy_ev"), r.number(t, "mac_cm2_g")
		for i, b := range bands {
			if r["source"] == b.source && e >= b.lo && e < b.hi && z <= 92 {
				v := float64(z.Photo(Energy(e)))
				got[i].add(v/want-1, "%v %g eV: %.5g, %s %.5g", z, e, v, b.source, want)
			}
		}
	}
	for i, b := range bands {
		b.name = b.source + " from " + number(b.lo) + " eV"
		got[i].check(t, b.limit)
	}
}

// Single values. Kissel and Henke 1993 as printed in a comparison of four tables; 0.6 % for four digits, the grid
// (0.3 %), and atomic weights that differ from the carrier's by up to 0.2 %. FFAST where the joint step is split: 12 %,
// the gap of FFAST to other tables at 1-2 keV.
func TestAttenuationValues(t *testing.T) {
	for _, tt := range []struct {
		name string
		z    Element
		e    Energy
		want float64 // cm²/g
		tol  float64
	}{
		{"C K in C, Henke", 6, 277, 1962, 0.006},
		{"C K in Si, Henke", 14, 277, 37710, 0.006},
		{"C K in Fe, Henke", 26, 277, 16350, 0.006},
		{"O K in O, Henke", 8, 524.9, 1200, 0.006},
		{"O K in Al, Henke", 13, 524.9, 6714, 0.006},
		{"O K in Si, Henke", 14, 524.9, 8828, 0.006},
		{"O K in Fe, Henke", 26, 524.9, 4094, 0.006},
		{"O K in Sn, Henke", 50, 524.9, 13360, 0.03}, // on a steep climb
		{"Fe L in Fe, Henke", 26, 704.8, 2149, 0.006},
		{"Al K in Al, Kissel", 13, 1486.7, 410.0, 0.006},
		{"Al K in Si, Kissel", 14, 1486.7, 545.9, 0.006},
		{"Al K in O, Elam", 8, 1486.7, 1586, 0.006},
		{"Si K in Si, Kissel", 14, 1739.98, 356.7, 0.006},
		{"Si K in Al, Kissel", 13, 1739.98, 3218, 0.006},
		{"Si K in Fe, Kissel", 26, 1739.98, 2320, 0.006},
		{"P K in Si, Kissel", 14, 2013.7, 2722, 0.006},
		{"Fe K in Cr, Kissel", 24, 6403.84, 443.4, 0.006},
		{"Au M in Pt, Henke", 78, 2122.9, 2785, 0.006},
		{"Na K in Zn, FFAST", 30, 1040.98, 7686.1, 0.12},
		{"Mg K in Tb, FFAST", 65, 1253.6, 5480.2, 0.12},
		{"Al K in Tm, FFAST", 69, 1486.7, 4368.3, 0.12},
	} {
		if got := float64(tt.z.Photo(tt.e)); math.Abs(got/tt.want-1) > tt.tol {
			t.Errorf("%s: %.5g, want %.5g within %g", tt.name, got, tt.want, tt.tol)
		}
	}
}

// Between steps attenuation falls with energy. From 1.1 keV up the exceptions are the delayed M5 onsets that Henke's
// measured table resolves (Yb, Lu, Ta, Au) and waves of the spline below 0.2 %.
func TestAttenuationFallsBetweenSteps(t *testing.T) {
	delayed := map[Element]bool{70: true, 71: true, 73: true, 79: true}
	for z := Element(1); z <= MaxElement; z++ {
		g := &tables().grids[z]
		for i := 1; i < len(g.lnE); i++ {
			if g.lnE[i] < g.lnE[i-1] {
				t.Fatalf("%v: row %d: energies descend", z, i)
			}
			if g.lnTotal[i] < g.lnPhoto[i] {
				t.Errorf("%v: total below photoelectric at %g eV", z, math.Exp(g.lnE[i]))
			}
			e := math.Exp(g.lnE[i])
			if e < 1100 || g.lnE[i] == g.lnE[i-1] || delayed[z] && inRepairedWindow(z, e) {
				continue
			}
			if rise := g.lnPhoto[i] - g.lnPhoto[i-1]; rise > 0.002 {
				t.Errorf("%v: rises by %.2f %% from %.6g to %.6g eV", z, 100*rise, math.Exp(g.lnE[i-1]), e)
			}
		}
	}
}

func TestEdgeSteps(t *testing.T) {
	for z := Element(1); z <= MaxElement; z++ {
		for _, s := range EdgeSteps(z) {
			below, above := z.Photo(s*(1-1e-9)), z.Photo(s)
			if above <= below {
				t.Errorf("%v: step at %g eV goes from %g to %g", z, float64(s), float64(below), float64(above))
			}
		}
	}
	// Elements with a K edge inside the grid have a step there: within 1 % of Edge, or 12 eV (N, O, F: free atom against
	// solid).
	for z := Element(3); z <= 58; z++ {
		e, _ := z.Edge(K)
		if float64(e) < 50 || float64(e) > 40000 {
			continue
		}
		ok := false
		for _, s := range EdgeSteps(z) {
			ok = ok || math.Abs(float64(s-e)) < max(12, 0.002*float64(e))
		}
		if !ok {
			t.Errorf("%v: no step at the K edge %g, steps %v", z, float64(e), EdgeSteps(z))
		}
	}
	// Re lacks its M5 step in XCOM-like tables.
	re := Element(75)
	if m5, _ := re.Edge(M5); re.Photo(m5*1.003) < 2*re.Photo(m5*0.997) {
		t.Error("Re: no step at M5")
	}
	if EdgeSteps(0) != nil {
		t.Error("element 0 has steps")
	}
}

func TestAttenuationRange(t *testing.T) {
	fe := Element(26)
	if fe.Photo(20) != fe.Photo(50) {
		t.Error("below 50 eV the value at 50 eV is returned")
	}
	// A power law continues the last rows: 40 → 80 keV falls by about 2^2.8 (photoelectric law E^-2.8).
	if r := float64(fe.Photo(40000) / fe.Photo(80000)); r < 6 || r > 8 {
		t.Errorf("40 to 80 keV: ratio %g", r)
	}
	for _, e := range []Energy{0, -1, Energy(math.NaN())} {
		if v := fe.Attenuation(e); !math.IsNaN(float64(v)) {
			t.Errorf("Attenuation(%g) = %g", float64(e), float64(v))
		}
	}
	for _, z := range []Element{-1, 0, 99} {
		if !math.IsNaN(float64(z.Attenuation(1000))) || !math.IsNaN(float64(z.Photo(1000))) {
			t.Errorf("element %d has attenuation", int(z))
		}
	}
}

func TestMixtureAttenuation(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := drawMaterial(t)
		e := Energy(rapid.Float64Range(30, 50000).Draw(t, "e"))
		var total, photo float64
		for _, c := range m.Components {
			total += c.MassFraction * float64(c.Element.Attenuation(e))
			photo += c.MassFraction * float64(c.Element.Photo(e))
		}
		if got := float64(m.Attenuation(e)); math.Abs(got/total-1) > 1e-12 {
			t.Fatalf("Attenuation %g, mean %g", got, total)
		}
		if got := float64(m.Photo(e)); math.Abs(got/photo-1) > 1e-12 || photo > total {
			t.Fatalf("Photo %g, mean %g, total %g", got, photo, total)
		}
	})
}

func BenchmarkAttenuation(b *testing.B) {
	fe := Element(26)
	fe.Attenuation(1000)
	b.ReportAllocs()
	e := Energy(200)
	for b.Loop() {
		fe.Attenuation(e)
		if e += 10; e > 30000 {
			e = 200
		}
	}
}

func BenchmarkReadTables(b *testing.B) {
	for b.Loop() {
		if _, err := readTables(); err != nil {
			b.Fatal(err)
		}
	}
}
