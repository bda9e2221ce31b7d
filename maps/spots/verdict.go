package spots

import (
	"fmt"
	"math"
	"slices"

	"example.org/fleck/maps"
	"example.org/fleck/spectra/poisson"
	"gonum.org/v1/gonum/stat/distuv"
)

// strayAlpha is the significance at which counts that no component explains
// forbid a name (choice of this package).
const strayAlpha = 0.01

// strayShare is the share of a spot's counts that unexplained counts must
// exceed: soft lines of the templates are uncertain by as much (choice of this
// package).
const strayShare = 0.1

// judge fills in what the spectrum of one spot says: line counts, evidence and
// verdict.
type judge struct {
	opt   Options
	first int       // channel of the cube that the first channel here is
	win   int       // channels of the target's line at half height
	shape []float64 // its shape, centred on the highest channel
	local [][]float64
	other [][]float64
	// candidates are target and confusers without the lines that say nothing.
	candidates []Template
}

func newJudge(opt Options, first int) *judge {
	line := opt.Target.Line
	top := 0
	for c, v := range line {
		if v > line[top] {
			top = c
		}
	}
	// Down to 1 % on both sides, but not beyond the first dip: the strongest line
	// of the family alone.
	a, b := top, top
	for a > 0 && line[a-1] <= line[a] && line[a-1] > .01*line[top] {
		a--
	}
	for b < len(line)-1 && line[b+1] <= line[b] && line[b+1] > .01*line[top] {
		b++
	}
	r := max(top-a, b-top)
	j := &judge{opt: opt, first: first, shape: make([]float64, 2*r+1)}
	for c := a; c <= b; c++ {
		j.shape[c-top+r] = line[c]
		if line[c] >= line[top]/2 {
			j.win++
		}
	}
	j.surround(a, b)
	for _, t := range append([]Template{opt.Target}, opt.Confusers...) {
		j.candidates = append(j.candidates, withoutNuisance(t, opt))
	}
	return j
}

// alike is the correlation from which a part of a template counts as a nuisance
// line (choice of this package).
const alike = 0.95

// withoutNuisance returns t without the parts that are lines of free strength: they
// say nothing about a spot, whichever compound they would belong to.
func withoutNuisance(t Template, opt Options) Template {
	t.Parts = t.parts(opt.TemplateSigma)
	var kept []Part
	spectrum := make([]float64, len(t.Spectrum))
	for _, p := range t.Parts {
		free := false
		for _, n := range opt.Nuisance {
			free = free || correlation(p.Spectrum, n.Spectrum) > alike
		}
		if free {
			continue
		}
		kept = append(kept, p)
		for c, v := range p.Spectrum {
			spectrum[c] += v
		}
	}
	if sumOf(spectrum) > 0 {
		t.Parts, t.Spectrum = kept, spectrum
	}
	thicker := make([]Template, len(t.Thicker))
	for i, v := range t.Thicker {
		thicker[i] = withoutNuisance(v, opt)
	}
	t.Thicker = thicker
	return t
}

// correlation returns the cosine between two spectra.
func correlation(a, b []float64) float64 {
	var ab, aa, bb float64
	for c := range a {
		ab += a[c] * b[c]
		aa += a[c] * a[c]
		bb += b[c] * b[c]
	}
	if aa == 0 || bb == 0 {
		return 0
	}
	return ab / math.Sqrt(aa*bb)
}

// surround sets what may lie about the line at channels a … b without being
// it: a straight continuum (two ramps that end 1.5 line widths outside it), and
// the other compounds with their own peaks on the line cut off, since one that
// shares the line must not be able to stand in for the target here.
func (j *judge) surround(a, b int) {
	nc := len(j.opt.Target.Line)
	margin := 3 * j.win / 2
	low, high := max(0, a-margin), min(nc-1, b+margin)
	up, down := make([]float64, nc), make([]float64, nc)
	for c := low; c <= high; c++ {
		up[c] = float64(c-low+1) / float64(high-low+2)
		down[c] = 1 - up[c]
	}
	j.local = [][]float64{up, down}
	line := j.opt.Target.Line
	top := slices.Max(line)
	for _, t := range j.opt.Confusers {
		s := slices.Clone(t.Spectrum)
		for c := 0; c < nc; c++ {
			if line[c] <= .01*top {
				continue
			}
			end := c
			for end < nc-1 && line[end+1] > .01*top {
				end++
			}
			left, right := s[max(0, c-1)], s[min(nc-1, end+1)]
			for k := c; k <= end; k++ {
				f := float64(k-c+1) / float64(end-c+2)
				s[k] = math.Min(s[k], (1-f)*left+f*right)
			}
			c = end
		}
		j.other = append(j.other, s)
	}
}

