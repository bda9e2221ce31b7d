//go:build study

package study

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"sync"
	"testing"

	"example.org/fleck/maps"
	"example.org/fleck/maps/spots"
	"example.org/fleck/quant"
	"example.org/fleck/quant/template"
	"example.org/fleck/quant/transport"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/fit"
	"example.org/fleck/spectra/synth"
	"example.org/fleck/spectra/xray"
	"gonum.org/v1/gonum/stat/distuv"
)

// depositCases are compounds as spheres of 30 nm on coated metals.
var depositCases = []depositCase{
	{"SiO2:2.2g/cm3", "Al:2.7g/cm3", template.Under, 5 * xray.KeV},
	{"SiO2:2.2g/cm3", "Al:2.7g/cm3", template.Over, 5 * xray.KeV},
	{"TiO2:4.23g/cm3", "Fe-18Cr-0.5Nb-0.2Ti:7.7g/cm3", template.Under, 10 * xray.KeV},
}

type depositCase struct {
	compound, substrate string
	order               template.CoatingOrder
	beam                xray.Energy
}

const (
	depositNM     = 30.0
	depositSide   = 64   // px
	depositPixel  = 0.1  // µm
	depositCounts = 50.0 // per pixel
)

// depositTruth is what fields are drawn from, over the channels searched.
type depositTruth struct {
	bare, excess []float64 // counts per electron, and per electron and µm² of one sphere
	// thin and thick are bare with 9 and 11 nm of coating.
	thin, thick []float64
	dose        float64     // electrons per µm² times Ω/4π
	loose       [][]float64 // line families of everything but the own one
}

// others returns the line families of substrate, coating and compound but the own one.
func (d *depositTruth) others(p *template.Particles, rg spots.Range, own string) (out [][]float64) {
	for _, f := range []map[string][]float64{p.Bare.Families, p.Spheres[0].Own.Families} {
		for _, n := range familiesOf(f) {
			if v := f[n][rg.From:rg.To]; n != own && sumOf(v) > 0 {
				out = append(out, v)
			}
		}
	}
	return out
}

// newDeposit simulates the truth by transport with the other elastic cross section
// than the templates', and returns what the tool knows: template and free lines.
func newDeposit(t *testing.T, x depositCase) (*depositTruth, spots.Template, []spots.Template) {
	beam := x.beam
	m, err := xray.ParseMaterial(x.compound)
	if err != nil {
		t.Fatal(err)
	}
	sub, err := xray.ParseMaterial(x.substrate)
	if err != nil {
		t.Fatal(err)
	}
	setup := func(coatingNM float64) template.Setup {
		coat, err := xray.ParseMaterial(fmt.Sprintf("Au:19.3g/cm3:%gnm", coatingNM))
		if err != nil {
			t.Fatal(err)
		}
		return template.Setup{Substrate: sub, Coating: &coat, Order: x.order, Geometry: quant.Geometry{BeamEnergy: beam, TakeOff: 35 * xray.Degree},
			Calibration: spectra.Calibration{GainEV: 10}, Channels: int(float64(beam) / 10)}
	}
	s := setup(10)
	rg := spots.Range{From: 15, To: s.Channels}
	known, err := Predict(context.Background(), m, s, rg, template.SphereOptions{Trajectories: sphereTrajectories, Seed: sphereSeed})
	if err != nil {
		t.Fatal(err)
	}
	// The lines of coating and carbon, as a study leaves them free.
	r := Result{Study: &Study{Coating: s.Coating}, Sum: &spectra.Spectrum{Counts: make([]float64, s.Channels), Conditions: spectra.Conditions{BeamEnergy: beam}},
		Fit: &fit.Result{Detector: s.Detector.WithDefaults(), Calibration: s.Calibration, LowChannel: rg.From, Model: make([]float64, rg.To-rg.From), Options: fit.Options{LowEV: 10 * float64(rg.From), HighEV: float64(beam)}}}
	trajectories := 200000
	if testing.Short() {
		trajectories = 20000
	}
	out := &depositTruth{}
	for i, nm := range []float64{10, 9, 11} {
		// A square of three diameters: what electrons from farther away raise in a sphere
		// is left out, a part of its signal.
		p, err := template.Spheres(context.Background(), m, []float64{depositNM}, setup(nm), template.SphereOptions{Trajectories: trajectories, Seed: 11, Elastic: transport.Rutherford})
		if err != nil {
			t.Fatal(err)
		}
		bare := slices.Clone(p.Bare.Counts[rg.From:rg.To])
		for c := range bare {
			bare[c] = math.Max(0, bare[c])
		}
		switch i {
		case 0:
			out.bare, out.excess = bare, slices.Clone(p.Spheres[0].Excess.Counts[rg.From:rg.To])
			area := depositPixel * depositPixel * depositSide * depositSide
			out.dose = depositCounts * depositSide * depositSide / area / sumOf(bare)
			own := p.Spheres[0].Own.Families[known.Own]
			fmt.Printf("%s on %s, Au 10 nm %s, %g keV: one sphere of %g nm sends %.3f counts of %s (± %.1f %% from trajectories), %+.3f counts in all\n",
				m.Name, sub.Name, x.order, beam.KeV(), depositNM, out.dose*sumOf(own), known.Own, 100*p.Spheres[0].OwnErr[known.Own], out.dose*sumOf(out.excess))
			out.loose = out.others(p, rg, known.Own)
			fmt.Printf("  of the oracle's information with all other lines free: %.3f\n", out.oracle(1e-3, 0, true).variance/out.oracle(1e-3, 0, false).variance)
		case 1:
			out.thin = bare
		case 2:
			out.thick = bare
		}
	}
	return out, known.Template, r.Nuisance()
}

