//go:build study

package spots

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// meanWorld is how fields of the study of the field mean differ from one another.
type meanWorld struct {
	what string
	// spread is the standard deviation of the own-line counts of a field beyond
	// counting, over the square root of the counts under that line; oxide that of the
	// logarithm of the oxygen share.
	spread, oxide float64
	shiftEV       float64 // standard deviation of the axis
	treatedEV     float64 // further shift of treated fields
	carbon        float64 // relative growth of carbon in treated fields
	treatedOxide  float64 // relative growth of oxygen in treated fields
	treatedCounts float64 // counts of treated fields over those of blank ones; 0 = 1
}

const (
	meanSide   = 64
	meanCounts = 50.0 * meanSide * meanSide
	// meanParticle is the counts of target that one particle sends on average.
	meanParticle = 0.3
)

// shiftedMix is worldMix with the axis shifted.
func shiftedMix(parts [][2]float64, continuum, shift float64) []float64 {
	out := make([]float64, worldChannels)
	b := worldContinuum()
	t := shift / 20
	for c := range out {
		out[c] = continuum * b[c]
		if n := c - int(math.Copysign(1, t)); n >= 0 && n < worldChannels-1 && c < worldChannels-1 {
			out[c] += continuum * math.Abs(t) * (b[n] - b[c])
		}
	}
	for _, p := range parts {
		for c, v := range worldLine(p[0] + shift) {
			out[c] += p[1] * v
		}
	}
	t = sumOf(out)
	for c := range out {
		out[c] /= t
	}
	return out
}

// draw returns the counts of one field with the mean number of target counts.
func (w meanWorld) draw(rng *rand.Rand, treated bool, target float64) []float64 {
	shift := w.shiftEV * rng.NormFloat64()
	total := meanCounts
	oxygen := .03 * math.Exp(w.oxide*rng.NormFloat64())
	carbon := .02
	if treated {
		shift += w.treatedEV
		carbon *= 1 + w.carbon
		oxygen *= 1 + w.treatedOxide
		if w.treatedCounts > 0 {
			total *= w.treatedCounts
		}
	}
	s0 := shiftedMix([][2]float64{{277, carbon}, {525, oxygen}, {1487, .65}}, .30, shift)
	s1 := shiftedMix([][2]float64{{1740, .50}, {525, .25}}, .25, shift)
	line := worldLine(1740 + shift)
	under := 0.0 // the counts that the strength of the line is measured against
	for c, v := range line {
		under += v * v / s0[c]
	}
	own := total * w.spread / math.Sqrt(meanCounts*under) * rng.NormFloat64()
	more := float64(poissonDraw(rng, meanParticle*float64(poissonDraw(rng, target/meanParticle))))
	s := make([]float64, worldChannels)
	for c := range s {
		mu := (total-more)*s0[c] + more*s1[c] + math.Max(-.5*total*s0[c], own*line[c])
		s[c] = distuv.Poisson{Lambda: mu, Src: rng}.Rand()
	}
	return s
}

func (w meanWorld) fields(rng *rand.Rand, treated, blanks int, target float64) (a, b [][]float64) {
	for range treated {
		a = append(a, w.draw(rng, true, target))
	}
	for range blanks {
		b = append(b, w.draw(rng, false, 0))
	}
	return a, b
}

// meanOracle is the Neyman–Pearson test of a share f of s1 in n treated fields beside
// s0, of the spectra known exactly (ratio 0) or of s0 known by n/ratio blank fields.
type meanOracle struct {
	ratio  float64
	weight []float64
	null   float64 // mean of the weights without deposit
	v0, v1 float64 // variances per count without and with it
	rise   float64
}

func newMeanOracle(s0, s1 []float64, f, ratio float64) meanOracle {
	o := meanOracle{ratio: ratio}
	var m0, q0, m1, q1 float64
	for c := range s0 {
		mixed := (1-f)*s0[c] + f*s1[c]
		l := math.Log(mixed / s0[c])
		o.weight = append(o.weight, l)
		m0, q0 = m0+l*s0[c], q0+l*l*s0[c]
		m1, q1 = m1+l*mixed, q1+l*l*mixed
	}
	o.null, o.rise, o.v0, o.v1 = m0, m1-m0, q0-m0*m0, q1-m1*m1
	return o
}

