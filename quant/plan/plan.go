package plan

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"

	"example.org/fleck/spectra/xray"
)

// Recommendation is one way to measure, best first in Result.
type Recommendation struct {
	Substrate, Coating string
	Beam               xray.Energy
	Visible            int       // of the diameters
	Doses              []float64 // nA·s per pixel or point, in the order of the diameters; +Inf if none is enough
	// Smallest is the least diameter in metres that the available dose shows,
	// interpolated between those of the request; NaN where none or all are visible.
	Smallest float64
	Reasons  []string
}

// Result is the plan.
type Result struct {
	Request Request // as resolved
	// Separable is false if no substrate leaves an element of the target to find
	// it by; Reason says so.
	Separable       bool
	Reason          string
	Cases           []Case // by substrate, coating, beam energy, diameter
	Recommendations []Recommendation
	Coatings        []Advice // best first
	Substrates      []Advice
	Distinctions    []Distinction // per confuser and beam energy
	Residues        []string
	Cautions        []string
	Handling        []string
}

// Run makes the plan. It stops early with the error of ctx.
func Run(ctx context.Context, req Request) (*Result, error) {
	r, err := req.withDefaults()
	if err != nil {
		return nil, err
	}
	out := &Result{Request: r}
	total := len(r.Substrates) * len(r.Coatings) * len(r.Beams)
	for _, sub := range r.Substrates {
		for _, coat := range r.Coatings {
			for _, beam := range r.Beams {
				cases, err := r.cases(ctx, setting{sub, coat, beam})
				if err != nil {
					return nil, err
				}
				out.Cases = append(out.Cases, cases...)
				if r.Progress != nil {
					r.Progress(len(out.Cases)/len(r.Diameters), total)
				}
			}
		}
	}
	beam := r.adviceBeam()
	out.Coatings = r.adviseCoatings(beam)
	if out.Substrates, err = r.adviseSubstrates(beam); err != nil {
		return nil, err
	}
	for _, m := range r.Confusers {
		for _, e := range r.Beams {
			d, err := r.distinguish(m, e)
			if err != nil {
				return nil, err
			}
			out.Distinctions = append(out.Distinctions, d)
		}
	}
	out.Separable, out.Reason = r.separable()
	out.Recommendations = r.recommend(out)
	out.Residues = r.residueWarnings()
	out.Cautions = append(r.generalCautions(), r.substrateWarnings()...)
	out.Handling = r.handling()
	return out, nil
}

// adviceBeam returns the lowest beam energy that excites the target's own line
// well, U ≥ 2, or the highest.
func (r *Request) adviceBeam() xray.Energy {
	beams := slices.Sorted(slices.Values(r.Beams))
	for _, e := range beams {
		if f, ok := r.mainFamily(e); ok && specific(f.element) && f.overvoltage(e) >= 2 {
			return e
		}
	}
	return beams[len(beams)-1]
}

// separable says whether some substrate and coating leave an element to find the
// target by.
func (r *Request) separable() (bool, string) {
	reason := ""
	for _, sub := range r.Substrates {
		for _, coat := range r.Coatings {
			s := setting{sub, coat, slices.Max(r.Beams)}
			var why []string
			for _, c := range r.Target.Components {
				if c.Element < 4 {
					continue
				}
				h := hidden(c.Element, s)
				if h == "" {
					return true, ""
				}
				why = append(why, h)
			}
			if reason == "" {
				reason = fmt.Sprintf("X-ray spectra cannot separate %s from %s: every element of the target is there already", r.Target.Name, sub.Name)
				if !coat.None() && len(why) > 0 && sub.Name != r.Target.Name {
					reason += " or in the coating"
				}
				reason += "; only shape, or a marker element in the treatment, can. State \"cannot be determined\", not \"absent\""
			}
		}
	}
	return false, reason
}

