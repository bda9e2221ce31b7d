package spots

import (
	"fmt"
	"math"

	"example.org/fleck/maps"
	"example.org/fleck/spectra/poisson"
)

// ratioDrop is the loss of log-likelihood against free strengths of the own
// line and the rest at which a template counts as contradicted: half the 99 %
// point of chi-square with one degree of freedom.
const ratioDrop = 6.634896601021214 / 2

// strayAlpha is the significance at which counts that no component explains
// forbid a name (choice of this package).
const strayAlpha = 0.001

// judge fills in what the spectrum of one spot says: line counts, evidence and
// verdict.
type judge struct {
	opt Options
	win int // channels of one line: window of the search for stray counts
}

func newJudge(opt Options) *judge {
	// Width of the own line: channels above half of its highest one.
	top := 0.0
	for _, v := range opt.Target.Line {
		top = math.Max(top, v)
	}
	n := 0
	for _, v := range opt.Target.Line {
		if v >= top/2 {
			n++
		}
	}
	return &judge{opt: opt, win: max(n, 1)}
}

// candidate is the evidence for one compound alone.
type candidate struct {
	t     Template
	lnL   float64
	ratio float64
}

// verdict fills s.Verdict, Compound, Evidence and Reason. listed says whether
// the own line of the target is significant without the confusers.
func (j *judge) verdict(s *maps.Spot, e *evidence) {
	opt := j.opt
	all := append([]Template{opt.Target}, opt.Confusers...)
	cands := make([]candidate, len(all))
	best := 0
	for i, t := range all {
		cands[i].t = t
		cands[i].lnL, cands[i].ratio = e.compound(t, nil, opt.TemplateSigma)
		if cands[i].lnL > cands[best].lnL {
			best = i
		}
	}
	s.Evidence = make(map[string]float64, len(cands))
	for _, c := range cands {
		s.Evidence[c.t.Name] = cands[best].lnL - c.lnL
	}
	s.Compound = ""
	s.Verdict = maps.CannotTell

	rival, gap := -1, math.Inf(1) // nearest to the best
	for i, c := range cands {
		if d := cands[best].lnL - c.lnL; i != best && d < gap {
			rival, gap = i, d
		}
	}
	if gap < opt.Margin {
		s.Reason = fmt.Sprintf("%s and %s fit alike: log-likelihoods %.1f apart, %.1f are needed", cands[best].t.Name, cands[rival].t.Name, gap, opt.Margin)
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
	spectra := [][]float64{cands[best].t.scaled1(cands[best].ratio)}
	if second >= 0 {
		spectra = append(spectra, cands[second].t.Spectrum)
	}
	if reason := j.stray(e, spectra); reason != "" {
		s.Reason = reason
		return
	}
	if second < 0 {
		if reason := j.ratio(e, cands[best]); reason != "" {
			s.Reason = reason
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

// scaled1 is scaled for templates that may lack a line family.
func (t Template) scaled1(ratio float64) []float64 {
	if t.Line == nil {
		return t.Spectrum
	}
	return t.scaled(ratio)
}

// pair returns the best partner of the best candidate and the log-likelihood
// of the two together; second is −1 where one compound is enough.
func (j *judge) pair(e *evidence, cands []candidate, best int) (name string, second int, lnL float64) {
	second, lnL = -1, cands[best].lnL+j.opt.Margin
	for i, c := range cands {
		if i == best {
			continue
		}
		v, _ := e.compound(cands[best].t, [][]float64{c.t.scaled1(c.ratio)}, j.opt.TemplateSigma)
		if v > lnL {
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
			v, _ := e.compound(cands[a].t, [][]float64{cands[b].t.Spectrum}, j.opt.TemplateSigma)
			if v > lnL-j.opt.Margin {
				return fmt.Sprintf("%s with %s explains the counts as well as any mixture with %s", cands[a].t.Name, cands[b].t.Name, cands[0].t.Name)
			}
		}
	}
	return ""
}

// ratio compares the template with free strengths of its own line and its
// rest.
func (j *judge) ratio(e *evidence, c candidate) string {
	if c.t.Line == nil {
		return ""
	}
	line, rest := c.t.split()
	free := e.fit([][]float64{line, rest}, false, false)
	if free.lnL-c.lnL <= ratioDrop {
		return ""
	}
	got := math.Inf(1)
	if free.f[0] > 0 {
		got = free.f[1] / free.f[0]
	}
	return fmt.Sprintf("the other lines of %s stand to its own line as %.2f to the expected 1; log-likelihood %.1f short", c.t.Name, got, free.lnL-c.lnL)
}

// stray looks for channels, a line wide, with more counts than the spectra
// explain in the middle of the spot.
func (j *judge) stray(e *evidence, spectra [][]float64) string {
	fit := e.fit(spectra, false, true)
	if fit.model == nil {
		return ""
	}
	n, mu := make([]float64, e.nc+1), make([]float64, e.nc+1)
	for i, ch := range e.chans {
		if int(ch) < 2*e.nc { // the two inner rings
			n[int(ch)%e.nc+1] += e.counts[i]
		}
	}
	for c := range e.nc {
		mu[c+1] = fit.model[c] + fit.model[e.nc+c]
	}
	for c := range e.nc {
		n[c+1] += n[c]
		mu[c+1] += mu[c]
	}
	least, at, over, expected := 1.0, 0, 0.0, 0.0
	step := max(1, j.win/2)
	windows := 0
	for a := 0; a+j.win <= e.nc; a += step {
		got, want := n[a+j.win]-n[a], mu[a+j.win]-mu[a]
		windows++
		if got <= want {
			continue
		}
		if p := poisson.TailP(int(got), want); p < least {
			least, at, over, expected = p, a, got, want
		}
	}
	if least*float64(windows) >= strayAlpha {
		return ""
	}
	return fmt.Sprintf("channels %d to %d hold %.0f counts where %.1f are explained; an element is missing from the candidates", at, at+j.win-1, over, expected)
}
