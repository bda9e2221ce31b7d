package poisson

import (
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"
)

// TestGarwoodCoverage sums the Poisson law over the counts whose interval
// holds the true mean. The probability must never be below the level.
func TestGarwoodCoverage(t *testing.T) {
	for _, level := range []float64{0.6827, 0.9, 0.95, 0.99} {
		type interval struct{ low, high float64 }
		var table []interval
		for n := range 120 {
			low, high := Garwood(n, level)
			table = append(table, interval{low, high})
		}
		least := 1.0
		for mu := 0.01; mu < 30; mu += 0.0237 {
			first, p := probabilities(mu)
			var covered float64
			for i, v := range p {
				if n := first + i; n < len(table) && table[n].low <= mu && mu <= table[n].high {
					covered += v
				}
			}
			least = math.Min(least, covered)
		}
		if least < level-1e-12 {
			t.Errorf("level %v: least coverage %v", level, least)
		}
	}
}

func TestFeldmanCousinsCoverage(t *testing.T) {
	const level, background = 0.9, 3.0
	type interval struct{ low, high float64 }
	var table []interval
	for n := range 45 {
		low, high := FeldmanCousins(n, background, level)
		table = append(table, interval{low, high})
	}
	for s := 0.0; s < 12; s += 0.0371 {
		first, p := probabilities(s + background)
		var covered float64
		for i, v := range p {
			// 1e-8: the ends are bisected to 1e-9.
			if n := first + i; n < len(table) && table[n].low <= s+1e-8 && s-1e-8 <= table[n].high {
				covered += v
			}
		}
		if covered < level-1e-12 {
			t.Errorf("signal %v: coverage %v, want at least %v", s, covered, level)
		}
	}
}

// TestFeldmanCousinsTable holds the first rows of Feldman & Cousins (1998),
// table IV, background 0, 90 %. The table was made on a grid of 0.005 and
// printed with two digits, hence 0.01.
func TestFeldmanCousinsTable(t *testing.T) {
	for n, want := range [][2]float64{{0, 2.44}, {0.11, 4.36}, {0.53, 5.91}, {1.10, 7.42}, {1.47, 8.60}, {1.84, 9.99}} {
		low, high := FeldmanCousins(n, 0, 0.9)
		if math.Abs(low-want[0]) > 0.01 || math.Abs(high-want[1]) > 0.01 {
			t.Errorf("FeldmanCousins(%d, 0, 0.9) = %.4f, %.4f, want %v", n, low, high, want)
		}
	}
}

func TestFeldmanCousinsLarge(t *testing.T) {
	// At many counts the interval is the normal one: n − b ± z·√n, to the
	// order of one count.
	low, high := FeldmanCousins(1000, 200, 0.9)
	z := 1.6448536269514722
	if math.Abs(low-(800-z*math.Sqrt(1000))) > 2 || math.Abs(high-(800+z*math.Sqrt(1000))) > 2 {
		t.Errorf("FeldmanCousins(1000, 200, 0.9) = %v, %v, want about %v, %v", low, high, 800-z*math.Sqrt(1000), 800+z*math.Sqrt(1000))
	}
}

// TestLimitsInvertTails checks the definition of the limits: the tail
// probability at the limit is 1 − level.
func TestLimitsInvertTails(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(0, 100000).Draw(t, "n")
		level := rapid.Float64Range(0.5, 0.9999).Draw(t, "level")
		tail := 1 - level
		if p := cumulative(n, UpperLimit(n, level)); math.Abs(p-tail) > 1e-9*tail {
			t.Fatalf("P(N ≤ %d) at the upper limit = %v, want %v", n, p, tail)
		}
		if n == 0 {
			return
		}
		if p := TailP(n, LowerLimit(n, level)); math.Abs(p-tail) > 1e-9*tail {
			t.Fatalf("P(N ≥ %d) at the lower limit = %v, want %v", n, p, tail)
		}
		low, high := Garwood(n, level)
		if !(low < float64(n) && float64(n) < high) {
			t.Fatalf("Garwood(%d, %v) = %v, %v does not hold the count", n, level, low, high)
		}
	})
}

func TestProportionIntervals(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 5000).Draw(t, "n")
		k := rapid.IntRange(0, n).Draw(t, "k")
		level := rapid.Float64Range(0.5, 0.999).Draw(t, "level")
		p := float64(k) / float64(n)
		for name, f := range map[string]func(int, int, float64) (float64, float64){"ClopperPearson": ClopperPearson, "Wilson": Wilson} {
			low, high := f(k, n, level)
			if !(0 <= low && low <= p && p <= high && high <= 1) {
				t.Fatalf("%s(%d, %d, %v) = %v, %v", name, k, n, level, low, high)
			}
			// Successes and failures change places.
			l2, h2 := f(n-k, n, level)
			if math.Abs(low-(1-h2)) > 1e-12 || math.Abs(high-(1-l2)) > 1e-12 {
				t.Fatalf("%s(%d, %d) = %v, %v but (%d, %d) = %v, %v", name, k, n, low, high, n-k, n, l2, h2)
			}
		}
	})
}

func TestIntervalDomain(t *testing.T) {
	nan := func(name string, v ...float64) {
		for _, x := range v {
			if !math.IsNaN(x) {
				t.Errorf("%s = %v, want NaN", name, x)
			}
		}
	}
	two := func(a, b float64) []float64 { return []float64{a, b} }
	for _, level := range []float64{0, 1, -1, math.NaN()} {
		nan("Garwood", two(Garwood(3, level))...)
		nan("UpperLimit", UpperLimit(3, level))
		nan("LowerLimit", LowerLimit(3, level))
		nan("ClopperPearson", two(ClopperPearson(1, 3, level))...)
		nan("Wilson", two(Wilson(1, 3, level))...)
		nan("FeldmanCousins", two(FeldmanCousins(1, 3, level))...)
	}
	nan("Garwood(-1)", two(Garwood(-1, 0.9))...)
	nan("UpperLimit(-1)", UpperLimit(-1, 0.9))
	nan("LowerLimit(-1)", LowerLimit(-1, 0.9))
	nan("ClopperPearson(4 of 3)", two(ClopperPearson(4, 3, 0.9))...)
	nan("ClopperPearson(0 of 0)", two(ClopperPearson(0, 0, 0.9))...)
	nan("Wilson(-1)", two(Wilson(-1, 3, 0.9))...)
	nan("FeldmanCousins(background -1)", two(FeldmanCousins(1, -1, 0.9))...)
	nan("FeldmanCousins(background Inf)", two(FeldmanCousins(1, math.Inf(1), 0.9))...)
}

func ExampleGarwood() {
	// Seven spots on 400 µm².
	low, high := Garwood(7, 0.95)
	fmt.Printf("%.4f to %.4f per µm²\n", low/400, high/400)
	// Output: 0.0070 to 0.0361 per µm²
}

func ExampleUpperLimit() {
	// None found on 400 µm² with a search that finds 80 % of them.
	fmt.Printf("fewer than %.4f per µm²\n", UpperLimit(0, 0.95)/(0.8*400))
	// Output: fewer than 0.0094 per µm²
}

func BenchmarkFeldmanCousins(b *testing.B) {
	for b.Loop() {
		FeldmanCousins(5, 3, 0.95)
	}
}

func BenchmarkGarwood(b *testing.B) {
	for b.Loop() {
		Garwood(7, 0.95)
	}
}
