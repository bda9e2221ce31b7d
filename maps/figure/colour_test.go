package figure

import (
	"image/color"
	"math"
	"testing"

	"pgregory.net/rapid"
)

// labTests: sRGB primaries in CIE L*a*b* (D65, 2°) as published widely, e.g. in
// B. Lindbloom's colour calculator; values from memory, unverified. Tolerance:
// the conversion matrix has four decimals, which moves L*a*b* by up to 0.1.
func TestLab(t *testing.T) {
	tests := []struct {
		name string
		c    color.RGBA
		want lab
	}{
		{"white", color.RGBA{255, 255, 255, 255}, lab{100, 0, 0}},
		{"black", color.RGBA{0, 0, 0, 255}, lab{0, 0, 0}},
		{"red", color.RGBA{255, 0, 0, 255}, lab{53.24, 80.09, 67.20}},
		{"green", color.RGBA{0, 255, 0, 255}, lab{87.73, -86.18, 83.18}},
		{"blue", color.RGBA{0, 0, 255, 255}, lab{32.30, 79.19, -107.86}},
	}
	for _, tt := range tests {
		if got := toLab(tt.c); got.distance(tt.want) > 0.15 {
			t.Errorf("toLab(%s) = %.2f, want %.2f", tt.name, got, tt.want)
		}
	}
}

func TestLabRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := color.RGBA{rapid.Byte().Draw(t, "r"), rapid.Byte().Draw(t, "g"), rapid.Byte().Draw(t, "b"), 255}
		if got := toLab(c).toRGBA(); got != c {
			t.Fatalf("round trip of %v gives %v", c, got)
		}
	})
}

func TestColourMapAt(t *testing.T) {
	for _, m := range []ColourMap{{}, Sequential(), Diverging(), Ink()} {
		if m.Name() == "" {
			t.Errorf("colour map without a name")
		}
		if got, want := m.At(-3), m.At(0); got != want {
			t.Errorf("%s: At(-3) = %v, want the low end %v", m.Name(), got, want)
		}
		if got, want := m.At(math.Inf(1)), m.At(1); got != want {
			t.Errorf("%s: At(+Inf) = %v, want the high end %v", m.Name(), got, want)
		}
		if got := m.At(math.NaN()); got != missingLight {
			t.Errorf("%s: At(NaN) = %v, want %v", m.Name(), got, missingLight)
		}
	}
}

// TestLightness: a map that reads in grey has lightness that moves one way only.
// Tolerance: 8-bit colours round lightness by up to 0.25.
func TestLightness(t *testing.T) {
	const n = 256
	at := func(m ColourMap, i int) float64 { return toLab(m.At(float64(i) / (n - 1))).L }
	for i := 1; i < n; i++ {
		if d := at(Sequential(), i) - at(Sequential(), i-1); d < -0.25 {
			t.Errorf("sequential: lightness falls by %.2f at step %d of %d", -d, i, n)
		}
		if d := at(Ink(), i) - at(Ink(), i-1); d > 0.25 {
			t.Errorf("ink: lightness rises by %.2f at step %d of %d", d, i, n)
		}
		d := at(Diverging(), i) - at(Diverging(), i-1)
		if i < n/2 && d < -0.25 || i > n/2 && d > 0.25 {
			t.Errorf("diverging: lightness changes by %.2f at step %d of %d", d, i, n)
		}
	}
	// Both arms of the diverging map: same lightness at the same distance.
	for i := range n / 2 {
		if d := math.Abs(at(Diverging(), i) - at(Diverging(), n-1-i)); d > 1.5 {
			t.Errorf("diverging: arms differ by %.2f in lightness at step %d", d, i)
		}
	}
	if low, high := at(Sequential(), 0), at(Sequential(), n-1); low > 16 || high < 92 {
		t.Errorf("sequential: lightness from %.1f to %.1f, want the range 16 to 92 at least", low, high)
	}
}

// TestUniform: 32 equal steps of the scale are equal colour differences. The
// tables follow the length of the curve; what remains is rounding to 8 bits
// (0.4 in each of two colours) and the bend of the curve.
func TestUniform(t *testing.T) {
	const n = 32
	for _, m := range []ColourMap{Sequential(), Diverging(), Ink()} {
		var steps [n]float64
		mean := 0.0
		for i := range n {
			steps[i] = toLab(m.At(float64(i) / n)).distance(toLab(m.At(float64(i+1) / n)))
			mean += steps[i] / n
		}
		for i, s := range steps {
			if math.Abs(s-mean) > 0.12*mean+0.8 {
				t.Errorf("%s: step %d is %.2f, mean is %.2f", m.Name(), i, s, mean)
			}
		}
	}
}

