//go:build study

package spots

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"testing"

	"example.org/fleck/spectra/poisson"
)

func searcher(f *Field, opt Options) *cubeSearch {
	opt, err := opt.withDefaults(f)
	if err != nil {
		panic(err)
	}
	opt.Workers = 1
	s := newCubeSearch(f, opt)
	if err := s.prepare(context.Background()); err != nil {
		panic(err)
	}
	return s
}

// blankSpectrum is the sum spectrum of a blank field with the same counts.
func blankSpectrum(rng *rand.Rand, s0 []float64, counts float64) []float64 {
	out := make([]float64, len(s0))
	for c, p := range s0 {
		out[c] = float64(poissonDraw(rng, counts*p))
	}
	return out
}

func envInt(name string, def int) int {
	if v, err := strconv.Atoi(os.Getenv(name)); err == nil {
		return v
	}
	return def
}

func envString(name string) string { return os.Getenv(name) }

// powerWorld is what a study of power needs to know: the true spectra, and the
// template that the search is given.
type powerWorld struct {
	s0, s1 []float64 // truth
	given  Template
	side   int

	confusers []Template
}

// detectors returns ours with both kinds of substrate and the baseline, which
// looks for the target's own line alone, as in a map of one line.
func (w powerWorld) detectors() []detector {
	lineOnly := w.given
	lineOnly.Spectrum = append([]float64(nil), w.given.Line...)
	blank := func(t Template) func(*Field, *rand.Rand) []float64 {
		return func(f *Field, rng *rand.Rand) []float64 {
			b := blankSpectrum(rng, w.s0, f.Total())
			return searcher(f, Options{Target: t, Substrate: b, SubstrateCounts: sumOf(b)}).first.u
		}
	}
	same := func(t Template) func(*Field, *rand.Rand) []float64 {
		return func(f *Field, _ *rand.Rand) []float64 { return searcher(f, Options{Target: t}).first.u }
	}
	asked := func(f *Field, rng *rand.Rand) []float64 {
		b := blankSpectrum(rng, w.s0, f.Total())
		return searcher(f, Options{Target: w.given, Substrate: b, SubstrateCounts: sumOf(b), Confusers: w.confusers}).withOwnLine()
	}
	return []detector{{name: "blank field", run: blank(w.given)}, {name: "same field", run: same(w.given)},
		{name: "blank field, line asked", run: blank(w.given), spots: asked},
		{name: "own line, blank field", run: blank(lineOnly)}, {name: "own line, same field", run: same(lineOnly)}}
}

// withOwnLine returns the heights of the maxima of the first scan at which the target's
// own line is significant at 5 %, as a spot of the list must be, and −∞ elsewhere.
func (s *cubeSearch) withOwnLine() []float64 {
	u := make([]float64, len(s.first.u))
	for p := range u {
		u[p] = math.Inf(-1)
	}
	j := newJudge(s.opt, s.f.Channels.From)
	least, most := s.opt.MinWidthPx, 1.5*s.opt.Widths[len(s.opt.Widths)-1]
	for _, pk := range localMaxima(nil, s.first.u, s.w, s.h) {
		if pk.u < 3 { // below every threshold
			break
		}
		m := s.m.fork()
		tr := s.bank.trials[s.first.arg[pk.p]]
		c := m.fit(component{x: float64(pk.p % s.w), y: float64(pk.p / s.w), s: s.opt.Widths[tr.width], f: tr.f}, least, most)
		if c.f <= 0 {
			continue
		}
		m.put(c, 1)
		llr, _, _ := j.ownLine(gather(s.f, &s.ground, s.opt.Nuisance, s.windowOf([]component{c}, m.frac)))
		if poisson.HalfChi2P(2*llr) <= .05 {
			u[pk.p] = pk.u
		}
	}
	return u
}

// powerTable holds the heights of one detector: the highest of every field
// without spots, and those at the places of the spots put in.
type powerTable struct {
	null []float64
	at   [][]float64 // by field
}