// power is that at 5 % false alarms in counts of both kinds of spectra.
func (o meanOracle) power(counts float64) float64 {
	return distuv.UnitNormal.CDF((o.rise*math.Sqrt(counts) - 1.644854*math.Sqrt(o.v0*(1+o.ratio))) / math.Sqrt(o.v1+o.v0*o.ratio))
}

// alarms reports whether the test finds the deposit.
func (o meanOracle) alarms(treated, blanks [][]float64) bool {
	mean := func(list [][]float64) float64 {
		s := sumSpectra(list)
		a := 0.0
		for c, v := range s {
			a += o.weight[c] * v
		}
		return a / sumOf(s)
	}
	a := mean(treated) - o.null
	if o.ratio > 0 {
		a = mean(treated) - mean(blanks)
	}
	return a > 1.644854*math.Sqrt(o.v0*(1+o.ratio)/sumOf(sumSpectra(treated)))
}

// meanDose returns the share at which the oracle finds 90 %.
func meanDose(s0, s1 []float64, counts, ratio float64) (share float64, o meanOracle) {
	low, high := 1e-8, .2
	for range 60 {
		share = math.Sqrt(low * high)
		if o = newMeanOracle(s0, s1, share, ratio); o.power(counts) < .9 {
			low = share
		} else {
			high = share
		}
	}
	return share, o
}

// meanTarget is silica with the parts that the templates of a study have.
func meanTarget() Template {
	t := worldSilica()
	oxygen, rest := worldLine(525), make([]float64, worldChannels)
	for c, v := range t.Spectrum {
		oxygen[c] *= .25
		rest[c] = math.Max(0, v-t.Line[c]-oxygen[c])
	}
	t.Parts = []Part{{t.Line, .1}, {oxygen, .2}, {rest, 1}}
	return t
}

func ratioOf(hit []bool) string {
	n := 0
	for _, h := range hit {
		n += count(h)
	}
	p := float64(n) / float64(len(hit))
	return fmt.Sprintf("%.4f ± %.4f", p, math.Sqrt(math.Max(p*(1-p), 1/float64(len(hit)))/float64(len(hit))))
}

func meanStudyRuns() int {
	if testing.Short() {
		return 40
	}
	return envInt("FIELDS", 10000)
}

var meanNuisance = []Template{{Name: "C K", Spectrum: worldLine(277)}}

// run calls FieldMean on runs draws.
func (w meanWorld) run(t *testing.T, seed uint64, treated, blanks, runs int, target float64, see func(i int, m *Mean, a, b [][]float64)) {
	opt := MeanOptions{Target: meanTarget(), Nuisance: meanNuisance}
	parallel(runs, 0, func() func(int) {
		return func(i int) {
			a, b := w.fields(rand.New(rand.NewPCG(seed, uint64(i))), treated, blanks, target)
			m, err := FieldMean(a, b, opt)
			if err != nil {
				t.Error(err)
				return
			}
			see(i, m, a, b)
		}
	})
}

// TestStudyFieldMean prints how often the test of the field mean finds a uniform
// deposit of small particles, none of which can be seen alone (0.3 counts each), at
// the doses where an oracle finds 90 % at 5 % false alarms: one that knows both
// spectra, and one that knows the blank's by the same blank fields. FIELDS sets the
// effort, TREATED and BLANKS choose rows.
func TestStudyFieldMean(t *testing.T) {
	runs := meanStudyRuns()
	s0, s1 := worldAluminium(), worldSilica().Spectrum
	cells := [][2]int{{1, 3}, {1, 5}, {1, 10}, {1, 20}, {1, 40}, {3, 3}, {3, 5}, {3, 10}, {3, 20}, {3, 40}, {5, 5}}
	if testing.Short() {
		cells = cells[2:3]
	}
	for _, c := range cells {
		if n := envInt("TREATED", c[0]); n != c[0] || envInt("BLANKS", c[1]) != c[1] {
			continue
		}
		for k, what := range []string{"both spectra", "the same blanks"} {
			ratio := float64(k) * float64(c[0]) / float64(c[1])
			share, o := meanDose(s0, s1, meanCounts*float64(c[0]), ratio)
			hit, best, whole := make([]bool, runs), make([]bool, runs), make([]bool, runs)
			(meanWorld{}).run(t, 5, c[0], c[1], runs, share*meanCounts, func(i int, m *Mean, a, b [][]float64) {
				hit[i], best[i], whole[i] = m.PValue <= .05, o.alarms(a, b), m.WholePValue <= .05
			})
			fmt.Printf("%d treated, %2d blanks, %4.0f counts of target a field: oracle that knows %-15s %s; found %s; by all lines %s\n",
				c[0], c[1], share*meanCounts, what, ratioOf(best), ratioOf(hit), ratioOf(whole))
		}
	}
}

