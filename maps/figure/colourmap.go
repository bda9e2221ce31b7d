package figure

import (
	"image/color"
	"math"
	"sync"
)

// ColourMap turns a position between 0 and 1 into a colour. The zero value is
// the sequential map.
type ColourMap struct {
	name  string
	table *[tableSize]color.RGBA
	below color.RGBA // zero or below on a logarithmic scale
}

const tableSize = 1024

// Name returns the name of the colour map for legends and descriptions.
func (c ColourMap) Name() string {
	if c.table == nil {
		return Sequential().name
	}
	return c.name
}

// At returns the colour at position t. Positions outside 0 to 1 are cut to that
// range; NaN gives the grey of missing values.
func (c ColourMap) At(t float64) color.RGBA {
	if c.table == nil {
		c = Sequential()
	}
	switch {
	case math.IsNaN(t):
		return missingLight
	case t <= 0:
		return c.table[0]
	case t >= 1:
		return c.table[tableSize-1]
	}
	return c.table[int(math.Round(t*(tableSize-1)))]
}

// Sequential returns the colour map of amounts: deep blue through teal and grey
// green to warm light. Lightness rises all the way from 14 to 93, so the map
// reads in grey, and equal steps of t are equal steps of colour difference in
// CIE 1976 L*a*b*. Its hues lie along the blue-yellow direction, which readers
// with red-green deficiency tell apart.
func Sequential() ColourMap { return sequential() }

// Diverging returns the colour map of signed differences: blue below, near
// white at the middle (t = 0.5), brown above. Both arms have the same
// lightness at the same distance from the middle; in grey the size of a
// difference can be read, its sign cannot.
func Diverging() ColourMap { return diverging() }

// Ink returns the colour map under overlays: near white for low values to dark
// grey for high ones, so that coloured rings and numbers stand out everywhere.
func Ink() ColourMap { return ink() }

// The control points were chosen for this package inside the sRGB gamut; the
// tests measure lightness, step width and what remains under simulated colour
// deficiency.
var (
	sequential = sync.OnceValue(func() ColourMap {
		return ColourMap{"deep blue to warm light", tablesOf(bezier([4]lab{
			{14, 20, -42}, {36, -2, -40}, {62, -38, 2}, {93, 1, 26},
		}))[0], black}
	})
	diverging = sync.OnceValue(func() ColourMap {
		// Equal L of the control points keeps the arms equally light.
		arms := tablesOf(
			bezier([4]lab{{96, 0, 0}, {82, -9, -16}, {58, -3, -44}, {32, 12, -44}}),
			bezier([4]lab{{96, 0, 0}, {82, 10, 22}, {58, 22, 56}, {32, 30, 42}}),
		)
		var t [tableSize]color.RGBA
		for i := range t {
			u := 2*float64(i)/(tableSize-1) - 1
			j := int(math.Round(math.Abs(u) * (tableSize - 1)))
			if t[i] = arms[1][j]; u < 0 {
				t[i] = arms[0][j]
			}
		}
		return ColourMap{"blue, near white at zero, brown", &t, black}
	})
	ink = sync.OnceValue(func() ColourMap {
		return ColourMap{"near white to grey", tablesOf(bezier([4]lab{
			{98, 0, 0}, {77, -1, -2}, {56, -1, -3}, {35, 0, -4},
		}))[0], white}
	})
)

// bezier returns the cubic curve through L*a*b* with the given control points.
func bezier(p [4]lab) func(u float64) lab {
	return func(u float64) lab {
		v := 1 - u
		a, b, c, d := v*v*v, 3*v*v*u, 3*v*u*u, u*u*u
		return lab{
			a*p[0].L + b*p[1].L + c*p[2].L + d*p[3].L,
			a*p[0].A + b*p[1].A + c*p[2].A + d*p[3].A,
			a*p[0].B + b*p[1].B + c*p[2].B + d*p[3].B,
		}
	}
}

// tablesOf samples curves through L*a*b* at common values of their parameter,
// so chosen that the mean length of all curves grows in equal steps.
func tablesOf(curves ...func(u float64) lab) []*[tableSize]color.RGBA {
	const n = 8 * tableSize
	var length [n + 1]float64
	for i := 1; i <= n; i++ {
		length[i] = length[i-1]
		for _, c := range curves {
			length[i] += c(float64(i) / n).distance(c(float64(i-1) / n))
		}
	}
	tables := make([]*[tableSize]color.RGBA, len(curves))
	for k := range tables {
		tables[k] = new([tableSize]color.RGBA)
	}
	j := 0
	for i := range tableSize {
		want := length[n] * float64(i) / (tableSize - 1)
		for j < n-1 && length[j+1] < want {
			j++
		}
		f := 0.0
		if step := length[j+1] - length[j]; step > 0 {
			f = (want - length[j]) / step
		}
		for k, c := range curves {
			tables[k][i] = c((float64(j) + f) / n).toRGBA()
		}
	}
	return tables
}

// Colours outside the colour maps.
var (
	missingLight = color.RGBA{206, 206, 206, 255} // hatch of missing values
	missingDark  = color.RGBA{128, 128, 128, 255}
	black        = color.RGBA{0, 0, 0, 255}
	white        = color.RGBA{255, 255, 255, 255}
	softBlack    = color.RGBA{40, 40, 40, 255}
	midGrey      = color.RGBA{110, 110, 110, 255}
	paleGrey     = color.RGBA{200, 200, 200, 255}
)

// Colours of categories: the set of Okabe and Ito (2008), Color Universal
// Design (values from memory, unverified), with the reddish purple darkened and
// the yellow left out so that thin lines and numbers stand out on white.
var (
	orange    = color.RGBA{0xE6, 0x9F, 0x00, 255}
	skyBlue   = color.RGBA{0x56, 0xB4, 0xE9, 255}
	green     = color.RGBA{0x00, 0x9E, 0x73, 255}
	blue      = color.RGBA{0x00, 0x72, 0xB2, 255}
	vermilion = color.RGBA{0xD5, 0x5E, 0x00, 255}
	purple    = color.RGBA{0x99, 0x44, 0x88, 255}
)

// missingAt returns the hatch colour of output pixel (x, y); cell is the hatch
// period in output pixels.
func missingAt(x, y, cell int) color.RGBA {
	if cell < 2 {
		cell = 2
	}
	if (x+y)%cell < (cell+2)/3 {
		return missingDark
	}
	return missingLight
}
