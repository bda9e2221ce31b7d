package xray

import "fmt"

// Shell is an electron level, K to Q1, named by IUPAC (Jenkins et al. 1991). The zero value is K.
type Shell uint8

// Levels. K: 1s½, L1: 2s½, L2: 2p½, L3: 2p³⁄₂, M1: 3s½ … M5: 3d⁵⁄₂, N6: 4f⁵⁄₂, N7: 4f⁷⁄₂, and so on.
const (
	K Shell = iota
	L1
	L2
	L3
	M1
	M2
	M3
	M4
	M5
	N1
	N2
	N3
	N4
	N5
	N6
	N7
	O1
	O2
	O3
	O4
	O5
	O6
	O7
	P1
	P2
	P3
	P4
	P5
	Q1
	numShells
)

// numInner counts the levels that carry edges and yields, K to M5.
const numInner = int(M5) + 1

var shellNames = [numShells]string{"K", "L1", "L2", "L3", "M1", "M2", "M3", "M4", "M5",
	"N1", "N2", "N3", "N4", "N5", "N6", "N7", "O1", "O2", "O3", "O4", "O5", "O6", "O7",
	"P1", "P2", "P3", "P4", "P5", "Q1"}

// String returns the IUPAC name, for example "L3".
func (s Shell) String() string {
	if s >= numShells {
		return fmt.Sprintf("Shell(%d)", uint8(s))
	}
	return shellNames[s]
}

// Family returns the line family that starts with a vacancy in s. It is FamilyK, FamilyL or FamilyM for K to M5; for
// an outer level it is a value whose Valid is false.
func (s Shell) Family() Family {
	switch {
	case s == K:
		return FamilyK
	case s <= L3:
		return FamilyL
	case s <= M5:
		return FamilyM
	}
	return noFamily
}

// shellOf returns the level with the given name.
func shellOf(name string) (Shell, bool) {
	for i, n := range shellNames {
		if n == name {
			return Shell(i), true
		}
	}
	return 0, false
}

// Family is the set of lines whose initial vacancy lies in one principal shell: K, L or M. The zero value is FamilyK.
type Family uint8

// Families.
const (
	FamilyK Family = iota
	FamilyL
	FamilyM
	noFamily
)

// Valid reports whether f is FamilyK, FamilyL or FamilyM.
func (f Family) Valid() bool { return f < noFamily }

// String returns "K", "L" or "M".
func (f Family) String() string {
	if !f.Valid() {
		return fmt.Sprintf("Family(%d)", uint8(f))
	}
	return "KLM"[f : f+1]
}

// Shells returns the sub-shells of the family from the deepest outwards: K; L1 to L3; M1 to M5.
func (f Family) Shells() []Shell {
	first, last := f.bounds()
	var out []Shell
	for s := first; s < last; s++ {
		out = append(out, s)
	}
	return out
}

// bounds returns the sub-shells of f as the half-open range first ≤ s < last.
func (f Family) bounds() (first, last Shell) {
	switch f {
	case FamilyK:
		return K, L1
	case FamilyL:
		return L1, M1
	case FamilyM:
		return M1, N1
	}
	return 0, 0
}
