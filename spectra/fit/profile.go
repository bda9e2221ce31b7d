package fit

import (
	"math"

	"example.org/fleck/spectra/poisson"
)

// Profile is the profile likelihood of the net counts of one family: everything
// else in the model adapts to each value. It gives coverage intervals and limits
// that hold for weak families, where the estimate is near zero and its law far
// from normal.
type Profile struct {
	NetCounts float64 // the estimate, ≥ 0
	Sigma     float64
	normal    bool // strong enough for the normal law
	up, down  rise // of the likelihood ratio above and below the estimate
	// The counting experiment with known background and the same information:
	// expectation of its counts is efficiency·NetCounts + background.
	efficiency, background float64
}

// Bounds above which a family is strong: the normal law holds for its estimate.
const (
	strongCounts       = 200
	strongSignificance = 5
)

// Strong reports whether net counts ± Sigma can be taken as normal: at least 200
// counts and five standard uncertainties.
func (f FamilyResult) Strong() bool {
	return !f.AtZero && f.NetCounts >= strongCounts && f.Significance() >= strongSignificance
}

// Profile returns the profile of family i. A weak family costs about ten linear
// fits; of a strong one the profile is that of the normal law.
func (r *Result) Profile(i int) *Profile {
	f := r.Families[i]
	p := &Profile{NetCounts: f.NetCounts, Sigma: f.Sigma, normal: f.Strong() || !(f.Sigma > 0)}
	if p.normal {
		return p
	}
	w := r.newProfiler(i)
	at, v := w.at(f.NetCounts)
	sigma := math.Max(math.Sqrt(v), 1)
	far, zero := v, v
	for k, x := range []float64{1.5, 3, 5} {
		o, vk := w.at(f.NetCounts + x*sigma)
		p.up.x[k], p.up.q[k] = x*sigma, 2*(o-at)
		if k == 0 {
			far = vk
		}
	}
	w.st = w.start.clone()
	if f.NetCounts > 0 {
		for k, x := range []float64{0.4, 0.75, 1} {
			o, vk := w.at(f.NetCounts * (1 - x))
			p.down.x[k], p.down.q[k] = x*f.NetCounts, 2*(o-at)
			zero = vk
		}
	}
	p.counting(f.NetCounts+1.5*sigma, far, zero)
	p.up.solve(func(x float64) float64 { return p.base(f.NetCounts + x) })
	if f.NetCounts > 0 {
		p.down.solve(func(x float64) float64 { return p.base(f.NetCounts - x) })
	}
	return p
}

// counting sets the counting experiment whose variance of the net counts is
// zero at 0 and far at a: variance = a/efficiency + background/efficiency².
func (p *Profile) counting(a, far, zero float64) {
	p.efficiency = 1
	if far > zero {
		p.efficiency = math.Min(1, a/(far-zero))
	}
	p.background = zero * p.efficiency * p.efficiency
}

// rise is the likelihood ratio on one side of the estimate: that of a counting
// experiment times a quadratic polynomial in the distance x from the estimate
// through three profile fits, or, where the estimate sits on the bound, x times
// such a polynomial.
type rise struct {
	x, q, c [3]float64
}

func (s *rise) solve(base func(x float64) float64) {
	// Newton's divided differences of q/base.
	for k := range s.c {
		s.c[k] = math.Max(0, s.q[k]) / base(s.x[k])
	}
	s.c[2] = (s.c[2] - s.c[1]) / (s.x[2] - s.x[1])
	s.c[1] = (s.c[1] - s.c[0]) / (s.x[1] - s.x[0])
	s.c[2] = (s.c[2] - s.c[1]) / (s.x[2] - s.x[0])
}

func (s *rise) at(x float64, base func(x float64) float64) float64 {
	return math.Max(0, s.c[0]+(x-s.x[0])*(s.c[1]+(x-s.x[1])*s.c[2])) * base(x)
}

// base is the likelihood ratio of the counting experiment at net counts a.
func (p *Profile) base(a float64) float64 {
	if p.NetCounts == 0 {
		return a
	}
	n, mu := p.efficiency*p.NetCounts+p.background, p.efficiency*a+p.background
	return 2 * (mu - n + n*math.Log(n/math.Max(mu, 1e-3*n)))
}

