package figure

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func labels(a axisTicks) string {
	var s []string
	for _, t := range a.ticks {
		if t.label != "" {
			s = append(s, t.label)
		}
	}
	return strings.Join(s, " | ")
}

func TestLinearTicks(t *testing.T) {
	tests := []struct {
		low, high float64
		most      int
		signed    bool
		want      string
		power     int
	}{
		{0, 153, 6, false, "0 | 50 | 100 | 150", 0},
		{1, 20, 6, false, "5 | 10 | 15 | 20", 0},
		{-150, 150, 6, true, "−150 | −100 | −50 | 0 | +50 | +100 | +150", 0},
		{0, 0.31, 6, false, "0.0 | 0.1 | 0.2 | 0.3", 0},
		{0, 120000, 6, false, "0 | 20\u202f000 | 40\u202f000 | 60\u202f000 | 80\u202f000 | 100\u202f000 | 120\u202f000", 0},
		{0, 3e9, 6, false, "0.0 | 0.5 | 1.0 | 1.5 | 2.0 | 2.5 | 3.0", 9},
		{0, 2.5e-5, 5, false, "0 | 5 | 10 | 15 | 20 | 25", -6},
		{5, 5, 6, false, "5", 0},
	}
	for _, tt := range tests {
		got := linearTicks(tt.low, tt.high, tt.most, tt.signed)
		if labels(got) != tt.want || got.power != tt.power {
			t.Errorf("linearTicks(%g, %g, %d) = %s (10^%d), want %s (10^%d)", tt.low, tt.high, tt.most, labels(got), got.power, tt.want, tt.power)
		}
	}
}

func TestLogTicks(t *testing.T) {
	tests := []struct {
		low, high float64
		most      int
		want      string
	}{
		{1, 150, 7, "1 | 2 | 5 | 10 | 20 | 50 | 100"},
		{0.5, 2e5, 7, "1 | 10 | 100 | 1000 | 10\u202f000 | 100\u202f000"},
		{1e-12, 1e12, 6, "10^−12 | 10^−8 | 10^−4 | 1 | 10^4 | 10^8 | 10^12"},
		{100.5, 662, 2, "200 | 500"},
		{30, 50, 6, "30 | 35 | 40 | 45 | 50"},
	}
	for _, tt := range tests {
		if got := labels(logTicks(tt.low, tt.high, tt.most)); got != tt.want {
			t.Errorf("logTicks(%g, %g, %d) = %s, want %s", tt.low, tt.high, tt.most, got, tt.want)
		}
	}
}

// TestTicksInside: any range gives at least one mark, all within it, and not
// more than twice what was asked for.
func TestTicksInside(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		low := rapid.Float64Range(-1e12, 1e12).Draw(t, "low")
		high := low + math.Pow(10, rapid.Float64Range(-15, 14).Draw(t, "log10 span"))
		most := rapid.IntRange(2, 12).Draw(t, "most")
		all := []axisTicks{linearTicks(low, high, most, false)}
		if low > 0 {
			all = append(all, logTicks(low, high, most))
		}
		for _, a := range all {
			labelled := 0
			for _, k := range a.ticks {
				if k.v < low-1e-9*math.Abs(low) || k.v > high+1e-9*math.Abs(high) {
					t.Fatalf("mark at %g outside %g to %g", k.v, low, high)
				}
				if k.label != "" {
					labelled++
				}
			}
			if labelled < 1 || labelled > 2*most+2 {
				t.Fatalf("%d labelled marks between %g and %g, asked for %d", labelled, low, high, most)
			}
		}
	})
}

func TestNumber(t *testing.T) {
	tests := []struct {
		v        float64
		decimals int
		signed   bool
		want     string
	}{
		{-0.0001, 2, true, "0.00"},
		{1234, 0, false, "1234"},
		{-12345.5, 1, false, "−12\u202f345.5"},
		{1234567, 0, true, "+1\u202f234\u202f567"},
		{0.25, -1, false, "0.25"},
	}
	for _, tt := range tests {
		if got := number(tt.v, tt.decimals, tt.signed); got != tt.want {
			t.Errorf("number(%g, %d, %v) = %q, want %q", tt.v, tt.decimals, tt.signed, got, tt.want)
		}
	}
	for v, want := range map[float64]string{12: "12", 411.7: "412", 0.6283: "0.628", 12345: "12\u202f300", 0: "0", -2: "−2"} {
		if got := significant(v); got != want {
			t.Errorf("significant(%g) = %q, want %q", v, got, want)
		}
	}
}
