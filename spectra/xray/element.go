package xray

import "fmt"

// Element is a chemical element by its atomic number Z. The tables cover 1 (H) to 98 (Cf).
type Element int

// MaxElement is the heaviest element of the tables, Cf.
const MaxElement Element = 98

var symbols = [MaxElement + 1]string{"",
	"H", "He", "Li", "Be", "B", "C", "N", "O", "F", "Ne", "Na", "Mg", "Al", "Si", "P", "S", "Cl", "Ar", "K", "Ca",
	"Sc", "Ti", "V", "Cr", "Mn", "Fe", "Co", "Ni", "Cu", "Zn", "Ga", "Ge", "As", "Se", "Br", "Kr", "Rb", "Sr", "Y", "Zr",
	"Nb", "Mo", "Tc", "Ru", "Rh", "Pd", "Ag", "Cd", "In", "Sn", "Sb", "Te", "I", "Xe", "Cs", "Ba", "La", "Ce", "Pr", "Nd",
	"Pm", "Sm", "Eu", "Gd", "Tb", "Dy", "Ho", "Er", "Tm", "Yb", "Lu", "Hf", "Ta", "W", "Re", "Os", "Ir", "Pt", "Au", "Hg",
	"Tl", "Pb", "Bi", "Po", "At", "Rn", "Fr", "Ra", "Ac", "Th", "Pa", "U", "Np", "Pu", "Am", "Cm", "Bk", "Cf",
}

// ParseElement returns the element with the given symbol, for example "Si". Upper and lower case count.
func ParseElement(symbol string) (Element, error) {
	if z := elementOf(symbol); z != 0 {
		return z, nil
	}
	return 0, fmt.Errorf("xray: no element with symbol %q", symbol)
}

// elementOf returns 0 if no element has the symbol.
func elementOf(symbol string) Element {
	if symbol == "" {
		return 0
	}
	for z, s := range symbols {
		if s == symbol {
			return Element(z)
		}
	}
	return 0
}

// Valid reports whether z is in the tables, 1 to 98.
func (z Element) Valid() bool { return z >= 1 && z <= MaxElement }

// Symbol returns the chemical symbol, or "?" and the number for an element outside the tables.
func (z Element) Symbol() string {
	if !z.Valid() {
		return fmt.Sprintf("?%d", int(z))
	}
	return symbols[z]
}

// String returns the chemical symbol.
func (z Element) String() string { return z.Symbol() }

// AtomicWeight returns the standard atomic weight in g/mol (IUPAC 2021, abridged to five figures; the mass number of
// the longest-lived isotope where no standard weight exists), or 0 outside the tables.
func (z Element) AtomicWeight() float64 {
	if !z.Valid() {
		return 0
	}
	return tables().weight[z]
}

// Density returns the density of the pure element at room temperature in g/cm³, or 0 outside the tables.
// Gases are at 1 atm and 20 °C; C is graphite.
func (z Element) Density() float64 {
	if !z.Valid() {
		return 0
	}
	return tables().density[z]
}
