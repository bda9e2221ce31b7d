package plan

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"

	"example.org/fleck/quant/transport"
	"example.org/fleck/spectra/poisson"
	"example.org/fleck/spectra/xray"
)

func material(t testing.TB, s string) xray.Material {
	t.Helper()
	m, err := xray.ParseMaterial(s)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func plan(t testing.TB, r Request) *Result {
	t.Helper()
	out, err := Run(context.Background(), r)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func silica(t testing.TB, substrate string) Request {
	return Request{Target: material(t, "SiO2:2.2g/cm3"), Substrates: []xray.Material{material(t, substrate)}, Trajectories: 1000}
}

func adviceOf(t testing.TB, list []Advice, name string) Advice {
	t.Helper()
	for _, a := range list {
		if a.Material == name {
			return a
		}
	}
	t.Fatalf("no advice on %s in %v", name, list)
	return Advice{}
}

// Silica on silica cannot be told by its spectrum.
func TestSilicaOnSilica(t *testing.T) {
	r := plan(t, silica(t, "SiO2:2.2g/cm3"))
	if r.Separable || !strings.Contains(r.Reason, "cannot separate SiO2 from SiO2") {
		t.Errorf("separable %v, reason %q", r.Separable, r.Reason)
	}
	for _, c := range r.Cases {
		if c.Visible || c.Reason == "" || !math.IsInf(c.Dose, 1) {
			t.Errorf("%g keV, %g nm: visible %v at %g nA·s, reason %q", c.Beam.KeV(), c.Diameter*1e9, c.Visible, c.Dose, c.Reason)
		}
	}
}

// Silica on aluminium is seen, best at about 5 keV where particles are small.
func TestSilicaOnAluminium(t *testing.T) {
	req := silica(t, "Al")
	req.Diameters = []float64{100e-9}
	req.Confusers = []xray.Material{material(t, "SiOC2H6:0.97g/cm3")}
	r := plan(t, req)
	if !r.Separable {
		t.Errorf("not separable: %s", r.Reason)
	}
	best := r.Recommendations[0]
	if best.Beam != 5*xray.KeV || best.Visible != 1 || !(best.Doses[0] > 0 && best.Doses[0] < 1) {
		t.Errorf("best at %g keV with %v nA·s, want 5 keV", best.Beam.KeV(), best.Doses)
	}
	for _, c := range r.Cases {
		if !c.Visible || c.Family != "Si K" {
			t.Errorf("%g keV: visible %v by %q, want Si K", c.Beam.KeV(), c.Visible, c.Family)
		}
	}
	if !slices.ContainsFunc(r.Residues, func(s string) bool { return strings.Contains(s, "colloidal silica") }) {
		t.Error("no warning of colloidal silica")
	}
	// Thin silicone at 15 keV has the O/Si of bulk silica; at 5 keV it has not.
	// Own simulations with other cross sections say the same.
	for _, d := range r.Distinctions {
		if want := d.Beam < 12*xray.KeV; d.Separable != want {
			t.Errorf("%s at %g keV: separable %v, want %v (%v %s)", d.Confuser, d.Beam.KeV(), d.Separable, want, d.Evidence, d.Reason)
		}
	}
}

// Tungsten and tantalum are rejected where silicon is looked for, chromium where
// oxygen matters; carbon is not.
func TestCoatings(t *testing.T) {
	req := silica(t, "Al")
	req.Beams = []xray.Energy{5 * xray.KeV}
	req.Diameters = []float64{100e-9}
	for _, s := range []string{"W:5nm", "Ta:5nm", "Cr:5nm", "C:2.0g/cm3:8nm"} {
		req.Coatings = append(req.Coatings, Coating{material(t, s), transport.Over})
	}
	r := plan(t, req)
	for name, want := range map[string]Verdict{"W": Rejected, "Ta": Rejected, "Cr": Limited, "C": Suitable, "Au": Suitable, "Ir": Suitable} {
		if a := adviceOf(t, r.Coatings, name); a.Verdict != want {
			t.Errorf("coating %s is %v (%v), want %v", name, a.Verdict, a.Reasons, want)
		}
	}
	if a := adviceOf(t, r.Coatings, "Cr"); !strings.Contains(strings.Join(a.Reasons, ";"), "not where O matters") {
		t.Errorf("chromium: %v", a.Reasons)
	}
	for i, want := range []bool{false, false, true, true} {
		if c := r.Cases[i]; c.Visible != want || !want && c.Reason == "" {
			t.Errorf("%s: visible %v, reason %q", c.Coating, c.Visible, c.Reason)
		}
	}
	// For titania neither tungsten nor tantalum is in the way.
	req.Target = material(t, "TiO2:4.23g/cm3")
	req.Beams = []xray.Energy{10 * xray.KeV}
	if a := adviceOf(t, plan(t, req).Coatings, "W"); a.Verdict != Suitable {
		t.Errorf("tungsten for titania: %v %v", a.Verdict, a.Reasons)
	}
}

// Barium lies on titanium; sulphur and the other barium lines tell them apart.
func TestTitaniaAndBarite(t *testing.T) {
	r := plan(t, Request{
		Target: material(t, "TiO2:4.23g/cm3"), Substrates: []xray.Material{material(t, "Fe-18Cr-0.5Nb-0.2Ti:7.7g/cm3")},
		Confusers: []xray.Material{material(t, "BaSO4:4.5g/cm3")}, Diameters: []float64{300e-9}, Beams: []xray.Energy{15 * xray.KeV}, Trajectories: 1000,
	})
	d := r.Distinctions[0]
	overlap := slices.IndexFunc(d.Overlaps, func(o Overlap) bool { return o.Family == "Ti K" && strings.HasPrefix(o.With, "Ba L3-M5") })
	if overlap < 0 || math.Abs(d.Overlaps[overlap].SeparationEV+45) > 3 {
		t.Errorf("overlaps %v, want Ba L on Ti K, 45 eV below (X-Ray Data Booklet 2009: 4466.3 and 4510.8 eV)", d.Overlaps)
	}
	if !d.Separable || !slices.ContainsFunc(d.Evidence, func(s string) bool { return strings.Contains(s, "S K-L3") && strings.Contains(s, "BaSO4 alone") }) {
		t.Errorf("separable %v by %q, want S K", d.Separable, d.Evidence)
	}
	if !slices.ContainsFunc(r.Cases[0].Overlaps, func(o Overlap) bool { return o.Kind == FromConfuser }) {
		t.Errorf("the case does not name the overlap: %v", r.Cases[0].Overlaps)
	}
	if !slices.ContainsFunc(r.Cautions, func(s string) bool { return strings.Contains(s, "inclusions") }) {
		t.Errorf("no word on the titanium of the steel: %v", r.Cautions)
	}
	if a := adviceOf(t, r.Substrates, "Ti"); a.Verdict != Rejected {
		t.Errorf("titanium as a substrate is %v", a.Verdict)
	}
}

// Where the surface has what tells two compounds apart, the reason names it.
func TestPrecipitateOfTheSubstrate(t *testing.T) {
	q := silica(t, "Al-5Mg:2.66g/cm3")
	q.Confusers, q.Diameters, q.Beams = []xray.Material{material(t, "Mg2Si:1.99g/cm3")}, []float64{200e-9}, []xray.Energy{5 * xray.KeV}
	d := plan(t, q).Distinctions[0]
	if d.Separable || !strings.Contains(d.Reason, "O K is in SiO2 alone, but every surface carries some") || !strings.Contains(d.Reason, "Mg K is in Mg2Si alone, but the substrate Al-5Mg holds Mg itself") {
		t.Errorf("separable %v, %q", d.Separable, d.Reason)
	}
}

// Doses of planning tables for silica on aluminium, beam on the middle: counts per
// nA·s from the yields given with them, Ω/4π·ε 1e-3, window 84 %. Computed by
// another program, whose background is known to two digits: 15 %.
func TestDoseTable(t *testing.T) {
	for _, c := range []struct {
		yield, background, want float64 // per electron; nA·s
	}{
		{9.92e-5, 4.302e-6, 0.026},
		{9.38e-5, 7.802e-6, 0.034},
		{8.00e-5, 8.065e-6, 0.041},
		{5.08e-5, 4.302e-6, 0.062},
		{1.86e-4, 4.302e-6, 0.012},
		{1.87e-4, 7.802e-6, 0.013},
	} {
		const scale = 6.2415e6
		got := DoseFor(0.84*c.yield*scale, c.background*scale, 5e-7, 0.05)
		if math.Abs(got/c.want-1) > 0.15 {
			t.Errorf("yield %g: %.4f nA·s, want %.4f", c.yield, got, c.want)
		}
	}
}

// At the dose found, simulated counts exceed the threshold as often as asked.
func TestDoseCoverage(t *testing.T) {
	const signal, background, alpha, beta = 30.0, 4.0, 1e-3, 0.05
	d := DoseFor(signal, background, alpha, beta)
	critical := poisson.CriticalCount(background*d, alpha)
	rng := rand.New(rand.NewPCG(3, 1))
	draw := func(mean float64) int {
		n := 0
		for x := rng.ExpFloat64(); x < mean; x += rng.ExpFloat64() {
			n++
		}
		return n
	}
	const trials = 40000
	seen, alarms := 0.0, 0.0
	for range trials {
		if draw((signal+background)*d) > critical {
			seen++
		}
		if draw(background*d) > critical {
			alarms++
		}
	}
	// Four standard errors; the dose is found within 0.1 %.
	if p := seen / trials; p < 1-beta-4*math.Sqrt(beta/trials) || p > 1-beta+0.01 {
		t.Errorf("seen in %.4f, want %.2f", p, 1-beta)
	}
	if p := alarms / trials; p > alpha+4*math.Sqrt(alpha/trials) {
		t.Errorf("false alarms in %.5f, want at most %g", p, alpha)
	}
}

// A greater signal needs no more dose, a greater background no less, up to the
// jumps of whole counts.
func TestDoseMonotonic(t *testing.T) {
	last := math.Inf(1)
	for s := 0.1; s < 1e4; s *= 1.7 {
		d := DoseFor(s, 20, 5e-7, 0.05)
		if d > last {
			t.Errorf("signal %g: dose %g after %g", s, d, last)
		}
		last = d
	}
	last = 0
	for b := 0.1; b < 1e4; b *= 1.7 {
		d := DoseFor(50, b, 5e-7, 0.05)
		if d < last*0.98 {
			t.Errorf("background %g: dose %g after %g", b, d, last)
		}
		last = d
	}
	// The exact and the normal law meet where one takes over from the other.
	exact, many := DoseFor(1, 15, 5e-7, 0.05), DoseFor(1, 16, 5e-7, 0.05)
	if 15*exact > manyCounts || 16*many < manyCounts {
		t.Errorf("backgrounds of %g and %g counts do not lie beside the change of law", 15*exact, 16*many)
	}
	if q := many / exact * 15 / 16; math.Abs(q-1) > 0.02 {
		t.Errorf("doses %g and %g beside the change of law: %g", exact, many, q)
	}
	for _, v := range []float64{DoseFor(1, -1, 0.1, 0.1), DoseFor(1, 1, 0, 0.1), DoseFor(math.NaN(), 1, 0.1, 0.1)} {
		if !math.IsNaN(v) {
			t.Errorf("dose %g for arguments out of range", v)
		}
	}
	if d := DoseFor(0, 1, 0.1, 0.1); !math.IsInf(d, 1) {
		t.Errorf("dose %g without signal", d)
	}
}

// memory is a store in memory.
type memory struct {
	m          map[string][]byte
	gets, hits int
}

func (s *memory) Get(key string) ([]byte, bool) {
	s.gets++
	b, ok := s.m[key]
	if ok {
		s.hits++
	}
	return b, ok
}

func (s *memory) Put(key string, value []byte) { s.m[key] = value }

// A repeat comes from the store and says the same; another seed does not come from
// it.
func TestStore(t *testing.T) {
	store := &memory{m: map[string][]byte{}}
	req := silica(t, "Al")
	req.Beams = []xray.Energy{5 * xray.KeV, 10 * xray.KeV}
	req.Trajectories, req.Store = 500, store
	a := plan(t, req)
	if store.hits != 0 || len(store.m) == 0 {
		t.Fatalf("%d hits in an empty store, %d kept", store.hits, len(store.m))
	}
	store.gets = 0
	b := plan(t, req)
	if store.hits != store.gets {
		t.Errorf("%d of %d from the store", store.hits, store.gets)
	}
	if !reflect.DeepEqual(a.Cases, b.Cases) {
		t.Error("the repeat differs")
	}
	store.hits = 0
	req.Seed++
	plan(t, req)
	if store.hits != 0 {
		t.Errorf("%d hits with another seed", store.hits)
	}
	for k := range store.m {
		if strings.Trim(k, "abcdefghijklmnopqrstuvwxyz0123456789-") != "" {
			t.Errorf("key %q", k)
		}
	}
	// Rubbish in the store is passed over.
	for k := range store.m {
		store.m[k] = []byte("{")
	}
	req.Seed--
	if c := plan(t, req); !reflect.DeepEqual(a.Cases, c.Cases) {
		t.Error("rubbish in the store changes the plan")
	}
}

// The law is used inside its range and agrees there with the simulation.
func TestLawAndTransport(t *testing.T) {
	req, err := silica(t, "Al").withDefaults()
	if err != nil {
		t.Fatal(err)
	}
	req.Trajectories = 4000
	for _, c := range []struct {
		pixel, diameter float64
		beam            xray.Energy
		lawful          bool
		tolerance       float64 // 6 % for a standing beam, 3 % for a pixel
	}{
		{0, 100e-9, 10 * xray.KeV, true, 0.06}, {0, 50e-9, 5 * xray.KeV, true, 0.06}, {105e-9, 100e-9, 10 * xray.KeV, true, 0.03},
		{1e-6, 100e-9, 10 * xray.KeV, false, 0}, {0, 1e-6, 10 * xray.KeV, false, 0},
	} {
		req.PixelM = c.pixel
		s := setting{substrate: req.Substrates[0], beam: c.beam}
		if got := req.lawful(s, c.diameter); got != c.lawful {
			t.Errorf("%g nm at %g keV in a pixel of %g nm: law used %v, want %v", c.diameter*1e9, c.beam.KeV(), c.pixel*1e9, got, c.lawful)
		}
		if !c.lawful {
			continue
		}
		sum := func(y yields) float64 {
			n := 0.0
			for _, l := range y.Lines {
				if l.Element == 14 {
					n += l.Particle
				}
			}
			return n
		}
		x, err := transport.Excesses(context.Background(), req.config(s), []transport.Patch{{DiameterM: c.diameter, SideM: c.pixel, Centred: c.pixel == 0}})
		if err != nil {
			t.Fatal(err)
		}
		scale := 1.0
		if c.pixel > 0 {
			scale = 1 / (c.pixel * c.pixel)
		}
		y := yieldsOf(x.Bare.Intensities, x.Spheres[0].Intensities, scale)
		// 4000 trajectories have an error of 1 %; three of them.
		q := sum(req.law(s, c.diameter, yields{})) / sum(y)
		t.Logf("%g nm at %g keV, pixel %g nm: law over simulation %.3f", c.diameter*1e9, c.beam.KeV(), c.pixel*1e9, q)
		if math.Abs(q-1) > c.tolerance+0.03 {
			t.Errorf("%g nm at %g keV: law over simulation %.3f", c.diameter*1e9, c.beam.KeV(), q)
		}
	}
	if req.lawful(setting{substrate: material(t, "Au"), beam: 20 * xray.KeV}, 10e-9) {
		t.Error("the law is used on gold")
	}
}

// The ranking goes by the smallest particle that is seen, and says what is not.
func TestRanking(t *testing.T) {
	r := plan(t, Request{
		Target: material(t, "TiO2:4.23g/cm3"), Substrates: []xray.Material{material(t, "Fe-18Cr-0.5Nb-0.2Ti:7.7g/cm3")},
		Diameters: []float64{1e-6, 50e-9}, Beams: []xray.Energy{5 * xray.KeV, 10 * xray.KeV, 15 * xray.KeV}, PixelM: 2e-6, Trajectories: 300,
	})
	best := r.Recommendations[0]
	if best.Beam == 5*xray.KeV || best.Visible != 1 || !strings.Contains(best.Reasons[0], "Ti K of 1000 nm") || !strings.HasPrefix(best.Reasons[len(best.Reasons)-1], "50 nm: ") {
		t.Errorf("best at %g keV: %q", best.Beam.KeV(), best.Reasons)
	}
	for i, x := range r.Recommendations[1:] {
		if x.Visible > r.Recommendations[i].Visible {
			t.Errorf("place %d shows more than the one before", i+1)
		}
	}
}

// Sums of aluminium and carbon fall on silicon, in proportion to the current.
func TestSums(t *testing.T) {
	req := silica(t, "Al")
	req.Beams, req.Diameters = []xray.Energy{10 * xray.KeV}, []float64{50e-9}
	req.Coatings = []Coating{{material(t, "C:2.0g/cm3:20nm"), transport.Over}}
	lines := func(current float64) float64 {
		req.CurrentNA = current
		for _, f := range plan(t, req).Cases[0].Families {
			if f.Family == "Si K" {
				return f.Lines
			}
		}
		t.Fatal("no Si K")
		return 0
	}
	a, b := lines(1), lines(100)
	if !(b > 20*a) {
		t.Errorf("lines under Si K: %g per nA·s at 1 nA, %g at 100 nA", a, b)
	}
}

// Curves of dose fall with the diameter where particles are small, and end at the
// pixel; the dose of a diameter is that of the plan.
func TestCurves(t *testing.T) {
	req := silica(t, "Al")
	req.Beams = []xray.Energy{15 * xray.KeV, 5 * xray.KeV}
	req.Diameters = []float64{100e-9}
	req.PixelM = 200e-9
	curves, err := Curves(context.Background(), req)
	if err != nil {
		t.Fatal(err)
	}
	if len(curves) != 2 || curves[0].Beam != 5*xray.KeV {
		t.Fatalf("%d curves, the first at %g keV", len(curves), curves[0].Beam.KeV())
	}
	for _, c := range curves {
		if last := c.Diameters[len(c.Diameters)-1]; last > 200e-9 {
			t.Errorf("a diameter of %g m in a pixel of 200 nm", last)
		}
		for i := range c.Doses[1:] {
			// The systematic part of the background hides the smallest at any dose.
			hidden := math.IsInf(c.Doses[i], 1)
			if !hidden && !(c.Doses[i+1] < c.Doses[i]) || hidden != (c.Families[i] != "Si K") || hidden && i > 4 {
				t.Errorf("%g keV: %g nA·s for %g nm, %g for %g, by %q", c.Beam.KeV(), c.Doses[i], c.Diameters[i]*1e9, c.Doses[i+1], c.Diameters[i+1]*1e9, c.Families[i])
			}
		}
	}
}

func TestBadInput(t *testing.T) {
	good := silica(t, "Al")
	for _, c := range []struct {
		change func(*Request)
		want   string
	}{
		{func(r *Request) { r.Target = xray.Material{} }, "no target"},
		{func(r *Request) { r.Target = material(t, "SiO2") }, "density"},
		{func(r *Request) { r.Substrates = nil }, "no substrate"},
		{func(r *Request) { r.Substrates = []xray.Material{material(t, "SiO2")} }, "density"},
		{func(r *Request) { r.Diameters = []float64{0} }, "diameter"},
		{func(r *Request) { r.Diameters = []float64{-1e-7} }, "diameter"},
		{func(r *Request) { r.PixelM = 50e-9 }, "larger than the pixel"},
		{func(r *Request) { r.Beams = []xray.Energy{500} }, "beam energy"},
		{func(r *Request) { r.Beams = []xray.Energy{15e6} }, "beam energy"},
		{func(r *Request) { r.Coatings = []Coating{{Layer: material(t, "Au:5nm")}} }, "order"},
		{func(r *Request) { r.Coatings = []Coating{{Layer: material(t, "Au"), Order: transport.Over}} }, "thickness"},
		{func(r *Request) { r.CurrentNA = -1 }, "current"},
		{func(r *Request) { r.Alpha = 0.7 }, "error rates"},
		{func(r *Request) { r.DoseNAs = math.NaN() }, "dose"},
	} {
		r := good
		c.change(&r)
		if _, err := Run(context.Background(), r); err == nil || !strings.HasPrefix(err.Error(), "plan: ") || !strings.Contains(err.Error(), c.want) {
			t.Errorf("error %v, want one about %q", err, c.want)
		}
	}
	// A particle as large as the pixel fits, however its size was rounded.
	r := good
	r.PixelM, r.Diameters, r.Beams = 1e-6, []float64{1000 * 1e-9}, []xray.Energy{5 * xray.KeV}
	plan(t, r)
	// A beam below the edges is an answer.
	r = good
	r.Target, r.Beams = material(t, "ZnS:4.1g/cm3"), []xray.Energy{1 * xray.KeV}
	for _, c := range plan(t, r).Cases {
		if c.Visible || c.Reason == "" {
			t.Errorf("visible %v at 1 keV, reason %q", c.Visible, c.Reason)
		}
	}
}

func ExampleRun() {
	silica, _ := xray.ParseMaterial("SiO2:2.2g/cm3")
	r, err := Run(context.Background(), Request{
		Target: silica, Substrates: []xray.Material{xray.Pure(13)}, Diameters: []float64{100e-9}, Beams: []xray.Energy{5 * xray.KeV, 15 * xray.KeV},
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	best := r.Recommendations[0]
	fmt.Printf("%s at %g keV: visible %v\n", r.Cases[0].Family, best.Beam.KeV(), best.Visible == 1)
	// Output:
	// Si K at 5 keV: visible true
}

// BenchmarkPlan is the plan of four beam energies and three diameters.
func BenchmarkPlan(b *testing.B) {
	for _, cached := range []bool{false, true} {
		b.Run(fmt.Sprintf("cached=%v", cached), func(b *testing.B) {
			req := silica(b, "Al")
			req.Trajectories = 0
			if cached {
				req.Store = &memory{m: map[string][]byte{}}
				plan(b, req)
			}
			for b.Loop() {
				plan(b, req)
			}
		})
	}
}