var meanWorlds = []meanWorld{
	{what: "plain"},
	{what: "own line scatters by 0.5 of counting", spread: .5},
	{what: "own line scatters by 1 of counting", spread: 1},
	{what: "the same, four times the counts in treated fields", spread: 1, treatedCounts: 4},
	{what: "axis 5 eV off in treated fields", treatedEV: 5},
	{what: "axes scatter by 5 eV", shiftEV: 5},
	{what: "carbon doubled in treated fields", carbon: 1},
	{what: "oxygen scatters by a factor 1.6", oxide: .5},
	{what: "the same, half more oxygen in treated fields", oxide: .5, treatedOxide: .5},
	{what: "the same, half less oxygen in treated fields", oxide: .5, treatedOxide: -.5},
}

// TestStudyFieldMeanLevel prints the share of false alarms at 5 % nominal.
func TestStudyFieldMeanLevel(t *testing.T) {
	runs := meanStudyRuns()
	cells := [][2]int{{1, 2}, {1, 3}, {1, 10}, {3, 10}, {5, 5}}
	if testing.Short() {
		cells = cells[2:3]
	}
	for k, w := range meanWorlds {
		for _, c := range cells {
			hit, whole := make([]bool, runs), make([]bool, runs)
			w.run(t, uint64(20+k), c[0], c[1], runs, 0, func(i int, m *Mean, _, _ [][]float64) {
				hit[i], whole[i] = m.PValue <= .05, m.WholePValue <= .05
			})
			fmt.Printf("%-62s %d treated, %2d blanks: false alarms %s; by all lines %s\n", w.what, c[0], c[1], ratioOf(hit), ratioOf(whole))
		}
	}
}

// TestStudyFieldMeanLimit prints how often the 95 % limit and interval hold the true
// share, and their median widths over that of the limit with spectra and scatter
// known.
func TestStudyFieldMeanLimit(t *testing.T) {
	runs := meanStudyRuns()
	s0, s1 := worldAluminium(), worldSilica().Spectrum
	cells := [][2]int{{1, 3}, {1, 10}, {3, 10}, {5, 5}}
	if testing.Short() {
		cells = cells[1:2]
	}
	for _, w := range meanWorlds[:3] {
		for _, c := range cells {
			// The standard deviation of the whole template's estimate with all known.
			ideal := math.Sqrt((1 + w.spread*w.spread) * (1/float64(c[0]) + 1/float64(c[1])) / (meanCounts * information(s0, s1)))
			for _, share := range []float64{0, 3 * ideal} {
				limit, interval := make([]bool, runs), make([]bool, runs)
				above, width := make([]float64, runs), make([]float64, runs)
				w.run(t, 40, c[0], c[1], runs, share*meanCounts, func(i int, m *Mean, _, _ [][]float64) {
					limit[i], interval[i] = m.Limit >= share, m.Low <= share && share <= m.High
					above[i], width[i] = m.Limit-share, m.High-m.Low
				})
				slices.Sort(above)
				slices.Sort(width)
				fmt.Printf("%-36s %d treated, %2d blanks, share %.5f: limit holds it %s, interval %s; median limit less share %.5f (spectra and scatter known: %.5f), width %.5f (%.5f)\n",
					w.what, c[0], c[1], share, ratioOf(limit), ratioOf(interval), above[runs/2], 1.645*ideal, width[runs/2], 3.920*ideal)
			}
		}
	}
}