// cases evaluates all diameters of a setting.
func (r *Request) cases(ctx context.Context, s setting) ([]Case, error) {
	sim, err := r.simulate(ctx, s)
	if err != nil {
		return nil, fmt.Errorf("plan: %w", err)
	}
	bare := sim.Bare
	target := families(r.Target, s.beam)
	var out []Case
	for _, d := range r.Diameters {
		c := Case{Beam: s.beam, Diameter: d, Substrate: s.substrate.String(), Coating: s.coating.String()}
		y, ok := sim.Particles[diameterKey(d)]
		if !ok {
			y = r.law(s, d, bare)
		}
		c.Method = y.Method
		sc := r.spectrum(s, y, bare)
		for _, f := range target {
			fc, overlaps, err := r.family(f, s, sc, func(low, high float64) (float64, error) { return r.background(s, sc.coverage, low, high) })
			if err != nil {
				return nil, fmt.Errorf("plan: %w", err)
			}
			c.Families = append(c.Families, fc)
			c.Overlaps = append(c.Overlaps, overlaps...)
			w := newWindow(f, s.beam, r.Detector)
			for _, m := range r.Confusers {
				for _, g := range families(m, s.beam) {
					if g.element == f.element {
						continue
					}
					if o, ok := r.confusion(w, m, g, s.beam, thinCounts(r, r.Target, f, s.beam, w)); ok {
						c.Overlaps = append(c.Overlaps, o)
					}
				}
			}
		}
		r.choose(&c, target)
		c.Cautions = r.caseCautions(s, &c)
		out = append(out, c)
	}
	return out, nil
}

// background returns the continuum between two energies in counts per nA·s: that of
// the substrate where its lines come through, that of the target for the rest.
func (r *Request) background(s setting, coverage, low, high float64) (float64, error) {
	if high > float64(s.beam) {
		high = float64(s.beam)
	}
	if low >= high {
		return 0, nil
	}
	sub, err := r.continuum(s, s.substrate, low, high)
	if err != nil {
		return 0, err
	}
	own := sub
	if coverage < 1 {
		if own, err = r.continuum(s, r.Target, low, high); err != nil {
			return 0, err
		}
	}
	return (coverage*sub + (1-coverage)*own) * electronsPerNAs * r.Detector.SolidAngleSr / (4 * math.Pi), nil
}

// caseCautions says what to beware of in one case.
func (r *Request) caseCautions(s setting, c *Case) []string {
	var out []string
	for _, f := range c.Families {
		if f.Family == c.Family && f.Overvoltage < 1.5 {
			out = append(out, fmt.Sprintf("the overvoltage of %s is %.2f: 1.5 or more is comfortable, and a charging specimen loses the line", f.Family, f.Overvoltage))
		}
	}
	if r.Target.Fraction(14) > 0 && r.Target.Fraction(8) > 0 && s.beam > 7*xray.KeV {
		out = append(out, "above about 7 keV a thin silicone film can show the O/Si ratio of bulk silica: judge the compound at 5 keV or at two beam energies")
	}
	if c.Family != "" && c.Signal > 0 {
		for _, o := range c.Overlaps {
			if o.Family == c.Family && o.PerSignal > 0.1 && o.Kind != FromConfuser {
				out = append(out, fmt.Sprintf("%s lies on %s (%s): compare with a blank at the same count rate", o.With, c.Family, o.Kind))
			}
		}
	}
	if !s.coating.None() {
		if v, why := masks(r.Target, s.coating.Layer, s.beam, r.Detector); v != Suitable {
			out = append(out, fmt.Sprintf("the coating %s is %s: %s", s.coating.Layer.Name, v, why[0]))
		}
	}
	return out
}