// power returns the share of the spots above the height that 5 % of the fields
// without spots exceed. pick chooses fields: nulls and fields with spots.
func (t powerTable) power(nulls, fields []int) float64 {
	v := make([]float64, len(nulls))
	for i, k := range nulls {
		v[i] = t.null[k]
	}
	slices.Sort(v)
	threshold := v[int(math.Ceil(.95*float64(len(v))))-1]
	hit, n := 0, 0
	for _, k := range fields {
		for _, u := range t.at[k] {
			n++
			if u > threshold {
				hit++
			}
		}
	}
	return float64(hit) / float64(n)
}

// measurePower lets the detectors look at the same fields without and with
// spots, and prints power and share of the first detector's power. The standard
// errors come from resampling both kinds of fields 200 times.
func (w powerWorld) measurePower(c cell, dets []detector, null [][]float64, fields int) {
	info := information(w.s0, w.s1)
	tables := make([]powerTable, len(dets))
	for k := range tables {
		tables[k] = powerTable{null: null[k], at: make([][]float64, fields)}
	}
	parallel(fields, 0, func() func(int) {
		return func(i int) {
			rng := rand.New(rand.NewPCG(uint64(1000*c.width+c.counts), uint64(i)))
			sp := scatter(rng, c.perMap, w.side, w.side, c.width, c.fraction(info), 6*c.width, w.s1)
			f := worldField(rng, w.side, w.side, c.counts, w.s0, sp)
			for k, det := range dets {
				u := det.onSpots(f, rng)
				for _, q := range sp {
					tables[k].at[i] = append(tables[k].at[i], topNear(u, w.side, q.x, q.y, math.Max(2, 1.5*c.width)))
				}
			}
		}
	})
	all := func(n int) []int {
		out := make([]int, n)
		for i := range out {
			out[i] = i
		}
		return out
	}
	rng := rand.New(rand.NewPCG(9, 9))
	draw := func(n int) []int {
		out := make([]int, n)
		for i := range out {
			out[i] = rng.IntN(n)
		}
		return out
	}
	n := len(null[0])
	var powers, shares [][]float64
	for range 200 {
		a, b := draw(n), draw(fields)
		var p, s []float64
		for k := range tables {
			p = append(p, tables[k].power(a, b))
			s = append(s, p[k]/p[0])
		}
		powers, shares = append(powers, p), append(shares, s)
	}
	column := func(rows [][]float64, k int) (sd float64) {
		var v []float64
		for _, r := range rows {
			v = append(v, r[k])
		}
		_, sd = meanSD(v)
		return sd
	}
	base := tables[0].power(all(n), all(fields))
	fmt.Printf("%4g counts/px, width %.1f px, d %.2f, %d per field; %d fields without, %d with\n", c.counts, c.width, c.d, c.perMap, n, fields)
	for k, det := range dets {
		p := tables[k].power(all(n), all(fields))
		fmt.Printf("  %-22s power %.3f ± %.3f  of oracle %.3f ± %.3f\n", det.name, p, column(powers, k), p/base, column(shares, k))
	}
}

func topNear(u []float64, w int, x, y, r float64) float64 {
	top := math.Inf(-1)
	for p, v := range u {
		if math.Hypot(float64(p%w)-x, float64(p/w)-y) <= r {
			top = math.Max(top, v)
		}
	}
	return top
}

// nulls returns the highest value of every detector in fields without spots.
func (w powerWorld) nulls(counts float64, dets []detector, n int) [][]float64 {
	out := make([][]float64, len(dets))
	for k := range out {
		out[k] = make([]float64, n)
	}
	parallel(n, 0, func() func(int) {
		return func(i int) {
			rng := rand.New(rand.NewPCG(uint64(counts), uint64(i)))
			f := worldField(rng, w.side, w.side, counts, w.s0, nil)
			for k, det := range dets {
				out[k][i] = slices.Max(det.run(f, rng))
			}
		}
	})
	return out
}

