package quant

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"example.org/fleck/spectra/xray"
)

// Composition is the mass fractions of a specimen, with their covariance where
// it is known. The zero value is the empty composition. Make one with
// NewComposition, which keeps the elements in ascending order; methods rely on
// that order.
type Composition struct {
	Elements []xray.Element // ascending, no repeats
	Mass     []MassFraction // one for each element; as measured, not forced to sum to 1
	// Covariance of Mass, n×n, row by row; nil when it is not known.
	Covariance []float64
}

// NewComposition returns the composition of these elements and mass fractions,
// sorted. It refuses unequal lengths, unknown or repeated elements and
// fractions that are not finite.
func NewComposition(elements []xray.Element, mass []MassFraction) (Composition, error) {
	if len(elements) != len(mass) {
		return Composition{}, fmt.Errorf("quant: %d elements with %d mass fractions", len(elements), len(mass))
	}
	order := make([]int, len(elements))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(elements[a], elements[b]) })
	c := Composition{Elements: make([]xray.Element, len(order)), Mass: make([]MassFraction, len(order))}
	for to, from := range order {
		z, m := elements[from], mass[from]
		switch {
		case !z.Valid():
			return Composition{}, fmt.Errorf("quant: no element with atomic number %d; 1 to %d are known", int(z), int(xray.MaxElement))
		case to > 0 && c.Elements[to-1] == z:
			return Composition{}, fmt.Errorf("quant: element %s stands twice in a composition", z)
		case math.IsNaN(float64(m)) || math.IsInf(float64(m), 0):
			return Composition{}, fmt.Errorf("quant: mass fraction %g of %s; it must be a finite number", float64(m), z)
		}
		c.Elements[to], c.Mass[to] = z, m
	}
	return c, nil
}

// CompositionOf returns the mass fractions of a material.
func CompositionOf(m xray.Material) (Composition, error) {
	var elements []xray.Element
	var mass []MassFraction
	for _, c := range m.Components {
		elements = append(elements, c.Element)
		mass = append(mass, MassFraction(c.MassFraction))
	}
	if len(elements) == 0 {
		return Composition{}, fmt.Errorf("quant: material %q has no elements", m.Name)
	}
	return NewComposition(elements, mass)
}

// Material returns the composition as a material: fractions above 0, normalised
// to sum 1. It is an error if none is above 0.
func (c Composition) Material(name string) (xray.Material, error) {
	m := xray.Material{Name: name}
	sum := 0.0
	for i, z := range c.Elements {
		if f := float64(c.Mass[i]); f > 0 {
			m.Components = append(m.Components, xray.Component{Element: z, MassFraction: f})
			sum += f
		}
	}
	if !(sum > 0) {
		return xray.Material{}, fmt.Errorf("quant: composition of %d elements holds no mass fraction above 0", len(c.Elements))
	}
	for i := range m.Components {
		m.Components[i].MassFraction /= sum
	}
	return m, nil
}

// Index returns the place of z in Elements, −1 if it is absent.
func (c Composition) Index(z xray.Element) int {
	if i, ok := slices.BinarySearch(c.Elements, z); ok {
		return i
	}
	return -1
}

// Fraction returns the mass fraction of z, 0 if it is absent.
func (c Composition) Fraction(z xray.Element) MassFraction {
	if i := c.Index(z); i >= 0 {
		return c.Mass[i]
	}
	return 0
}

// Sigma returns the standard uncertainty of the mass fraction of z, NaN where
// it is not known.
func (c Composition) Sigma(z xray.Element) float64 {
	i, n := c.Index(z), len(c.Elements)
	if i < 0 || len(c.Covariance) != n*n {
		return math.NaN()
	}
	return math.Sqrt(max(c.Covariance[i*n+i], 0)) // rounding can leave a variance of 0 below it
}

// Total returns the sum of all mass fractions, the analytical total, and its
// standard uncertainty, NaN where it is not known.
func (c Composition) Total() (total, sigma float64) {
	for _, m := range c.Mass {
		total += float64(m)
	}
	if n := len(c.Mass); n == 0 || len(c.Covariance) != n*n {
		return total, math.NaN()
	}
	v := 0.0
	for _, x := range c.Covariance {
		v += x
	}
	return total, math.Sqrt(max(v, 0))
}

// Normalised returns the composition divided by its total, with the covariance
// that belongs to the quotients. It is an error if the total is not above 0.
func (c Composition) Normalised() (Composition, error) {
	total, _ := c.Total()
	if !(total > 0) {
		return Composition{}, fmt.Errorf("quant: composition with total %g cannot be normalised; the total must be above 0", total)
	}
	n := len(c.Mass)
	out := Composition{Elements: slices.Clone(c.Elements), Mass: make([]MassFraction, n)}
	for i, m := range c.Mass {
		out.Mass[i] = m / MassFraction(total)
	}
	out.Covariance = c.propagate(n, func(i, j int) float64 {
		d := -float64(out.Mass[i])
		if i == j {
			d++
		}
		return d / total
	})
	return out, nil
}

// AtomFractions returns the atom fractions in the order of Elements, and their
// standard uncertainties, nil where the covariance is not known. They sum to 1.
// It is an error if the number of atoms is not above 0.
func (c Composition) AtomFractions() (x []AtomFraction, sigma []float64, err error) {
	n := len(c.Mass)
	moles := 0.0
	for i, z := range c.Elements {
		moles += float64(c.Mass[i]) / z.AtomicWeight()
	}
	if !(moles > 0) {
		return nil, nil, fmt.Errorf("quant: composition with %g mol of atoms per gram has no atom fractions", moles)
	}
	x = make([]AtomFraction, n)
	for i, z := range c.Elements {
		x[i] = AtomFraction(float64(c.Mass[i]) / z.AtomicWeight() / moles)
	}
	cov := c.propagate(n, func(i, j int) float64 {
		d := -float64(x[i])
		if i == j {
			d++
		}
		return d / (c.Elements[j].AtomicWeight() * moles)
	})
	return x, diagonal(cov, n), nil
}

// propagate returns J·Covariance·Jᵀ with J of rows rows, nil if the covariance
// is not known.
func (c Composition) propagate(rows int, jacobian func(i, j int) float64) []float64 {
	n := len(c.Mass)
	if n == 0 || len(c.Covariance) != n*n {
		return nil
	}
	half := make([]float64, rows*n)
	for i := range rows {
		for j := range n {
			s := 0.0
			for l := range n {
				s += jacobian(i, l) * c.Covariance[l*n+j]
			}
			half[i*n+j] = s
		}
	}
	out := make([]float64, rows*rows)
	for i := range rows {
		for j := range i + 1 {
			s := 0.0
			for l := range n {
				s += half[i*n+l] * jacobian(j, l)
			}
			out[i*rows+j], out[j*rows+i] = s, s
		}
	}
	return out
}

// diagonal returns the square roots of the diagonal of an n×n matrix, nil for
// nil.
func diagonal(cov []float64, n int) []float64 {
	if cov == nil {
		return nil
	}
	out := make([]float64, n)
	for i := range out {
		out[i] = math.Sqrt(max(cov[i*n+i], 0))
	}
	return out
}