// ratio returns −2 ln of the likelihood ratio at the given net counts.
func (p *Profile) ratio(a float64) float64 {
	switch {
	case p.normal:
		z := (a - p.NetCounts) / p.Sigma
		return z * z
	case a >= p.NetCounts:
		return p.up.at(a-p.NetCounts, func(x float64) float64 { return p.base(p.NetCounts + x) })
	}
	return p.down.at(p.NetCounts-a, func(x float64) float64 { return p.base(p.NetCounts - x) })
}

// profileSteps is the number of trial values on either side of the estimate.
const profileSteps = 300

// Interval returns the coverage interval of the net counts at the given level (0
// < level < 1, for example 0.95): all values whose likelihood ratio does not
// exceed the threshold of Feldman & Cousins (1998) for a counting experiment of
// the same information. It goes over from two sides to an upper limit by itself
// and is never below zero.
func (p *Profile) Interval(level float64) (low, high float64) {
	if !(level > 0 && level < 1) || !(p.Sigma > 0) {
		return math.NaN(), math.NaN()
	}
	if p.normal {
		z := math.Sqrt2 * math.Erfinv(level)
		return math.Max(0, p.NetCounts-z*p.Sigma), p.NetCounts + z*p.Sigma
	}
	// The threshold jumps where a count joins or leaves; five percent are given for
	// what parts the family from a counting experiment.
	accepted := func(a float64) bool {
		return p.ratio(a) <= 1.05*poisson.RatioThreshold(p.efficiency*a, p.background, level)+0.05
	}
	low, high = p.NetCounts, p.NetCounts
	top := p.up.x[2]
	for k := profileSteps; k > 0; k-- {
		if a := p.NetCounts + top*float64(k)/profileSteps; accepted(a) {
			high = a
			break
		}
	}
	for k := profileSteps; k > 0; k-- {
		if a := p.NetCounts * (1 - float64(k)/profileSteps); accepted(a) {
			low = a
			break
		}
	}
	return low, high
}

// UpperLimit returns the one-sided upper limit of the net counts at the given
// level: the share level of the likelihood, taken over all values from zero up,
// lies below it. Without background and counts that is Garwood's −ln(1−level);
// the true value lies below with a probability of at least level (Helene 1983,
// Nucl. Instr. Meth. 212, 319).
func (p *Profile) UpperLimit(level float64) float64 {
	if !(level > 0 && level < 1) || !(p.Sigma > 0) {
		return math.NaN()
	}
	if p.normal {
		return p.NetCounts + math.Sqrt2*math.Erfinv(2*level-1)*p.Sigma
	}
	const n = 4 * profileSteps
	top := p.NetCounts + 1.2*p.up.x[2]
	step := top / n
	var below [n + 1]float64
	for k := 1; k <= n; k++ {
		below[k] = below[k-1] + math.Exp(-p.ratio((float64(k)-0.5)*step)/2)
	}
	want := level * below[n]
	for k := 1; k <= n; k++ {
		if below[k] >= want {
			return step * (float64(k) - (below[k]-want)/(below[k]-below[k-1]))
		}
	}
	return top
}

// profiler fits a spectrum with one family held.
type profiler struct {
	sc    *scorer
	start state // of the fit
	st    state
	i     int
	unit  float64 // net counts per unit of the amplitude
}

func (r *Result) newProfiler(i int) *profiler {
	// The design holds curves of the last shape: a copy of its own.
	d, cont := *r.design, *r.design.cont
	cont.thick, cont.thin, cont.work = continuumCurve{}, continuumCurve{}, make([]float64, len(cont.work))
	d.cont = &cont
	w := &profiler{i: i, start: r.state, st: r.state.clone(), sc: newScorer(&d, r.counts, r.start, r.Options)}
	w.sc.free, w.sc.devOf = r.free, append([]bool(nil), r.devOf...)
	for k, g := range d.groupsOf[i] {
		w.unit += d.families[i].groups[k].weight * math.Exp(r.state.dev[g])
	}
	w.sc.devOf[i] = false
	return w
}

// at returns half the deviance with its penalty at the given net counts, and
// the variance of the net counts there.
func (w *profiler) at(net float64) (objective, variance float64) {
	w.st.family[w.i] = net / w.unit
	w.sc.iter = 0
	w.sc.held = w.i
	w.sc.run(&w.st, 1e-3)
	objective, _ = w.sc.objective(&w.st)
	copy(w.sc.m, w.sc.mTry)
	w.sc.held = noFamily
	w.sc.enumerate(&w.st)
	variance = w.sc.variance(&w.st, w.i) * w.unit * w.unit
	return objective, variance
}
