package spots

import (
	"math"
	"testing"
)

// Twelve classes keep nearly all of the information of the channels, 40 even
// more; every channel has a class and the shares add up.
func TestClassesKeepInformation(t *testing.T) {
	s0, s1 := worldAluminium(), worldSilica().Spectrum
	full := information(s0, s1)
	for _, tc := range []struct {
		k    int
		lost float64
	}{{4, .2}, {12, .005}, {40, .0005}} {
		cl := newBackground(s0, 0, false).classify(s1, tc.k)
		if got := cl.information(); !(got <= full*(1+1e-9)) || got < full*(1-tc.lost) {
			t.Errorf("%d classes: information %.4f of %.4f", tc.k, got, full)
		}
		if math.Abs(sumOf(cl.s0)-1) > 1e-12 || math.Abs(sumOf(cl.s1)-1) > 1e-12 {
			t.Errorf("%d classes: shares add up to %g and %g", tc.k, sumOf(cl.s0), sumOf(cl.s1))
		}
		for g := 1; g < cl.n(); g++ {
			if cl.r[g] <= cl.r[g-1] {
				t.Errorf("%d classes: ratio %g of class %d after %g", tc.k, cl.r[g], g, cl.r[g-1])
			}
		}
	}
}

// A transform there and back is the identity, to rounding.
func TestTransformRoundTrip(t *testing.T) {
	for _, n := range [][2]int{{2, 2}, {6, 10}, {30, 16}, {150, 144}} {
		tr := newTransform(n[0], n[1])
		src, dst := make([]float64, n[0]*n[1]), make([]float64, n[0]*n[1])
		for i := range src {
			src[i] = math.Sin(float64(i*i)) + float64(i%7)
		}
		spec := make([]complex128, tr.hx*n[1])
		tr.forward(spec, src)
		tr.inverse(dst, spec)
		for i := range src {
			if math.Abs(src[i]-dst[i]) > 1e-12*float64(len(src)) {
				t.Fatalf("%v: value %d is %g after %g", n, i, dst[i], src[i])
			}
		}
	}
}

// The scan by transforms is the sum it stands for: the log-likelihood ratio of
// every pixel, trial by trial, by direct summation; in one tile and in several.
func TestScanIsTheDirectSum(t *testing.T) {
	r := []float64{.3, 1, 40}
	for _, size := range [][2]int{{23, 17}, {maxTransform + 9, 5}} {
		w, h := size[0], size[1]
		class := newClassMaps(3, w*h)
		for g := range class {
			for p := range class[g] {
				class[g][p] = float64((p*(7*g+3) + p*p*(g+1)) % (5 - g) * (p % 2))
			}
		}
		widths := []float64{.9, 2}
		trials := []trial{{0, .2, -1}, {1, .05, -2}, {1, .5, -1.5}}
		b := newBank(w, h, mixtureLaw(r), widths, trials, 1)
		out := newScanned(w * h)
		b.scan(out, class, b.newScratch())
		for y := range h {
			for x := range w {
				best, sum := math.Inf(-1), 0.0
				for _, tr := range trials {
					pr := newProfile(profile{}, float64(x), float64(y), widths[tr.width], w, h)
					l := 0.0
					for j := range pr.h {
						for i := range pr.w {
							p := (pr.y0+j)*w + pr.x0 + i
							for g := range class {
								l += class[g][p] * math.Log(1+tr.f*pr.k[j*pr.w+i]*(r[g]-1))
							}
						}
					}
					best = math.Max(best, l)
					sum += math.Exp(l + tr.log)
				}
				p := y*w + x
				if math.Abs(out.best[p]-best) > 1e-9*(1+math.Abs(best)) || math.Abs(out.u[p]-math.Log(sum)) > 1e-9*(1+math.Abs(best)) {
					t.Fatalf("%d × %d, pixel (%d, %d): %.12g and %.12g, direct sum %.12g and %.12g", w, h, x, y, out.best[p], out.u[p], best, math.Log(sum))
				}
			}
		}
	}
}

// Binomial draws by inversion have the binomial mean and variance.
func TestBinomialMoments(t *testing.T) {
	rng := newTestRand(1)
	for _, tc := range []struct{ n, p float64 }{{10, .3}, {200, .02}, {50, .9}, {5000, .4}} {
		const draws = 20000
		m, v := 0.0, 0.0
		for range draws {
			k := binomial(rng, tc.n, tc.p)
			m += k / draws
			v += k * k / draws
		}
		v -= m * m
		mean, variance := tc.n*tc.p, tc.n*tc.p*(1-tc.p)
		// 5 standard errors; that of the variance is about variance·sqrt(2/draws).
		if math.Abs(m-mean) > 5*math.Sqrt(variance/draws) || math.Abs(v/variance-1) > 5*math.Sqrt(2.0/draws)*1.2 {
			t.Errorf("n %g, p %g: mean %.3f (want %.3f), variance %.3f (want %.3f)", tc.n, tc.p, m, mean, v, variance)
		}
	}
}
