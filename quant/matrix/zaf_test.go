package matrix

import "testing"

// TestComputedZAF compares the factors of the classical correction with the
// independent vectors, six digits, with their attenuation.
func TestComputedZAF(t *testing.T) {
	known := constants(t)
	for _, v := range vectors(t, "R", "f_chi", "Z_factor") {
		cs := parseComposition(t, known, v.composition)
		l := levelOf(t, known, v.line, v.edge)
		pure := []constituent{known[v.line[:len(v.line)-2]]}
		pure[0].c = 1
		name := v.quantity + " " + v.composition + " " + v.line
		switch {
		case v.quantity == "R" && v.model[0] == 'D':
			r := 0.0
			for _, c := range cs {
				r += c.c * zafBackscatter(c.z, v.beam/l.edge)
			}
			closeTo(t, name, r, v.value, 5e-6)
		case v.quantity == "f_chi" && v.model[:3] == "Phi":
			closeTo(t, name, zafAbsorption(cs, l.edge, v.beam, v.chi), v.value, 5e-6)
		case v.quantity == "Z_factor":
			closeTo(t, name, zafGenerated(cs, l.edge, v.beam)/zafGenerated(pure, l.edge, v.beam), v.value, 5e-6)
		}
	}
}