// ownLine is the test of the target's own line on the evidence of a spot.
func (j *judge) ownLine(e *evidence) (llr, counts, sigma float64) {
	return e.ownLine(j.opt.Target, append(j.local, j.other...), j.local)
}

// verdict fills s.Verdict, Compound, Evidence and Reason. listed says whether
// the own line of the target is significant without the confusers.
func (j *judge) verdict(s *maps.Spot, e *evidence) {
	opt := j.opt
	cands := make([]candidate, len(j.candidates))
	best := 0
	for i, t := range j.candidates {
		cands[i] = e.compound(t, nil, opt.TemplateSigma)
		for _, thick := range t.Thicker {
			if c := e.compound(thick, nil, opt.TemplateSigma); c.lnL > cands[i].lnL {
				cands[i] = c
			}
		}
		if cands[i].lnL > cands[best].lnL {
			best = i
		}
	}
	s.Evidence = make(map[string]float64, len(cands))
	for _, c := range cands {
		s.Evidence[c.t.Name] = cands[best].lnL - c.lnL
	}
	s.Compound, s.Target, s.Doubt = "", opt.Target.Name, ""
	s.Verdict = maps.CannotTell

	rival, gap := -1, math.Inf(1) // nearest to the best
	for i, c := range cands {
		if d := cands[best].lnL - c.lnL; i != best && d < gap {
			rival, gap = i, d
		}
	}
	if gap < opt.Margin {
		s.Doubt = cands[best].contradicted()
		s.Reason = fmt.Sprintf("%s and %s fit alike: log-likelihoods %.2f apart, %.2f are needed", cands[best].t.Name, cands[rival].t.Name, gap, opt.Margin)
		return
	}
	// Two compounds together, where one is not enough.
	name, second, lnL := j.pair(e, cands, best)
	if second >= 0 {
		switch {
		case best == 0:
			s.Evidence[name] = cands[best].lnL - lnL
			if r := j.without(e, cands, lnL); r != "" {
				s.Reason = r
				return
			}
		case second == 0:
			s.Evidence[name] = cands[best].lnL - lnL
			if r := j.without(e, cands, lnL); r != "" {
				s.Reason = r
				return
			}
		default:
			second = -1 // two others: the first names the spot
		}
	}
	spectra := [][]float64{cands[best].spectrum}
	if second >= 0 {
		spectra = append(spectra, cands[second].t.Spectrum)
	}
	if reason := j.stray(e, spectra); reason != "" {
		s.Reason, s.Doubt = reason, reason
		return
	}
	if second < 0 {
		if reason := cands[best].contradicted(); reason != "" {
			s.Reason, s.Doubt = reason, reason
			return
		}
	}
	switch {
	case second >= 0:
		s.Verdict, s.Compound = maps.TargetVerdict, opt.Target.Name
		other := cands[max(best, second)].t.Name
		s.Reason = fmt.Sprintf("%s together with %s: %s alone is %.1f worse", opt.Target.Name, other, other, lnL-cands[max(best, second)].lnL)
	case best == 0:
		s.Verdict, s.Compound = maps.TargetVerdict, opt.Target.Name
		if rival < 0 {
			s.Reason = fmt.Sprintf("own line and the other lines agree with %s; no other compound was offered", opt.Target.Name)
		} else {
			s.Reason = fmt.Sprintf("%s fits better than %s, the next, by %.1f in log-likelihood", opt.Target.Name, cands[rival].t.Name, gap)
		}
	default:
		s.Verdict, s.Compound = maps.OtherCompound, cands[best].t.Name
		s.Reason = fmt.Sprintf("%s fits better than %s by %.1f in log-likelihood", s.Compound, opt.Target.Name, cands[best].lnL-cands[0].lnL)
	}
}