// generalCautions says what holds for all cases.
func (r *Request) generalCautions() []string {
	out := []string{"a particle is not bulk: bulk corrections name and size it wrongly"}
	smallest, largest := slices.Min(r.Diameters), slices.Max(r.Diameters)
	switch {
	case r.PixelM > 3*smallest:
		out = append(out, fmt.Sprintf("a pixel of %.0f nm dilutes a particle of %.0f nm: the dose grows with the second to fourth power of the pixel; map with pixels of about the diameter, or find candidates in the electron image and take point spectra", r.PixelM*1e9, smallest*1e9))
	case r.PixelM == 0 && r.PitchM > largest:
		out = append(out, fmt.Sprintf("a beam that stands still every %.0f nm misses most particles of %.0f nm: raster the beam within the pixel, or narrow the pitch", r.PitchM*1e9, largest*1e9))
	case r.PixelM == 0:
		out = append(out, "the doses are for a beam that stands on the middle of the particle")
	}
	return out
}

// recommend ranks the ways to measure.
func (r *Request) recommend(out *Result) []Recommendation {
	n := len(r.Diameters)
	var list []Recommendation
	for i := 0; i < len(out.Cases); i += n {
		cs := out.Cases[i : i+n]
		rec := Recommendation{Substrate: cs[0].Substrate, Coating: cs[0].Coating, Beam: cs[0].Beam}
		for _, c := range cs {
			rec.Doses = append(rec.Doses, c.Dose)
			if c.Visible {
				rec.Visible++
			}
		}
		rec.Smallest = r.smallest(cs)
		rec.Reasons = r.reasons(cs)
		list = append(list, rec)
	}
	slices.SortStableFunc(list, func(a, b Recommendation) int {
		if c := cmp.Compare(b.Visible, a.Visible); c != 0 {
			return c
		}
		// The smallest particle decides, since it needs the most; then the next.
		for _, k := range r.ascending() {
			if c := cmp.Compare(a.Doses[k], b.Doses[k]); c != 0 {
				return c
			}
		}
		return 0
	})
	return list
}

// ascending returns the places of the diameters from the smallest.
func (r *Request) ascending() []int {
	out := make([]int, len(r.Diameters))
	for i := range out {
		out[i] = i
	}
	slices.SortStableFunc(out, func(a, b int) int { return cmp.Compare(r.Diameters[a], r.Diameters[b]) })
	return out
}

// smallest interpolates the logarithm of the dose over that of the diameter.
func (r *Request) smallest(cs []Case) float64 {
	sorted := slices.Clone(cs)
	slices.SortFunc(sorted, func(a, b Case) int { return cmp.Compare(a.Diameter, b.Diameter) })
	for i := range sorted[1:] {
		a, b := sorted[i], sorted[i+1]
		if !a.Visible && b.Visible && !math.IsInf(a.Dose, 1) && a.Dose > b.Dose {
			f := math.Log(a.Dose/r.DoseNAs) / math.Log(a.Dose/b.Dose)
			return a.Diameter * math.Pow(b.Diameter/a.Diameter, f)
		}
	}
	return math.NaN()
}

// reasons says why a way to measure stands where it does, by the smallest particle
// that it shows.
func (r *Request) reasons(cs []Case) []string {
	order := r.ascending()
	c := cs[order[0]]
	for _, k := range order {
		if cs[k].Visible {
			c = cs[k]
			break
		}
	}
	if c.Family == "" {
		return []string{c.Reason}
	}
	var out []string
	for _, f := range c.Families {
		if f.Family == c.Family {
			out = append(out, fmt.Sprintf("%s of %.0f nm: %.3g counts per nA·s over %.3g of background, overvoltage %.1f", f.Family, c.Diameter*1e9, c.Signal, c.Background, f.Overvoltage))
		}
	}
	if !math.IsInf(c.Dose, 1) {
		out = append(out, fmt.Sprintf("%.3g nA·s, %.3g s at %g nA", c.Dose, c.TimeS, r.CurrentNA))
	}
	if first := cs[order[0]]; !first.Visible {
		out = append(out, fmt.Sprintf("%.0f nm: %s", first.Diameter*1e9, first.Reason))
	}
	return out
}
