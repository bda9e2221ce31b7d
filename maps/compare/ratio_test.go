package compare

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"example.org/fleck/maps"
	"gonum.org/v1/gonum/stat/distuv"
)

func covered(values ...float64) []unit {
	var out []unit
	for _, v := range values {
		out = append(out, unit{area: 1, covered: v})
	}
	return out
}

func area(u unit) float64 { return u.covered }

// Logarithms 0, 1, 2 against −1, 0, 1: the difference is 1 ± t(4)·sqrt(1·2/3), and the
// ratio of means e; whichever is wider, the interval is even about e on the logarithm.
// t(4) at 0.975 is 2.77644510519779 (Student's table).
func TestLogRatio(t *testing.T) {
	x, y := covered(1, math.E, math.E*math.E), covered(1/math.E, 1, math.E)
	low, high := logRatio([2][]unit{x, y}, area, .95)
	if math.Abs(math.Log(low)+math.Log(high)-2) > 1e-9 {
		t.Errorf("%g to %g: not even about e", low, high)
	}
	if want := 2.77644510519779 * math.Sqrt(2./3); math.Log(high) < 1+want-1e-9 {
		t.Errorf("upper end exp(%g), at least exp(%g) expected", math.Log(high), 1+want)
	}
	// Turned round, and on another scale.
	l, h := logRatio([2][]unit{y, x}, area, .95)
	if math.Abs(l*high-1) > 1e-9 || math.Abs(h*low-1) > 1e-9 {
		t.Errorf("%g to %g turned round is %g to %g", low, high, l, h)
	}
	for i := range x {
		x[i].covered *= 1e-6
		y[i].covered *= 1e-6
	}
	if l, h = logRatio([2][]unit{x, y}, area, .95); math.Abs(l/low-1) > 1e-9 || math.Abs(h/high-1) > 1e-9 {
		t.Errorf("%g to %g in other units is %g to %g", low, high, l, h)
	}
}

// Two ends for whatever values are not below zero, holding the ratio of means.
func TestLogRatioHasEnds(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 2))
	for i := range 500 {
		var us [2][]unit
		for side := range us {
			var v []float64
			for range 2 + rng.IntN(5) {
				v = append(v, math.Max(0, rng.NormFloat64()*math.Exp(3*rng.NormFloat64())))
			}
			v[0]++ // something on both sides
			us[side] = covered(v...)
		}
		low, high := logRatio(us, area, .95)
		if r := sampleOf(us[0], area).mean / sampleOf(us[1], area).mean; !(low > 0 && low <= r && r <= high && !math.IsInf(high, 0)) {
			t.Errorf("case %d: %v: interval %g to %g of the ratio %g", i, us, low, high, r)
		}
	}
}

// A small study of the coverage: lognormal areas of which a third is zero, 3 + 3.
func TestLogRatioHolds(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 8))
	held, n := 0, 0
	const studies = 2000
	for range studies {
		x, y := covered(lognormal(rng, 3, 1, .33, 4)...), covered(lognormal(rng, 3, 1, .33, 1)...)
		if sampleOf(x, area).mean == 0 || sampleOf(y, area).mean == 0 {
			continue
		}
		n++
		if low, high := logRatio([2][]unit{x, y}, area, .95); low <= 4 && 4 <= high {
			held++
		}
	}
	// 0.94 less three standard errors.
	if p := float64(held) / float64(n); p < .94-3*math.Sqrt(.94*.06/float64(n)) {
		t.Errorf("%d of %d intervals hold the truth, %.3f, want at least 0.94", held, n, p)
	}
}

// lognormal returns n values scale·exp(sigma·z), a share of them zero.
func lognormal(rng *rand.Rand, n int, sigma, zeros, scale float64) []float64 {
	law := distuv.LogNormal{Mu: math.Log(scale), Sigma: sigma, Src: rng}
	out := make([]float64, n)
	for i := range out {
		if v := law.Rand(); rng.Float64() >= zeros {
			out[i] = v
		}
	}
	return out
}

// Signals of which one is below zero have Fieller's interval; what it lacks is said.
func TestOpenRatioSaysSo(t *testing.T) {
	x, y := fieldsOf(maps.Treated, 1, 5, 7, 6), fieldsOf(maps.Untreated, 1, 2, 3, 1)
	if c := mustCompare(t, x, y, Options{}).Signal; !(c.Low > 0 && c.High > c.Low) || c.Reason != "" {
		t.Errorf("signal ratio %g to %g, reason %q", c.Low, c.High, c.Reason)
	}
	y[0].ExcessCounts, y[1].ExcessCounts = -80, 120
	c := mustCompare(t, x, y, Options{}).Signal
	if !(c.Low >= 0) || !math.IsNaN(c.High) || !strings.Contains(c.Reason, "lower bound but no upper end; the difference has both") || math.IsNaN(c.DifferenceLow) || math.IsNaN(c.DifferenceHigh) {
		t.Errorf("%+v", c)
	}
	for i := range x {
		x[i].SpotAreaMm2 = 0
	}
	c = mustCompare(t, x, y, Options{}).AreaFraction
	if c.Ratio != 0 || c.Low != 0 || !math.IsNaN(c.High) || c.Reason == "" {
		t.Errorf("nothing on the treated side: ratio %g, %g to %g, reason %q", c.Ratio, c.Low, c.High, c.Reason)
	}
}

// No spot in the blank fields: the ratio has a lower bound, the difference both ends,
// and the verdict says so. The lower bound is that of Clopper & Pearson (1934) for 19
// of 19 spots and equal areas: p = 0.025^(1/19), p/(1−p).
func TestNoBlankSpot(t *testing.T) {
	r := mustCompare(t, fieldsOf(maps.Treated, 1, 6, 7, 6), fieldsOf(maps.Untreated, 1, 0, 0, 0), Options{})
	d := r.Density
	p := math.Pow(.025, 1./19)
	if math.Abs(d.Low*(1-p)/p-1) > 1e-9 || !math.IsNaN(d.High) || !strings.Contains(d.Reason, "lower bound but no upper end; the difference has both") {
		t.Errorf("ratio %g from %g (want %g) to %g: %s", d.Ratio, d.Low, p/(1-p), d.High, d.Reason)
	}
	if !(0 < d.DifferenceLow && d.DifferenceLow < d.Difference && d.Difference < d.DifferenceHigh && d.DifferenceHigh < 20) {
		t.Errorf("difference %g, %g to %g", d.Difference, d.DifferenceLow, d.DifferenceHigh)
	}
	if !strings.Contains(r.Verdict, "ratio at least 4.6") || !strings.Contains(r.Verdict, "difference 6.33 per mm²") {
		t.Errorf("verdict %q", r.Verdict)
	}
}
