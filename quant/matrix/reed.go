package matrix

import (
	"math"

	"example.org/fleck/spectra/xray"
)

// reedTerm is the closed form of Reed S J B (1965) Brit. J. Appl. Phys. 16, 913
// for one line i excited by one line j of a bulk specimen (5.1); coefficients
// from memory, unverified, within 1–6 % of the integral (5.2) for K by K.
//
// It is used for K lines excited by K lines and L by L. For lines of different
// families the paper multiplies by a constant for the ratio of L to K
// ionisations, of which two values and both directions are remembered; there,
// and where M lines take part, the integral is used instead.
type reedTerm struct {
	share     float64 // share of line j in its family
	c         float64 // mass fraction of element j
	tau       float64 // photoionisation of i by j, cm²/g: μ_i(j)(r_i−1)/r_i
	muExciter float64 // attenuation of line j in the specimen, cm²/g
	chi       float64 // exit path of line i, cm²/g
	yield     float64 // of the shell of j
	ai, aj    float64 // atomic weights
	edgeI     float64 // keV
	edgeJ     float64 // keV
	beam      float64 // keV
}

// gamma returns the ratio of fluoresced to direct intensity (5.1).
func (r reedTerm) gamma() float64 {
	x := r.chi / r.muExciter
	y := zafSigma(r.edgeJ, r.beam) / r.muExciter
	drive := math.Pow((r.beam/r.edgeJ-1)/(r.beam/r.edgeI-1), 1.67)
	return 0.5 * r.share * r.c * r.tau / r.muExciter * r.yield * r.ai / r.aj * drive *
		(math.Log1p(x)/x + math.Log1p(y)/y)
}

// closedForm reports whether Reed's formula stands for an exciter and a level.
func (a *assembly) closedForm(x *exciter, lv *sublevel) bool {
	from := a.levels[x.level].shell.Family()
	return a.opt.Fluorescence == CharacteristicReed && from == lv.shell.Family() && from != xray.FamilyM
}

// reed adds the closed form of the lines [first, last) to second; the
// stack is bulk.
func (s *stack) reed(first, last int) {
	b := &s.slabs[0]
	for e := range s.a.exciters {
		x := &s.a.exciters[e]
		c := b.c[x.atom]
		if c == 0 {
			continue
		}
		from := &s.a.levels[x.level]
		for k := first; k < last; k++ {
			level := s.a.lines[k].level
			lv := &s.a.levels[level]
			if x.tau[level] == 0 || !s.a.closedForm(x, lv) {
				continue
			}
			term := reedTerm{
				share: x.share, c: c, tau: x.tau[level],
				muExciter: mix(b.c, x.mu), chi: s.chi[0][k],
				yield: x.yield, ai: s.a.atoms[lv.atom].weight, aj: s.a.atoms[x.atom].weight,
				edgeI: lv.edge, edgeJ: from.edge, beam: s.a.beam,
			}
			s.second[0][k] += term.gamma() * s.direct[0][k]
		}
	}
}