// TestStudyPower prints the power against the oracle, at 5 % false alarms per
// field, over dose and size, at strengths where the oracle finds about 80 %. NULLS
// and FIELDS set the effort, COUNTS chooses a dose.
func TestStudyPower(t *testing.T) {
	nulls, fields := envInt("NULLS", 300), envInt("FIELDS", 60)
	w := powerWorld{worldAluminium(), worldSilica().Spectrum, worldSilica(), 64, worldConfusers()}
	if testing.Short() {
		nulls, fields, w.side = 30, 6, 32
	}
	fmt.Printf("information per count %.2f\n", information(w.s0, w.s1))
	for _, cs := range [][]cell{
		{{20, 1, 7.7, 9}, {20, 2.5, 5.5, 9}},
		{{50, 1, 6.8, 9}, {50, 2.5, 5.2, 9}},
		{{100, 1, 6.2, 9}, {100, 2.5, 5.0, 9}},
		{{200, 1, 6.0, 9}, {200, 2.5, 4.9, 9}},
	} {
		if only := envInt("COUNTS", 0); only != 0 && float64(only) != cs[0].counts || testing.Short() && cs[0].counts != 50 {
			continue
		}
		dets := w.detectors()
		var oracles []detector
		for _, c := range cs {
			if testing.Short() {
				c.perMap = 2
			}
			oracles = append(oracles, oracle(c, w.s0, w.s1, w.side, w.side))
		}
		null := w.nulls(cs[0].counts, append(oracles, dets...), nulls)
		for k, c := range cs {
			if testing.Short() {
				c.perMap = 2
			}
			w.measurePower(c, append([]detector{oracles[k]}, dets...), append([][]float64{null[k]}, null[len(cs):]...), fields)
		}
	}
}

// TestStudyRealPower is TestStudyPower with cubes thinned from measured spectra:
// silicon on molybdenum and on gallium arsenide, 15 keV. The oracle knows the
// spectra that were thinned.
func TestStudyRealPower(t *testing.T) {
	nulls, fields := envInt("NULLS", 300), envInt("FIELDS", 40)
	if testing.Short() {
		t.Skip("long: left out of short runs")
	}
	for _, substrate := range []string{"Mo_15kV.emsa", "GaAs_15kV.emsa"} {
		s0, target, _ := realWorld(t, substrate)
		target, err := target.check(len(s0), "target")
		if err != nil {
			t.Fatal(err)
		}
		if s0, err = normalised(s0, len(s0), "substrate"); err != nil {
			t.Fatal(err)
		}
		for c := range s0 { // the oracle divides by it
			s0[c] = math.Max(s0[c], 1e-9)
		}
		w := powerWorld{s0, target.Spectrum, target, 64, nil}
		fmt.Printf("Si on %s: information per count %.2f\n", substrate, information(s0, w.s1))
		dets := w.detectors()[:3]
		for _, cs := range [][]cell{{{50, 1, 6.8, 9}}, {{100, 2.5, 5.0, 9}}} {
			o := oracle(cs[0], w.s0, w.s1, w.side, w.side)
			all := append([]detector{o}, dets...)
			w.measurePower(cs[0], all, w.nulls(cs[0].counts, all, nulls), fields)
		}
	}
}

// TestStudyTemplateError prints how the power falls when the oxygen of the template
// is off by 5 and by 20 %, at equal false alarms, with the substrate from a blank.
func TestStudyTemplateError(t *testing.T) {
	nulls, fields := envInt("NULLS", 300), envInt("FIELDS", 60)
	if testing.Short() {
		t.Skip("long: left out of short runs")
	}
	w := powerWorld{worldAluminium(), worldSilica().Spectrum, worldSilica(), 64, nil}
	var dets []detector
	for _, f := range []float64{1, .95, 1.05, .8, 1.2} {
		v := w
		v.given = worldTemplate("SiO2", map[float64]float64{1740: .50, 525: .25 * f}, .25, 1740)
		d := v.detectors()[0]
		d.name = fmt.Sprintf("oxygen × %.2f", f)
		dets = append(dets, d)
	}
	c := cell{50, 1, 6.8, 9}
	all := append([]detector{oracle(c, w.s0, w.s1, w.side, w.side)}, dets...)
	w.measurePower(c, all, w.nulls(c.counts, all, nulls), fields)
}
