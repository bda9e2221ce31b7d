package quant

import (
	"fmt"
	"math"

	"example.org/fleck/spectra/xray"
)

// Oxygen is the element that stoichiometry adds by default.
const Oxygen xray.Element = 8

// Valence returns the number of positive charges that an element carries in the
// oxide in which analyses are commonly stated (SiO2 4, Al2O3 3, FeO 2, …), 0
// where there is none. Fe is counted as FeO, Mn as MnO, Ce as CeO2. Common
// practice, no source.
func Valence(z xray.Element) int {
	if z > 0 && int(z) < len(valences) {
		return int(valences[z])
	}
	return 0
}

var valences = [...]uint8{
	1: 1, 3: 1, 4: 2, 5: 3, 6: 4, 7: 5, 11: 1, 12: 2, 13: 3, 14: 4, 15: 5, 16: 6, 19: 1, 20: 2,
	21: 3, 22: 4, 23: 5, 24: 3, 25: 2, 26: 2, 27: 2, 28: 2, 29: 2, 30: 2, 31: 3, 32: 4, 33: 3, 34: 4,
	37: 1, 38: 2, 39: 3, 40: 4, 41: 5, 42: 6, 47: 1, 48: 2, 49: 3, 50: 4, 51: 3, 52: 4, 55: 1, 56: 2,
	57: 3, 58: 4, 59: 3, 60: 3, 62: 3, 63: 3, 64: 3, 65: 3, 66: 3, 67: 3, 68: 3, 69: 3, 70: 3, 71: 3,
	72: 4, 73: 5, 74: 6, 80: 2, 81: 1, 82: 2, 83: 3, 90: 4, 92: 4,
}

// bound returns the mass of anion per mass of cation z when it carries valence
// charges and the anion anionValence.
func bound(z, anion xray.Element, valence, anionValence int) float64 {
	return float64(valence) / float64(anionValence) * anion.AtomicWeight() / z.AtomicWeight()
}

// Oxide is one oxide of an analysis.
type Oxide struct {
	Cation  xray.Element
	Formula string // for example "Al2O3"
	Mass    MassFraction
	Sigma   float64 // standard uncertainty, NaN where it is not known
}

// OxideFractions states the composition as oxides: every element but oxygen
// with the oxygen its valence binds. excess is the oxygen left over, negative
// when there is less than the oxides need; it is the measured oxygen minus the
// bound one and only means something when oxygen was measured. Elements not in
// valences get Valence; an element without one is an error.
func (c Composition) OxideFractions(valences map[xray.Element]int) (oxides []Oxide, excess MassFraction, err error) {
	excess = c.Fraction(Oxygen)
	for i, z := range c.Elements {
		if z == Oxygen {
			continue
		}
		v, ok := valences[z]
		if !ok {
			v = Valence(z)
		}
		if v <= 0 {
			return nil, 0, fmt.Errorf("quant: no valence for the oxide of %s; state one above 0", z)
		}
		b := bound(z, Oxygen, v, 2)
		oxides = append(oxides, Oxide{z, oxideFormula(z, v), c.Mass[i] * MassFraction(1+b), math.Abs(1+b) * c.Sigma(z)})
		excess -= c.Mass[i] * MassFraction(b)
	}
	return oxides, excess, nil
}

func oxideFormula(z xray.Element, valence int) string {
	cations, oxygens := 2, valence
	if valence%2 == 0 {
		cations, oxygens = 1, valence/2
	}
	s := z.Symbol()
	if cations > 1 {
		s += fmt.Sprint(cations)
	}
	s += "O"
	if oxygens > 1 {
		s += fmt.Sprint(oxygens)
	}
	return s
}