// pair returns the best partner of the best candidate and the log-likelihood
// of the two together; second is −1 where one compound is enough.
func (j *judge) pair(e *evidence, cands []candidate, best int) (name string, second int, lnL float64) {
	second, lnL = -1, cands[best].lnL+j.opt.Margin
	for i, c := range cands {
		if i == best {
			continue
		}
		v := e.compound(cands[best].t, [][]float64{c.spectrum}, j.opt.TemplateSigma).lnL
		if v <= lnL {
			continue
		}
		// A small share only makes up for the templates' own uncertainty.
		both := e.fit([][]float64{cands[best].spectrum, c.spectrum}, false, false)
		if both.counts[1] >= strayShare*(both.counts[0]+both.counts[1]) {
			second, lnL = i, v
		}
	}
	if second >= 0 {
		a, b := min(best, second), max(best, second)
		name = cands[a].t.Name + " + " + cands[b].t.Name
	}
	return name, second, lnL
}

// without returns a reason to doubt the target when two other compounds
// together come within the margin of lnL.
func (j *judge) without(e *evidence, cands []candidate, lnL float64) string {
	for a := 1; a < len(cands); a++ {
		for b := a + 1; b < len(cands); b++ {
			v := e.compound(cands[a].t, [][]float64{cands[b].spectrum}, j.opt.TemplateSigma).lnL
			if v > lnL-j.opt.Margin {
				return fmt.Sprintf("%s with %s explains the counts as well as any mixture with %s", cands[a].t.Name, cands[b].t.Name, cands[0].t.Name)
			}
		}
	}
	return ""
}

// contradicted returns a reason to doubt a compound whose parts, each of free
// strength, fit much better than within their uncertainties.
func (c candidate) contradicted() string {
	if c.dof == 0 {
		return ""
	}
	drop := distuv.ChiSquared{K: float64(c.dof)}.Quantile(0.99) / 2
	if c.free-c.lnL <= drop {
		return ""
	}
	return fmt.Sprintf("the lines of %s do not stand to each other as predicted; log-likelihood %.1f short of free strengths, at most %.1f is allowed for", c.t.Name, c.free-c.lnL, drop)
}

// stray looks for a line that the spectra do not hold: the shape of the target's
// strongest line, moved over the channels, is scored against the fit (Rao 1948,
// Proc. Camb. Phil. Soc. 44, 50: U²/I of an added component), and where the score
// is highest the fit is repeated with it. The p-value of the gain is multiplied by
// twice the number of lines that fit side by side into the channels.
func (j *judge) stray(e *evidence, spectra [][]float64) string {
	fit := e.fit(spectra, false, true)
	if fit.model == nil {
		return ""
	}
	// Score and information of one channel under the spot: sum over rings of
	// w·(n/m − 1) and w²/m, w = T·K.
	num, den := make([]float64, e.nc), make([]float64, e.nc)
	for r := range numRings {
		w := e.weight[r][1]
		for c := range e.nc {
			if m := fit.model[r*e.nc+c]; m > 0 {
				num[c] -= w
				den[c] += w * w / m
			}
		}
	}
	for i, ch := range e.chans {
		r := int(ch) / e.nc
		if m := fit.model[ch]; m > 0 {
			num[int(ch)%e.nc] += e.weight[r][1] * e.counts[i] / m
		}
	}
	best, at := 0.0, -1
	half := len(j.shape) / 2
	for c := range e.nc {
		u, info := 0.0, 0.0
		for k, v := range j.shape {
			if d := c + k - half; d >= 0 && d < e.nc {
				u += v * num[d]
				info += v * v * den[d]
			}
		}
		if u > 0 && info > 0 && u*u/info > best {
			best, at = u*u/info, c
		}
	}
	if at < 0 {
		return ""
	}
	line := make([]float64, e.nc)
	for k, v := range j.shape {
		if d := at + k - half; d >= 0 && d < e.nc {
			line[d] = v
		}
	}
	with := e.fit(append([][]float64{line}, spectra...), false, false)
	explained := 0.0
	for _, n := range fit.counts {
		explained += n
	}
	if with.counts[0] < strayShare*explained {
		return "" // no more than the templates themselves may be off
	}
	// Neighbouring places are like each other but not the same: about two
	// independent ones per line width.
	windows := math.Max(1, 2*float64(e.nc)/float64(j.win))
	if poisson.HalfChi2P(2*math.Max(0, with.lnL-fit.lnL))*windows >= strayAlpha {
		return ""
	}
	return fmt.Sprintf("about %.0f counts around channel %d are not explained; an element is missing from the candidates", with.counts[0], j.first+at)
}
