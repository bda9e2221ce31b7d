package xray

// inner returns the row of shells.csv, or the zero row.
func (z Element) inner(s Shell) shellRow {
	if !z.Valid() || int(s) >= numInner {
		return shellRow{}
	}
	return tables().shells[z][s]
}

// Edge returns the absorption edge energy of a level K to M5, and false where the tables have none. Edges are electron
// binding energies; they give the critical excitation energy. Whether a photon lies above a step of the attenuation
// table is decided by EdgeSteps, which can differ by some eV.
func (z Element) Edge(s Shell) (Energy, bool) {
	e := z.inner(s).edge
	return e, e > 0
}

// Jump returns the ratio of photoelectric absorption above to that below the edge of s, > 1, or 0 if unknown.
func (z Element) Jump(s Shell) float64 { return z.inner(s).jump }

// Yield returns the fluorescence yield: the probability that a vacancy of s is filled with emission of a photon, 0 to 1;
// 0 if unknown.
func (z Element) Yield(s Shell) float64 { return z.inner(s).yield }

// Width returns the natural width of the level s in eV, or 0 if unknown.
func (z Element) Width(s Shell) Energy { return z.inner(s).width }

// Electrons returns the number of electrons of the free neutral atom in the level s, K to M5.
func (z Element) Electrons(s Shell) int { return z.inner(s).electrons }

// CosterKronig returns the probability that a vacancy of from moves to the sub-shell to of the same shell, 0 to 1.
// The factor from L1 to L3 includes the radiative part.
func (z Element) CosterKronig(from, to Shell) float64 {
	if !z.Valid() || int(from) >= numInner || int(to) >= numInner {
		return 0
	}
	return tables().ck[z][from][to]
}