// deficiencies are the matrices of Machado, Oliveira and Fernandes (2009), A
// physiologically-based model for simulation of color vision deficiency, table 1,
// severity 1.0, applied to linear sRGB (values from memory, unverified; each row
// must keep grey, which is checked).
var deficiencies = []struct {
	name string
	m    [3][3]float64
}{
	{"protanopia", [3][3]float64{{0.152286, 1.052583, -0.204868}, {0.114503, 0.786281, 0.099216}, {-0.003882, -0.048116, 1.051998}}},
	{"deuteranopia", [3][3]float64{{0.367322, 0.860646, -0.227968}, {0.280085, 0.672501, 0.047413}, {-0.011820, 0.042940, 0.968881}}},
	{"tritanopia", [3][3]float64{{1.255528, -0.076749, -0.178779}, {-0.078411, 0.930809, 0.147602}, {0.004733, 0.691367, 0.303900}}},
}

// seen returns the L*a*b* values of c under a deficiency.
func seen(c color.RGBA, m [3][3]float64) lab {
	in := [3]float64{linear(float64(c.R) / 255), linear(float64(c.G) / 255), linear(float64(c.B) / 255)}
	var out [3]float64
	for i := range out {
		for j := range in {
			out[i] += m[i][j] * in[j]
		}
		out[i] = math.Min(1, math.Max(0, out[i]))
	}
	return labOfLinear(out[0], out[1], out[2])
}

func TestDeficiencyMatricesKeepGrey(t *testing.T) {
	for _, d := range deficiencies {
		for i, row := range d.m {
			if s := row[0] + row[1] + row[2]; math.Abs(s-1) > 2e-6 { // six decimals
				t.Errorf("%s: row %d sums to %.6f, want 1", d.name, i, s)
			}
		}
	}
}

// TestColourDeficiency: eight classes of the sequential map stay apart. A just
// noticeable difference is about 2.3 in ΔE*ab (Mahy, Van Eycken and Oosterlinck
// 1994, value from memory); neighbours keep at least three of them.
func TestColourDeficiency(t *testing.T) {
	const classes = 8
	limit := 3 * 2.3
	for _, d := range deficiencies {
		least := math.Inf(1)
		for i := 1; i < classes; i++ {
			a := seen(Sequential().At((float64(i)-0.5)/classes), d.m)
			b := seen(Sequential().At((float64(i)+0.5)/classes), d.m)
			least = math.Min(least, a.distance(b))
			if b.L <= a.L {
				t.Errorf("%s: lightness falls from class %d to %d", d.name, i, i+1)
			}
		}
		t.Logf("%s: least difference between neighbours of %d classes %.1f", d.name, classes, least)
		if least < limit {
			t.Errorf("%s: neighbours of %d classes differ by %.1f, want %.1f", d.name, classes, least, limit)
		}
		// The arms of the diverging map stay apart from each other.
		for _, u := range []float64{0.25, 0.5, 1} {
			low, high := seen(Diverging().At(0.5-u/2), d.m), seen(Diverging().At(0.5+u/2), d.m)
			if got := low.distance(high); got < limit {
				t.Errorf("%s: diverging arms at ±%g differ by %.1f, want %.1f", d.name, u, got, limit)
			}
		}
	}
}

// TestGrey: printed in grey, eight classes stay apart by at least five steps of
// lightness each (common practice, no source).
func TestGrey(t *testing.T) {
	const classes = 8
	least := math.Inf(1)
	for i := 1; i < classes; i++ {
		a := toLab(Sequential().At((float64(i) - 0.5) / classes)).L
		b := toLab(Sequential().At((float64(i) + 0.5) / classes)).L
		least = math.Min(least, b-a)
	}
	t.Logf("least difference of lightness between neighbours of %d classes %.1f", classes, least)
	if least < 5 {
		t.Errorf("neighbours of %d classes differ by %.1f in lightness, want 5", classes, least)
	}
}

// TestMissingApart: the greys of missing values are not in the colour maps.
// They are told apart by the hatch as well, so one of the two greys must differ
// clearly everywhere.
func TestMissingApart(t *testing.T) {
	for _, m := range []ColourMap{Sequential(), Diverging(), Ink()} {
		for i := range 101 {
			c := toLab(m.At(float64(i) / 100))
			d := math.Max(c.distance(toLab(missingLight)), c.distance(toLab(missingDark)))
			if d < 10 {
				t.Errorf("%s at %d %%: both greys of missing values within %.1f", m.Name(), i, d)
			}
		}
	}
}

// TestRingColours: verdicts differ in shape, dash and colour; the colours alone
// keep two just noticeable differences also under a deficiency.
func TestRingColours(t *testing.T) {
	limit := 2 * 2.3
	for _, d := range deficiencies {
		for i, a := range ringStyles {
			for _, b := range ringStyles[:i] {
				if got := seen(a.colour, d.m).distance(seen(b.colour, d.m)); got < limit {
					t.Errorf("%s: %q and %q differ by %.1f, want %.1f", d.name, a.name, b.name, got, limit)
				}
				if a.corners == b.corners && a.turn == b.turn && len(a.dash) == len(b.dash) {
					t.Errorf("%q and %q share shape and dash", a.name, b.name)
				}
			}
			// Lines of 1.1 pt on white: lightness at most 70.
			if l := toLab(a.colour).L; l > 70 {
				t.Errorf("%q has lightness %.0f, want at most 70 on a light map", a.name, l)
			}
		}
	}
}