// field draws the sum spectrum of a field with spheres per µm² on average. coat mixes
// the spectra of 9 and 11 nm of coating: −1 and 1.
func (d *depositTruth) field(rng *rand.Rand, perUm2, coat float64) []float64 {
	area := depositPixel * depositPixel * depositSide * depositSide
	spheres := 0.0
	if perUm2 > 0 {
		spheres = distuv.Poisson{Lambda: perUm2 * area, Src: rng}.Rand()
	}
	expected := make([]float64, len(d.bare))
	for c, v := range d.bare {
		v += coat * (d.thick[c] - d.thin[c]) / 2
		expected[c] = d.dose * math.Max(0, area*v+spheres*d.excess[c])
	}
	return synth.Noise(expected, rng)
}

// mixed is the mean spectrum of a field with a deposit, of sum 1.
func (d *depositTruth) mixed(perUm2 float64) []float64 {
	out := make([]float64, len(d.bare))
	for c, v := range d.bare {
		out[c] = math.Max(1e-12, v+perUm2*d.excess[c])
	}
	t := sumOf(out)
	for c := range out {
		out[c] /= t
	}
	return out
}

// depositOracle is the Neyman–Pearson test between the mean spectra of fields with
// and without a deposit, of which the second is known exactly (ratio 0) or by treated
// over ratio blank fields.
type depositOracle struct {
	ratio          float64
	weight         []float64
	null, rise     float64
	variance, with float64 // per count
}

// oracle returns the test for spheres per µm², with all other lines free: what tells
// the target from a thicker coating or more oxide.
func (d *depositTruth) oracle(perUm2, ratio float64, free bool) depositOracle {
	o := depositOracle{ratio: ratio}
	m0, m1 := d.mixed(0), d.mixed(perUm2)
	o.weight = make([]float64, len(m0))
	for c := range m0 {
		o.weight[c] = math.Log(m1[c] / m0[c])
	}
	if free {
		// Gram–Schmidt with the metric m0: the lines, each beside its share of m0.
		project := func(v, on []float64) {
			a, b := 0.0, 0.0
			for c := range v {
				a += m0[c] * v[c] * on[c]
				b += m0[c] * on[c] * on[c]
			}
			for c := range v {
				v[c] -= a / b * on[c]
			}
		}
		var basis [][]float64
		for _, l := range d.loose {
			v, t := make([]float64, len(l)), sumOf(l)
			for c := range v {
				v[c] = l[c]/t/m0[c] - 1
			}
			for range 2 { // twice is enough against rounding
				for _, b := range basis {
					project(v, b)
				}
			}
			basis = append(basis, v)
			project(o.weight, v)
		}
	}
	var a0, q0, a1, q1 float64
	for c, l := range o.weight {
		a0, q0, a1, q1 = a0+l*m0[c], q0+l*l*m0[c], a1+l*m1[c], q1+l*l*m1[c]
	}
	o.null, o.rise, o.variance, o.with = a0, a1-a0, q0-a0*a0, q1-a1*a1
	return o
}

