package spots

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// plainBlur is blur as its formula reads, one sum after the other.
func plainBlur(v []float64, w, h int, sd float64) {
	r := int(math.Ceil(3 * sd))
	k := make([]float64, r+1)
	t := 0.0
	for i := range k {
		k[i] = math.Exp(-float64(i*i) / (2 * sd * sd))
		t += k[i]
		if i > 0 {
			t += k[i]
		}
	}
	line := make([]float64, max(w, h))
	pass := func(at, step, n int) {
		for i := range n {
			line[i] = v[at+i*step]
		}
		for i := range n {
			sum := k[0] * line[i]
			for d := 1; d <= r; d++ {
				if i-d >= 0 {
					sum += k[d] * line[i-d]
				}
				if i+d < n {
					sum += k[d] * line[i+d]
				}
			}
			v[at+i*step] = sum / t
		}
	}
	for y := range h {
		pass(y*w, 1, w)
	}
	for x := range w {
		pass(x, w, h)
	}
}

func TestBlur(t *testing.T) {
	for _, c := range []struct {
		w, h int
		sd   float64
	}{{1, 1, 2}, {3, 2, 5}, {17, 9, 2}, {40, 33, 20}, {64, 5, 1.3}, {5, 64, 0.4}} {
		rng := rand.New(rand.NewPCG(7, uint64(c.w)))
		got := make([]float64, c.w*c.h)
		for i := range got {
			got[i] = rng.NormFloat64()
		}
		want := append([]float64(nil), got...)
		plainBlur(want, c.w, c.h, c.sd)
		blur(got, c.w, c.h, c.sd)
		for i := range want {
			if got[i] != want[i] { // the same sums in the same order: the same bits
				t.Fatalf("%d × %d, sd %g: value %d is %v, want %v", c.w, c.h, c.sd, i, got[i], want[i])
			}
		}
	}
}

func BenchmarkBlur(b *testing.B) {
	const w, h, sd = 400, 600, 20.25 // the window of the default widths
	v := make([]float64, w*h)
	for i := range v {
		v[i] = float64(i % 97)
	}
	for name, f := range map[string]func([]float64, int, int, float64){"blur": blur, "plain": plainBlur} {
		b.Run(fmt.Sprintf("%s %dx%d", name, w, h), func(b *testing.B) {
			for b.Loop() {
				f(v, w, h, sd)
			}
		})
	}
}
