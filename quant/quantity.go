// Package quant holds the nouns of quantification: mass and atom fractions, a
// Composition with its covariance, k-ratios, standards and the geometry of a
// measurement; and what is computed from these alone: composition from
// k-ratios by iteration, oxides, and the uncertainty budget.
//
// Loops in this room run over elements. Fractions are numbers from 0 to 1,
// never per cent; mass depths are in g/cm².
//
// The matrix correction itself is passed in as a Model; package matrix has
// models.
package quant

// MassFraction is the mass of one element per mass of the whole, 0 to 1. A
// measured one may fall a little outside, when its k-ratio does.
type MassFraction float64

// AtomFraction is the number of atoms of one element per number of all atoms,
// 0 to 1.
type AtomFraction float64

// MassDepth is density times depth or thickness, in g/cm².
type MassDepth float64

// Units of MassDepth.
const (
	GramPerCm2      MassDepth = 1
	MicrogramPerCm2 MassDepth = 1e-6
)

// UgPerCm2 returns d in µg/cm².
func (d MassDepth) UgPerCm2() float64 { return float64(d) * 1e6 }

// DepthOf returns the mass depth of a layer of density g/cm³ and thickness in
// metres.
func DepthOf(densityGCm3, thicknessM float64) MassDepth {
	return MassDepth(densityGCm3 * thicknessM * 100)
}
