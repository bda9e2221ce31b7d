package spectra

import "math"

// The peak shape needs the normal distribution function Φ and its integral
// xΦ(x)+φ(x) a few million times per fit. Both are interpolated by cubic
// Hermite polynomials, which use the known derivatives; with a step of 1/64 the
// error is below 1e-10 (h⁴/384 times the fourth derivative).
const (
	normalReach = 6.0
	normalStep  = 1.0 / 64
	normalCells = int(2 * normalReach / normalStep)
)

// cubic is a polynomial in the place within a cell, 0 to 1.
type cubic [4]float64

func (c *cubic) at(u float64) float64 { return c[0] + u*(c[1]+u*(c[2]+u*c[3])) }

// hermite returns the polynomial between values a, b with slopes da, db per cell.
func hermite(a, da, b, db float64) cubic {
	d := b - a
	return cubic{a, da, 3*d - 2*da - db, da + db - 2*d}
}

// normalCell holds the integral of Φ, Φ and φ in one cell.
type normalCell struct{ cum, cdf, pdf cubic }

var normalTable = func() *[normalCells]normalCell {
	t := new([normalCells]normalCell)
	at := func(i int) float64 { return -normalReach + float64(i)*normalStep }
	node := func(i int) (cum, cdf, pdf float64) {
		x := at(i)
		p := math.Exp(-x*x/2) / math.Sqrt(2*math.Pi)
		c := 0.5 * math.Erfc(-x/math.Sqrt2)
		return float64(x*c) + p, c, p
	}
	for i := range t {
		m0, c0, p0 := node(i)
		m1, c1, p1 := node(i + 1)
		t[i] = normalCell{
			cum: hermite(m0, c0*normalStep, m1, c1*normalStep),
			cdf: hermite(c0, p0*normalStep, c1, p1*normalStep),
			pdf: hermite(p0, -at(i)*p0*normalStep, p1, -at(i+1)*p1*normalStep),
		}
	}
	return t
}()

// normalCDF returns Φ(x).
func normalCDF(x float64) float64 {
	s := (x + normalReach) / normalStep
	if s <= 0 {
		return 0
	}
	i := int(s)
	if i >= normalCells {
		return 1
	}
	return normalTable[i].cdf.at(s - float64(i))
}

// normalCum returns ∫Φ from −∞ to x, which is xΦ(x)+φ(x).
func normalCum(x float64) float64 {
	s := (x + normalReach) / normalStep
	if s <= 0 {
		return 0
	}
	i := int(s)
	if i >= normalCells {
		return x
	}
	return normalTable[i].cum.at(s - float64(i))
}

// normal returns Φ(x) and φ(x).
func normal(x float64) (cdf, pdf float64) {
	s := (x + normalReach) / normalStep
	if s <= 0 {
		return 0, 0
	}
	i := int(s)
	if i >= normalCells {
		return 1, 0
	}
	u, c := s-float64(i), &normalTable[i]
	return c.cdf.at(u), c.pdf.at(u)
}
