package figure

import (
	"image/color"
	"math"
)

// lab is a colour of CIE 1976 L*a*b* under the white of sRGB (D65).
type lab struct{ L, A, B float64 }

// White point D65 of IEC 61966-2-1 (sRGB), Y = 1; value from memory, unverified.
// It is the sum of the rows of the matrix below.
const whiteX, whiteY, whiteZ = 0.9505, 1.0, 1.0890

// linear and encoded convert one sRGB component between its encoded and its
// linear form (IEC 61966-2-1; constants from memory, unverified).
func linear(c float64) float64 {
	if c <= 0.04045 {
		return c / 12.92
	}
	return math.Pow((c+0.055)/1.055, 2.4)
}

func encoded(c float64) float64 {
	if c <= 0.0031308 {
		return 12.92 * c
	}
	return 1.055*math.Pow(c, 1/2.4) - 0.055
}

// toLinear returns the linear sRGB components of c; components outside 0 to 1
// lie outside the gamut.
func (c lab) toLinear() (r, g, b float64) {
	// CIE 15, inverse of the L*a*b* definition (from memory, unverified).
	finv := func(t float64) float64 {
		const d = 6.0 / 29
		if t > d {
			return t * t * t
		}
		return 3 * d * d * (t - 4.0/29)
	}
	fy := (c.L + 16) / 116
	x := whiteX * finv(fy+c.A/500)
	y := whiteY * finv(fy)
	z := whiteZ * finv(fy-c.B/200)
	// XYZ to linear sRGB, IEC 61966-2-1 (from memory, unverified).
	r = 3.2406*x - 1.5372*y - 0.4986*z
	g = -0.9689*x + 1.8758*y + 0.0415*z
	b = 0.0557*x - 0.2040*y + 1.0570*z
	return r, g, b
}

// toRGBA returns the nearest 8-bit sRGB colour, cut to the gamut.
func (c lab) toRGBA() color.RGBA {
	r, g, b := c.toLinear()
	q := func(v float64) uint8 {
		return uint8(math.Round(255 * math.Min(1, math.Max(0, encoded(v)))))
	}
	return color.RGBA{q(r), q(g), q(b), 255}
}

// toLab returns the L*a*b* values of an opaque colour.
func toLab(c color.RGBA) lab {
	return labOfLinear(linear(float64(c.R)/255), linear(float64(c.G)/255), linear(float64(c.B)/255))
}

// labOfLinear returns the L*a*b* values of linear sRGB components.
func labOfLinear(r, g, b float64) lab {
	f := func(t float64) float64 {
		const d = 6.0 / 29
		if t > d*d*d {
			return math.Cbrt(t)
		}
		return t/(3*d*d) + 4.0/29
	}
	x := f((0.4124*r + 0.3576*g + 0.1805*b) / whiteX)
	y := f((0.2126*r + 0.7152*g + 0.0722*b) / whiteY)
	z := f((0.0193*r + 0.1192*g + 0.9505*b) / whiteZ)
	return lab{116*y - 16, 500 * (x - y), 200 * (y - z)}
}

// distance returns the colour difference ΔE*ab of CIE 1976.
func (c lab) distance(d lab) float64 {
	return math.Hypot(c.L-d.L, math.Hypot(c.A-d.A, c.B-d.B))
}
