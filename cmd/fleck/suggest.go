package main

import (
	"fmt"
	"slices"
	"strings"

	"example.org/fleck/spectra/xray"
)

// distance returns the number of letters to change, add, drop or swap with the
// neighbour that turn a into b (optimal string alignment).
func distance(a, b string) int {
	x, y := []rune(a), []rune(b)
	row := make([][]int, len(x)+1)
	for i := range row {
		row[i] = make([]int, len(y)+1)
		row[i][0] = i
	}
	for j := range row[0] {
		row[0][j] = j
	}
	for i := 1; i <= len(x); i++ {
		for j := 1; j <= len(y); j++ {
			cost := 1
			if x[i-1] == y[j-1] {
				cost = 0
			}
			row[i][j] = min(row[i-1][j]+1, row[i][j-1]+1, row[i-1][j-1]+cost)
			if i > 1 && j > 1 && x[i-1] == y[j-2] && x[i-2] == y[j-1] {
				row[i][j] = min(row[i][j], row[i-2][j-2]+1)
			}
		}
	}
	return row[len(x)][len(y)]
}

// nearest returns the name most like what was written, "" if none is alike: at
// most a third of the letters, and at least one, may differ.
func nearest(written string, names []string) string {
	best, found := max(1, len([]rune(written))/3)+1, ""
	for _, n := range names {
		d := distance(strings.ToLower(written), strings.ToLower(n))
		if len(written) > 2 && strings.HasPrefix(strings.ToLower(n), strings.ToLower(written)) {
			d = min(d, 1)
		}
		if d < best {
			best, found = d, n
		}
	}
	return found
}

// didYouMean returns the end of a message, "" without a suggestion.
func didYouMean(suggestion string) string {
	if suggestion == "" {
		return ""
	}
	return fmt.Sprintf("; did you mean %s?", suggestion)
}

// elementNames are names that people write instead of symbols.
var elementNames = map[string]string{
	"aluminium": "Al", "aluminum": "Al", "antimony": "Sb", "argon": "Ar", "arsenic": "As", "barium": "Ba", "beryllium": "Be",
	"bismuth": "Bi", "boron": "B", "bromine": "Br", "cadmium": "Cd", "calcium": "Ca", "carbon": "C", "cerium": "Ce",
	"cesium": "Cs", "caesium": "Cs", "chlorine": "Cl", "chromium": "Cr", "cobalt": "Co", "copper": "Cu", "fluorine": "F",
	"gallium": "Ga", "germanium": "Ge", "gold": "Au", "hafnium": "Hf", "indium": "In", "iodine": "I", "iridium": "Ir",
	"iron": "Fe", "lanthanum": "La", "lead": "Pb", "lithium": "Li", "magnesium": "Mg", "manganese": "Mn", "mercury": "Hg",
	"molybdenum": "Mo", "neodymium": "Nd", "nickel": "Ni", "niobium": "Nb", "nitrogen": "N", "oxygen": "O", "palladium": "Pd",
	"phosphorus": "P", "platinum": "Pt", "potassium": "K", "rhenium": "Re", "rhodium": "Rh", "rubidium": "Rb", "ruthenium": "Ru",
	"scandium": "Sc", "selenium": "Se", "silicon": "Si", "silver": "Ag", "sodium": "Na", "strontium": "Sr", "sulfur": "S",
	"sulphur": "S", "tantalum": "Ta", "tellurium": "Te", "thorium": "Th", "tin": "Sn", "titanium": "Ti", "tungsten": "W",
	"uranium": "U", "vanadium": "V", "wolfram": "W", "yttrium": "Y", "zinc": "Zn", "zirconium": "Zr",
}

// suggestElement returns the symbol that s may stand for, "" if none comes to
// mind.
func suggestElement(s string) string {
	if symbol := elementNames[strings.ToLower(s)]; symbol != "" {
		return symbol
	}
	var symbols, names []string
	for z := xray.Element(1); z <= xray.MaxElement; z++ {
		symbols = append(symbols, z.Symbol())
		if strings.EqualFold(s, z.Symbol()) {
			return z.Symbol()
		}
	}
	if len(s) > 3 {
		for n := range elementNames {
			names = append(names, n)
		}
		slices.Sort(names) // so that the nearest of equals is always the same
		return elementNames[nearest(s, names)]
	}
	return nearest(s, symbols)
}
