package quant

import (
	"fmt"
	"slices"

	"example.org/fleck/spectra/xray"
)

// Table is a Model that approximates another one by polynomials of the
// composition, for maps with many pixels: C/k of each peak from binaries with
// every other element, at several fractions, and from ternaries with every pair,
// the factors that Bence A E, Albee A L (1968) J. Geol. 76:382 found nearly
// linear in the composition. It is exact for binaries at the nodes; Deviation
// measures the rest. It does not change once made and may be shared.
type Table struct {
	peaks    []Peak
	elements []xray.Element // ascending
	own      []int          // place of each peak's element
	pure     []float64      // C/k of the pure element of each peak
	binary   [][]float64    // [peak][element*nodes + node] α at tableNodes
	ternary  [][]float64    // [peak][(a*n+b)*levels + level] β at tableLevels
}

// tableNodes are fractions of the peak's element in the binaries, and tableLevels
// in the ternaries.
var (
	tableNodes  = [...]float64{0.01, 0.1, 0.25, 0.45, 0.7, 0.95}
	tableLevels = [...]float64{0.05, 0.5}
)

// NewTable evaluates model for binaries and ternaries of its elements and the
// others. At most 16 elements are accepted.
func NewTable(model Model, others []xray.Element) (*Table, error) {
	t := &Table{peaks: model.Peaks(), elements: slices.Clone(others)}
	if len(t.peaks) == 0 {
		return nil, fmt.Errorf("quant: model without peaks")
	}
	for _, p := range t.peaks {
		t.elements = append(t.elements, p.Element)
	}
	slices.Sort(t.elements)
	t.elements = slices.Compact(t.elements)
	n := len(t.elements)
	if n > 16 {
		return nil, fmt.Errorf("quant: table of %d elements; at most 16 are accepted", n)
	}
	c := Composition{Elements: t.elements, Mass: make([]MassFraction, n)}
	f := make([]float64, len(t.peaks))
	// inverse returns C/k of peak i at the fractions set.
	inverse := func(i int, set ...float64) (float64, error) {
		clear(c.Mass)
		for j := 0; j < len(set); j += 2 {
			c.Mass[int(set[j])] += MassFraction(set[j+1])
		}
		if err := model.Factors(f, c); err != nil {
			return 0, err
		}
		if !(f[i] > 0) {
			return 0, fmt.Errorf("quant: k/C of %s is %g in a mixture; a table needs it above 0", t.peaks[i], f[i])
		}
		return 1 / f[i], nil
	}
	for i, p := range t.peaks {
		own := slices.Index(t.elements, p.Element)
		t.own = append(t.own, own)
		pure, err := inverse(i, float64(own), 1)
		if err != nil {
			return nil, err
		}
		t.pure = append(t.pure, pure)
		binary := make([]float64, n*len(tableNodes))
		for j := range n {
			if j == own {
				continue
			}
			for k, x := range tableNodes {
				v, err := inverse(i, float64(own), x, float64(j), 1-x)
				if err != nil {
					return nil, err
				}
				binary[j*len(tableNodes)+k] = (v - x*pure) / (1 - x)
			}
		}
		t.binary = append(t.binary, binary)
		ternary := make([]float64, n*n*len(tableLevels))
		for a := range n {
			for b := a + 1; b < n; b++ {
				if a == own || b == own {
					continue
				}
				for k, x := range tableLevels {
					half := (1 - x) / 2
					v, err := inverse(i, float64(own), x, float64(a), half, float64(b), half)
					if err != nil {
						return nil, err
					}
					linear := x*pure + half*(t.alpha(binary, a, x)+t.alpha(binary, b, x))
					ternary[(a*n+b)*len(tableLevels)+k] = (v - linear) / (half * half)
				}
			}
		}
		t.ternary = append(t.ternary, ternary)
	}
	return t, nil
}

// alpha interpolates the factor of element j at the fraction x of the peak's
// element, constant beyond the nodes.
func (t *Table) alpha(binary []float64, j int, x float64) float64 {
	row := binary[j*len(tableNodes) : (j+1)*len(tableNodes)]
	k, s := place(tableNodes[:], x)
	return row[k] + s*(row[k+1]-row[k])
}

// place returns the interval of x among the nodes and its share there, 0 to 1.
func place(nodes []float64, x float64) (int, float64) {
	k := 0
	for k+2 < len(nodes) && x >= nodes[k+1] {
		k++
	}
	s := (x - nodes[k]) / (nodes[k+1] - nodes[k])
	return k, min(max(s, 0), 1)
}

// Peaks returns the peaks in their order.
func (t *Table) Peaks() []Peak { return slices.Clone(t.peaks) }

// Factors writes the approximate k/C of each peak to dst.
func (t *Table) Factors(dst []float64, c Composition) error {
	n := len(t.elements)
	var buf [16]float64
	x := buf[:n]
	sum := 0.0
	at := 0
	for i, z := range c.Elements {
		for at < n && t.elements[at] < z {
			at++
		}
		if at == n || t.elements[at] != z {
			return fmt.Errorf("quant: element %s of the composition is not in the table", z)
		}
		x[at] = max(float64(c.Mass[i]), 0)
		sum += x[at]
	}
	if !(sum > 0) {
		return fmt.Errorf("quant: mass fractions with sum %g; at least one must be above 0", sum)
	}
	for i := range x {
		x[i] /= sum
	}
	const nodes, levels = len(tableNodes), len(tableLevels)
	for i := range t.peaks {
		own := t.own[i]
		k, s := place(tableNodes[:], x[own])
		_, s2 := place(tableLevels[:], x[own])
		v := x[own] * t.pure[i]
		binary, ternary := t.binary[i], t.ternary[i]
		for a, xa := range x {
			if a == own || xa == 0 {
				continue
			}
			row := binary[a*nodes+k:]
			v += xa * (row[0] + s*(row[1]-row[0]))
			for b := a + 1; b < n; b++ {
				if xb := x[b]; b != own && xb != 0 {
					beta := ternary[(a*n+b)*levels:]
					v += xa * xb * (beta[0] + s2*(beta[1]-beta[0]))
				}
			}
		}
		dst[i] = 1 / v
	}
	return nil
}
