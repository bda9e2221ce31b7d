package template

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"example.org/fleck/quant"
	"example.org/fleck/spectra/xray"
)

// electronsPerNAs is 1e-9 A·s over the elementary charge (SI 2019).
const electronsPerNAs = 1e-9 / 1.602176634e-19

// Blank is what was counted of a substrate line in a field without particles, from
// which Effective works out the dose.
type Blank struct {
	Family string  // of the substrate, such as "Al K"
	Counts float64 // net counts of the family in the whole field
	Sigma  float64 // standard uncertainty of Counts; 0 = its square root
	Pixels int
}

// Dose is an effective dose: the electrons on a pixel times the part Ω/4π of all
// directions that the detector takes. It is what counts scale with, and it follows
// from a blank without knowing current, time or solid angle.
type Dose struct {
	PerPixel float64 // electrons per pixel times Ω/4π
	Sigma    float64 // standard uncertainty of PerPixel
	Family   string
	// Shares of the relative uncertainty: counting, number of trajectories, and the
	// predicted yield itself (cross section, fluorescence yield, detector).
	Counting, Simulation, Yield float64
}

// Effective returns the dose of a blank: its counts per pixel over the predicted counts
// per electron of the bare coated substrate, of which bare holds the families
// (Seen.Whole or Substrate) and simulated the relative error of the prediction from the
// number of trajectories (Seen.Err), 0 for a model without.
//
// The relative uncertainty of the yield is taken as 10 % for K lines above 1 keV, 20 %
// for softer K lines and 25 % for L and 35 % for M lines: the spread between
// published cross sections and yields (Llovet, Powell, Jablonski & Salvat 2014 give
// 11 % rms for K shells; the rest common practice, no source). A ratio to a line of
// the same family has less.
func Effective(b Blank, bare Spectrum, simulated float64) (Dose, error) {
	part, ok := bare.Families[b.Family]
	if !ok || !(sum(part) > 0) {
		return Dose{}, fmt.Errorf("template: the bare substrate sends no %q; it has %s", b.Family, familyNames(bare))
	}
	if b.Pixels < 1 || !(b.Counts > 0) || math.IsInf(b.Counts, 0) || !(b.Sigma >= 0) || !(simulated >= 0) {
		return Dose{}, fmt.Errorf("template: %g ± %g counts of %s in %d pixels; counts and pixels above 0 are accepted", b.Counts, b.Sigma, b.Family, b.Pixels)
	}
	p, err := quant.ParsePeak(b.Family)
	if err != nil {
		return Dose{}, fmt.Errorf("template: %w", err)
	}
	if b.Sigma == 0 {
		b.Sigma = math.Sqrt(b.Counts)
	}
	d := Dose{Family: b.Family, PerPixel: b.Counts / float64(b.Pixels) / sum(part), Counting: b.Sigma / b.Counts, Simulation: simulated, Yield: yieldSigma(p)}
	d.Sigma = d.PerPixel * math.Sqrt(d.Counting*d.Counting+d.Simulation*d.Simulation+d.Yield*d.Yield)
	return d, nil
}

// yieldSigma returns the relative uncertainty of the yield of a family.
func yieldSigma(p quant.Peak) float64 {
	switch p.Family {
	case xray.FamilyL:
		return 0.25
	case xray.FamilyM:
		return 0.35
	}
	if e, ok := p.Element.Edge(xray.K); ok && e < xray.KeV {
		return 0.20
	}
	return 0.10
}

func familyNames(s Spectrum) string {
	return strings.Join(slices.Sorted(maps.Keys(s.Families)), ", ")
}

// NAs returns the dose in nA·s per pixel for a solid angle in sr.
func (d Dose) NAs(solidAngleSr float64) float64 {
	return d.PerPixel * 4 * math.Pi / solidAngleSr / electronsPerNAs
}

// PerUm2 returns the electrons per µm² times Ω/4π, the scale of Sphere, for pixels of
// an area in µm².
func (d Dose) PerUm2(areaUm2 float64) float64 { return d.PerPixel / areaUm2 }

// String says the dose and what it rests on.
func (d Dose) String() string {
	return fmt.Sprintf("effective dose %.3g ± %.1f %% electrons per pixel times Ω/4π, from %s of the blank against its predicted yield (counting %.1f %%, yield %.0f %%)",
		d.PerPixel, 100*d.Sigma/d.PerPixel, d.Family, 100*d.Counting, 100*d.Yield)
}

// Assumptions says what mass and diameter of a sphere rest on beside the counts.
func Assumptions(m xray.Material) string {
	return fmt.Sprintf("mass and diameter assume compact spheres of %s of %.4g g/cm³ without pores, resting on the surface; pores or another shape change the diameter, the mass hardly", m.Name, m.Density)
}