// TestStudyFieldMeanSpots prints how often the search for spots raises an alarm in
// fields without and with such a deposit, at 5 % nominal. FIELDS sets the effort.
func TestStudyFieldMeanSpots(t *testing.T) {
	fields := envInt("FIELDS", 400)
	if testing.Short() {
		fields = 4
	}
	s0, tgt := worldAluminium(), worldSilica()
	most, _ := meanDose(s0, tgt.Spectrum, meanCounts, 0)
	for _, x := range []struct {
		f    float64
		same bool // substrate from the field itself
	}{{0, false}, {most, false}, {0, true}, {most, true}} {
		f := x.f
		mixed := make([]float64, len(s0))
		for c := range mixed {
			mixed[c] = (1-f)*s0[c] + f*tgt.Spectrum[c]
		}
		hit := make([]bool, fields)
		for i := range fields {
			rng := rand.New(rand.NewPCG(6, uint64(i)))
			fd := evenMosaic(32, 32, meanCounts/meanSide/meanSide, mixed).draw(rng)
			opt := Options{Target: tgt, Seed: uint64(i)}
			if !x.same {
				opt.Substrate = evenMosaic(32, 32, meanCounts/meanSide/meanSide, s0).draw(rng).Sum()
			}
			a, _, _, err := alarmed(fd, opt)
			if err != nil {
				t.Fatal(err)
			}
			hit[i] = a
		}
		fmt.Printf("share of target %.5f, substrate from the same field %v: fields with a spot claimed: %s of %d\n", f, x.same, ratioOf(hit), fields)
	}
}

// TestStudyMeanBound prints the power of FieldMean's rule without scatter, beside the
// most that any threshold c on the difference over its counting uncertainty can have
// which depends on the observed scatter x = Q/dof and keeps 5 % for every true one. By
// Lagrange duality, for any multipliers l of the level at the scatters r, the bound is
//
//	sum_x max_c [P0(x)·S(c−d) − sum_r l_r·P_r(x)·S(c/√(1+r))] + 0.05·sum_r l_r.
func TestStudyMeanBound(t *testing.T) {
	steps := 700
	if testing.Short() {
		steps = 10
	}
	scatters := []float64{0, .1, .3, .5, 1, 1.5, 2, 3, 5, 10}
	const bins = 200
	survival := distuv.UnitNormal.Survival
	for _, x := range []struct{ dof, d float64 }{{2, 2.85}, {4, 2.85}, {8, 2.85}, {9, 2.85}, {11, 2.85}, {9, 2.718}, {11, 2.499}} {
		law := distuv.ChiSquared{K: x.dof}
		edge := func(i int) float64 { return 30 * math.Pow(float64(i)/bins, 3) }
		var chance [][]float64 // by scatter and bin of x
		for _, r := range scatters {
			row := make([]float64, bins)
			for i := range row {
				row[i] = law.CDF(edge(i+1)*x.dof/(1+r)) - law.CDF(edge(i)*x.dof/(1+r))
			}
			chance = append(chance, row)
		}
		var hits []float64
		var alarms [][]float64 // by threshold
		for c := -1.0; c < 12; c += .04 {
			hits = append(hits, survival(c-x.d))
			var row []float64
			for _, r := range scatters {
				row = append(row, survival(c/math.Sqrt(1+r)))
			}
			alarms = append(alarms, row)
		}
		l := make([]float64, len(scatters))
		l[0] = 3
		bound := 1.0
		for step := range steps {
			level, value := make([]float64, len(scatters)), 0.0
			for i := range bins {
				best, at := math.Inf(-1), 0
				for m, h := range hits {
					v := chance[0][i] * h
					for j, a := range alarms[m] {
						v -= l[j] * chance[j][i] * a
					}
					if v > best {
						best, at = v, m
					}
				}
				value += best
				for j, a := range alarms[at] {
					level[j] += chance[j][i] * a
				}
			}
			for j := range l {
				value += .05 * l[j]
			}
			bound = math.Min(bound, value)
			for j := range l {
				l[j] = math.Max(0, l[j]+30/math.Sqrt(1+float64(step))*(level[j]-.05))
			}
		}
		ours := 0.0
		student := distuv.StudentsT{Sigma: 1, Nu: x.dof}.Quantile(.95)
		const n = 2000
		for i := range n {
			q := law.Quantile((float64(i)+.5)/n) / x.dof
			ours += survival(math.Max(countingFloor*1.644854, student*math.Sqrt(q))-x.d) / n
		}
		fmt.Printf("%2.0f degrees of freedom, deposit of %.3f counting uncertainties: found %.4f, most possible %.4f, scatter known to be none %.4f\n", x.dof, x.d, ours, bound, survival(1.644854-x.d))
	}
}