func (o depositOracle) power(counts float64) float64 {
	return distuv.UnitNormal.CDF((o.rise*math.Sqrt(counts) - 1.644854*math.Sqrt(o.variance*(1+o.ratio))) / math.Sqrt(o.with+o.variance*o.ratio))
}

func (o depositOracle) alarms(treated, blanks [][]float64) bool {
	mean := func(list [][]float64) (a, n float64) {
		for _, s := range list {
			for c, v := range s {
				a += o.weight[c] * v
				n += v
			}
		}
		return a / n, n
	}
	a, n := mean(treated)
	b := o.null
	if o.ratio > 0 {
		b, _ = mean(blanks)
	}
	return a-b > 1.644854*math.Sqrt(o.variance*(1+o.ratio)/n)
}

// density returns the spheres per µm² at which the oracle finds 90 % in n treated
// fields.
func (d *depositTruth) density(n int, ratio float64, free bool) (perUm2 float64, o depositOracle) {
	low, high := 1e-4, 1e5
	for range 60 {
		perUm2 = math.Sqrt(low * high)
		if o = d.oracle(perUm2, ratio, free); o.power(float64(n)*depositCounts*depositSide*depositSide) < .9 {
			low = perUm2
		} else {
			high = perUm2
		}
	}
	return perUm2, o
}

// each calls do for every number below n on two goroutines.
func each(n int, do func(i int)) {
	var wg sync.WaitGroup
	for k := range 2 {
		wg.Go(func() {
			for i := k; i < n; i += 2 {
				do(i)
			}
		})
	}
	wg.Wait()
}

func found(hit []bool) string {
	n := 0.0
	for _, h := range hit {
		if h {
			n++
		}
	}
	p := n / float64(len(hit))
	return fmt.Sprintf("%.4f ± %.4f", p, math.Sqrt(math.Max(p*(1-p), 1/float64(len(hit)))/float64(len(hit))))
}

func envOr(name string, or int) int {
	if v, err := strconv.Atoi(os.Getenv(name)); err == nil {
		return v
	}
	return or
}

// TestStudyDeposit prints how often the field-mean test finds spheres of 30 nm that
// lie scattered over treated fields, 0.1 µm pixels of 50 counts, at the densities at
// which an oracle finds 90 % at 5 % false alarms: one that knows the mean spectra of
// both kinds of fields, and one that knows that of the blank by the same fields. The
// truth is by transport with the other elastic cross section; templates and free lines
// are those of a study. FIELDS sets the effort, CASE chooses a compound.
func TestStudyDeposit(t *testing.T) {
	runs := envOr("FIELDS", 4000)
	cells := [][2]int{{1, 3}, {1, 5}, {1, 10}, {1, 20}, {1, 40}, {3, 3}, {3, 5}, {3, 10}, {3, 20}, {3, 40}, {5, 5}}
	nulls := [][2]int{{1, 3}, {1, 10}, {3, 10}, {5, 5}}
	cases := depositCases
	if testing.Short() {
		runs, cells, nulls, cases = 20, cells[2:3], nulls[1:2], cases[:1]
	}
	if k := envOr("CASE", -1); k >= 0 && k < len(cases) {
		cases = cases[k : k+1]
	}
	for _, x := range cases {
		d, target, nuisance := newDeposit(t, x)
		test := func(seed uint64, c [2]int, perUm2, coat float64, see func(i int, m *spots.Mean, a, b [][]float64)) {
			each(runs, func(i int) {
				rng := rand.New(rand.NewPCG(seed, uint64(i)))
				var a, b [][]float64
				for range c[0] {
					a = append(a, d.field(rng, perUm2, coat*rng.NormFloat64()))
				}
				for range c[1] {
					b = append(b, d.field(rng, 0, coat*rng.NormFloat64()))
				}
				m, err := spots.FieldMean(a, b, spots.MeanOptions{Target: target, Nuisance: nuisance})
				if err != nil {
					t.Error(err)
					return
				}
				see(i, m, a, b)
			})
		}
		for _, c := range cells {
			for k, what := range []string{"both spectra", "both, other lines free", "the same blanks, other lines free"} {
				perUm2, o := d.density(c[0], float64(k/2)*float64(c[0])/float64(c[1]), k > 0)
				hit, best := make([]bool, runs), make([]bool, runs)
				test(7, c, perUm2, 0, func(i int, m *spots.Mean, a, b [][]float64) {
					hit[i], best[i] = m.PValue <= .05, o.alarms(a, b)
				})
				fmt.Printf("%d treated, %2d blanks, %.1f spheres/µm²: oracle that knows %-33s %s; found %s\n", c[0], c[1], perUm2, what, found(best), found(hit))
			}
		}
		for _, coat := range []float64{0, .5} {
			for _, c := range nulls {
				hit := make([]bool, runs)
				test(8, c, 0, coat, func(i int, m *spots.Mean, _, _ [][]float64) { hit[i] = m.PValue <= .05 })
				fmt.Printf("no deposit, coating 10 ± %.1f nm from field to field, %d treated, %2d blanks: false alarms %s\n", coat, c[0], c[1], found(hit))
			}
		}
	}
}

