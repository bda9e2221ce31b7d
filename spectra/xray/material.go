package xray

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// Component is one element of a material.
type Component struct {
	Element      Element
	MassFraction float64 // 0 to 1
}

// Material is a homogeneous mixture of elements, with a density and a layer thickness where they are known.
// ParseMaterial makes one from its notation.
type Material struct {
	Name           string      // composition as written, in canonical spelling, for example "CuSO4·5H2O"
	Components     []Component // ascending by Element, mass fractions sum to 1
	Density        float64     // g/cm³, 0 = unknown
	DensityDefault bool        // Density is the default of the pure element, not stated by the user
	ThicknessM     float64     // m, 0 = not a layer or thickness unknown
	MassDepth      float64     // g/cm², 0 = unknown

	byMassDepth bool // the layer was stated by its mass depth, and is printed so
}

// Pure returns the material that consists of one element at its default density.
// For an element outside the tables it returns the zero Material.
func Pure(z Element) Material {
	if !z.Valid() {
		return Material{}
	}
	return Material{Name: z.Symbol(), Components: []Component{{z, 1}}, Density: z.Density(), DensityDefault: z.Density() > 0}
}

// RequireDensity returns an error that says how to state the density if it is unknown, else nil.
func (m Material) RequireDensity() error {
	if m.Density > 0 {
		return nil
	}
	if len(m.Components) == 0 {
		return fmt.Errorf("xray: empty material has no density")
	}
	return fmt.Errorf("xray: material %q needs a density; write it as %s:2.0g/cm3 with the value that holds for it", m.String(), m.Name)
}

// Fraction returns the mass fraction of z, 0 if z is not in the material.
func (m Material) Fraction(z Element) float64 {
	for _, c := range m.Components {
		if c.Element == z {
			return c.MassFraction
		}
	}
	return 0
}

// AtomFractions returns the atom fractions in the order of Components; they sum to 1.
func (m Material) AtomFractions() []float64 {
	out := make([]float64, len(m.Components))
	sum := 0.0
	for i, c := range m.Components {
		out[i] = c.MassFraction / c.Element.AtomicWeight()
		sum += out[i]
	}
	for i := range out {
		out[i] /= sum
	}
	return out
}

// MeanZ returns the mean atomic number weighted by mass fraction, NaN for an empty material.
func (m Material) MeanZ() float64 {
	if len(m.Components) == 0 {
		return math.NaN()
	}
	sum := 0.0
	for _, c := range m.Components {
		sum += c.MassFraction * float64(c.Element)
	}
	return sum
}

// Attenuation returns the total mass attenuation coefficient in cm²/g, the mean over the elements weighted by mass
// fraction; NaN for an empty material. See Element.Attenuation for range and uncertainty.
func (m Material) Attenuation(e Energy) MassAttenuation { return m.mean(e, Element.Attenuation) }

// Photo returns the photoelectric mass attenuation coefficient in cm²/g, weighted by mass fraction.
func (m Material) Photo(e Energy) MassAttenuation { return m.mean(e, Element.Photo) }

func (m Material) mean(e Energy, of func(Element, Energy) MassAttenuation) MassAttenuation {
	if len(m.Components) == 0 {
		return MassAttenuation(math.NaN())
	}
	var sum MassAttenuation
	for _, c := range m.Components {
		sum += MassAttenuation(c.MassFraction) * of(c.Element, e)
	}
	return sum
}

// String returns the material in the notation of ParseMaterial, which reads it back to the same values within
// a relative 1e-11. A default density is not written.
func (m Material) String() string {
	var b strings.Builder
	b.WriteString(m.Name)
	if m.Density > 0 && !m.DensityDefault {
		b.WriteString(":" + number(m.Density) + "g/cm3")
	}
	switch {
	case m.ThicknessM > 0 && !m.byMassDepth:
		if nm := m.ThicknessM * 1e9; nm >= 1000 {
			b.WriteString(":" + number(m.ThicknessM*1e6) + "um")
		} else {
			b.WriteString(":" + number(nm) + "nm")
		}
	case m.MassDepth > 0:
		b.WriteString(":" + number(m.MassDepth*1e6) + "ug/cm2")
	}
	return b.String()
}

// number prints v with at most 12 significant digits, without an exponent.
func number(v float64) string {
	r, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 12, 64), 64)
	if err != nil {
		r = v
	}
	return strconv.FormatFloat(r, 'f', -1, 64)
}

// fractions turns masses per element into sorted components that sum to 1.
func fractions(mass map[Element]float64) []Component {
	out := make([]Component, 0, len(mass))
	for z, v := range mass {
		out = append(out, Component{z, v})
	}
	slices.SortFunc(out, func(a, b Component) int { return int(a.Element - b.Element) })
	sum := 0.0
	for _, c := range out {
		sum += c.MassFraction
	}
	for i := range out {
		out[i].MassFraction /= sum
	}
	return out
}
