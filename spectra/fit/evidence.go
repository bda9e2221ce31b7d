package fit

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"example.org/fleck/spectra/poisson"
	"example.org/fleck/spectra/xray"
)

// significance returns a family's net counts over its uncertainty, with the
// model error of what lies under its main peak added.
func (id *identifier) significance(r *Result, i int) float64 {
	f := r.Families[i]
	if f.AtZero || !(f.Sigma > 0) {
		return 0
	}
	own := r.FamilyModel(i)
	under, area := 0.0, 0.0
	peak := slices.Max(own)
	for c, m := range own {
		if m > 0.3*peak {
			under += r.Model[c] - m
			area += m
		}
	}
	if area <= 0 {
		return 0
	}
	systematic := id.opt.ModelError * under * f.NetCounts / area
	return f.NetCounts / math.Hypot(f.Sigma, systematic)
}

// significant returns the chosen elements that pass the false-discovery rule
// and whose families fit together.
func (id *identifier) significant(r *Result) []candidate {
	z := id.elementZ(r)
	p := make([]float64, len(id.candidates))
	for i := range p {
		p[i] = 1
	}
	index := map[xray.Element]int{}
	for i, c := range id.candidates {
		index[c.element] = i
	}
	for k, c := range id.chosen {
		p[index[c.element]] = tail(z[k])
	}
	q := poisson.BenjaminiHochberg(p)
	var keep []candidate
	for _, c := range id.chosen {
		if q[index[c.element]] <= id.opt.Q && consistent(r, c.element) {
			keep = append(keep, c)
		}
	}
	return keep
}

// elementZ returns the greatest family significance of each chosen element.
func (id *identifier) elementZ(r *Result) []float64 {
	out := make([]float64, len(id.chosen))
	i := 0
	for k, c := range id.chosen {
		for range c.families {
			out[k] = math.Max(out[k], id.significance(r, i))
			i++
		}
	}
	return out
}

func tail(z float64) float64 { return distuv.UnitNormal.Survival(z) }

// groupsSeen counts the line groups of family i that stand out on their own.
func (id *identifier) groupsSeen(r *Result, i int) int {
	d := r.design
	cal := r.Calibration
	cal.OffsetEV = float64(cal.Energy(float64(d.lo)))
	n := 0
	for k, g := range d.families[i].groups {
		area := d.families[i].groups[k].weight * r.state.family[i] * math.Exp(r.state.dev[d.groupsOf[i][k]])
		if area <= 0 {
			continue
		}
		t := make([]float64, len(r.Model))
		g.add(t, cal, r.Detector, 1)
		info := 0.0
		for c, v := range t {
			info += v * v / r.Model[c]
		}
		if area*info/math.Sqrt(info+id.opt.ModelError*id.opt.ModelError) > 3 {
			n++
		}
	}
	return n
}

// consistent reports whether the families of element z have counts that fit
// together: where a softer family is seen, a harder one that the beam excites
// well must not be missing. Expected are the counts of a thin specimen;
// a bulk one has more of the harder family by absorption of the softer, and
// less near the threshold by slowing down. Less than missingShare of the
// expectation, with its uncertainty, is missing.
func consistent(r *Result, z xray.Element) bool {
	type seen struct {
		FamilyResult
		expected float64
	}
	var fams []seen
	for _, f := range r.Families {
		if f.Element != z {
			continue
		}
		main, ok := MainLine(z, f.Family.Family, r.beam)
		edge, okEdge := z.Edge(main.Initial)
		if !ok || !okEdge || r.beam > 0 && float64(r.beam) < 1.25*float64(edge) {
			continue
		}
		fams = append(fams, seen{f, xray.ProductionCrossSection(z, f.Family.Family, r.beam) * r.Options.Detector.Efficiency(main.Energy)})
	}
	for i, soft := range fams {
		for _, hard := range fams[:i] { // K before L before M
			if soft.expected <= 0 || !(soft.Significance() > 4) {
				continue
			}
			want := missingShare * soft.NetCounts * hard.expected / soft.expected
			if want > 20 && hard.NetCounts+3*hard.Sigma < want {
				return false
			}
		}
	}
	return true
}

// missingShare is the share of the expected counts below which a family counts
// as missing: a wide margin for absorption, thresholds and atomic data (common
// practice, no source).
const missingShare = 0.04