// TestStudyDepositSpots prints how often the search for spots claims one in such a
// field, with the density at which the oracle of one field finds 90 %. All counts of a
// sphere go to the pixel that holds it, which makes them stand out most.
func TestStudyDepositSpots(t *testing.T) {
	fields, side := envOr("FIELDS", 200), depositSide
	cases := depositCases
	if testing.Short() {
		fields, side, cases = 2, 24, cases[:1]
	}
	if k := envOr("CASE", -1); k >= 0 && k < len(cases) {
		cases = cases[k : k+1]
	}
	for _, x := range cases {
		d, target, nuisance := newDeposit(t, x)
		most, _ := d.density(1, 0, true)
		for _, perUm2 := range []float64{0, most} {
			hit, any := make([]bool, fields), make([]bool, fields)
			each(fields, func(i int) {
				rng := rand.New(rand.NewPCG(9, uint64(i)))
				f, err := spots.NewField(side, side, len(d.bare), d.cube(rng, side, perUm2), maps.Pixel{})
				if err != nil {
					t.Error(err)
					return
				}
				r, err := spots.Find(context.Background(), f, spots.Options{Target: target, Nuisance: nuisance, Substrate: d.field(rng, 0, 0), NoLimit: true, Bootstrap: 99, Workers: 1, Seed: uint64(i)})
				if err != nil {
					t.Error(err)
					return
				}
				hit[i], any[i] = r.Detected, len(r.Spots) > 0
			})
			fmt.Printf("%.1f spheres/µm²: search for spots: fields with an alarm %s, with a spot listed %s of %d\n", perUm2, found(hit), found(any), fields)
		}
	}
}

// cube draws the counts of a field of side × side pixels.
func (d *depositTruth) cube(rng *rand.Rand, side int, perUm2 float64) []uint32 {
	nc := len(d.bare)
	out := make([]uint32, side*side*nc)
	var laws [][]float64 // running sums of the spectra of pixels with 0, 1, 2 … spheres
	for p := range side * side {
		n := 0
		if perUm2 > 0 {
			n = int(distuv.Poisson{Lambda: perUm2 * depositPixel * depositPixel, Src: rng}.Rand())
		}
		for len(laws) <= n {
			sum, law := 0.0, make([]float64, nc)
			for c, v := range d.bare {
				sum += d.dose * math.Max(0, depositPixel*depositPixel*v+float64(len(laws))*d.excess[c])
				law[c] = sum
			}
			laws = append(laws, law)
		}
		total := laws[n][nc-1]
		for range synth.Poisson(rng, total) {
			c, _ := slices.BinarySearch(laws[n], rng.Float64()*total)
			out[p*nc+min(c, nc-1)]++
		}
	}
	return out
}
