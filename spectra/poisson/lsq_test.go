package poisson

import (
	"bufio"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// strd is one nonlinear regression set of the NIST Statistical Reference
// Datasets.
type strd struct {
	name          string
	starts        [2][]float64
	value, spread []float64 // certified estimates and standard deviations
	rss           string
	y, x          []float64
}

func readStrd(t *testing.T, name string) strd {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", "strd", name+".txt"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	d := strd{name: name}
	sc := bufio.NewScanner(f)
	for line := 1; sc.Scan(); line++ {
		w := strings.Fields(sc.Text())
		if len(w) == 0 || w[0] == "#" {
			continue
		}
		num := func(s string) float64 {
			v, err := strconv.ParseFloat(s, 64)
			if err != nil {
				t.Fatalf("%s: line %d: %v", name, line, err)
			}
			return v
		}
		switch w[0] {
		case "rss":
			d.rss = w[1]
		case "parameter":
			d.starts[0] = append(d.starts[0], num(w[1]))
			d.starts[1] = append(d.starts[1], num(w[2]))
			d.value = append(d.value, num(w[3]))
			d.spread = append(d.spread, num(w[4]))
		default:
			d.y = append(d.y, num(w[0]))
			d.x = append(d.x, num(w[1]))
		}
	}
	return d
}

// strdModels are the model functions as printed with the sets.
var strdModels = []struct {
	name string
	f    func(x float64, b []float64) float64
}{
	{"Misra1a", func(x float64, b []float64) float64 { return b[0] * (1 - math.Exp(-b[1]*x)) }},
	{"Misra1b", func(x float64, b []float64) float64 { return b[0] * (1 - 1/((1+b[1]*x/2)*(1+b[1]*x/2))) }},
	{"Misra1c", func(x float64, b []float64) float64 { return b[0] * (1 - 1/math.Sqrt(1+2*b[1]*x)) }},
	{"Misra1d", func(x float64, b []float64) float64 { return b[0] * b[1] * x / (1 + b[1]*x) }},
	{"DanWood", func(x float64, b []float64) float64 { return b[0] * math.Pow(x, b[1]) }},
	{"Chwirut2", func(x float64, b []float64) float64 { return math.Exp(-b[0]*x) / (b[1] + b[2]*x) }},
	{"Gauss1", twoGaussians},
	{"Gauss2", twoGaussians},
	{"Gauss3", twoGaussians},
	{"Lanczos3", func(x float64, b []float64) float64 {
		return b[0]*math.Exp(-b[1]*x) + b[2]*math.Exp(-b[3]*x) + b[4]*math.Exp(-b[5]*x)
	}},
	{"MGH17", func(x float64, b []float64) float64 {
		return b[0] + b[1]*math.Exp(-x*b[3]) + b[2]*math.Exp(-x*b[4])
	}},
	{"Roszman1", func(x float64, b []float64) float64 {
		return b[0] - b[1]*x - math.Atan(b[2]/(x-b[3]))/math.Pi
	}},
	{"MGH09", func(x float64, b []float64) float64 { return b[0] * (x*x + x*b[1]) / (x*x + x*b[2] + b[3]) }},
	{"Thurber", func(x float64, b []float64) float64 {
		return (b[0] + x*(b[1]+x*(b[2]+x*b[3]))) / (1 + x*(b[4]+x*(b[5]+x*b[6])))
	}},
	{"BoxBOD", func(x float64, b []float64) float64 { return b[0] * (1 - math.Exp(-b[1]*x)) }},
	{"Rat42", func(x float64, b []float64) float64 { return b[0] / (1 + math.Exp(b[1]-b[2]*x)) }},
	{"Rat43", func(x float64, b []float64) float64 { return b[0] / math.Pow(1+math.Exp(b[1]-b[2]*x), 1/b[3]) }},
	{"MGH10", func(x float64, b []float64) float64 { return b[0] * math.Exp(b[1]/(x+b[2])) }},
	{"Eckerle4", func(x float64, b []float64) float64 {
		z := (x - b[2]) / b[1]
		return b[0] / b[1] * math.Exp(-z*z/2)
	}},
}

func twoGaussians(x float64, b []float64) float64 {
	u, v := (x-b[3])/b[4], (x-b[6])/b[7]
	return b[0]*math.Exp(-b[1]*x) + b[2]*math.Exp(-u*u) + b[5]*math.Exp(-v*v)
}

// digits returns the number of matching decimal digits (log relative error).
func digits(got, want float64) float64 {
	if got == want {
		return 15
	}
	return -math.Log10(math.Abs(got-want) / math.Abs(want))
}

func TestMinimizeStRD(t *testing.T) {
	for _, mdl := range strdModels {
		d := readStrd(t, mdl.name)
		p := Problem{
			Observations: len(d.y),
			Residuals: func(dst, b []float64) {
				for i, x := range d.x {
					dst[i] = mdl.f(x, b) - d.y[i]
				}
			},
		}
		// The data are the certified ones: at the certified parameters the
		// sum of squares has all certified digits.
		t.Run(mdl.name+"/data", func(t *testing.T) {
			r := make([]float64, len(d.y))
			p.Residuals(r, d.value)
			var sum float64
			for _, v := range r {
				sum += v * v
			}
			if got := strconv.FormatFloat(sum, 'E', 10, 64); got != d.rss {
				t.Errorf("sum of squares at the certified values = %s, want %s", got, d.rss)
			}
		})
		for s, start := range d.starts {
			t.Run(mdl.name+"/start"+strconv.Itoa(s+1), func(t *testing.T) {
				res, err := Minimize(p, start, DampedOptions{})
				if err != nil {
					t.Fatal(err)
				}
				if res.Status != Converged {
					t.Errorf("status %v after %d iterations, sum of squares %.10E, want %s; x %v", res.Status, res.Iterations, res.SumOfSquares, d.rss, res.X)
				}
				least, leastSE := 15.0, 15.0
				for j, v := range d.value {
					least = math.Min(least, digits(res.X[j], v))
					leastSE = math.Min(leastSE, digits(res.StandardError[j], d.spread[j]))
				}
				t.Logf("%2d iterations, %4d evaluations, digits: parameters %.1f, standard errors %.1f rss %.11g %.11g", res.Iterations, res.Evaluations, least, leastSE, res.SumOfSquares, res.X)
				if least < 6 {
					t.Errorf("parameters %v, want %v: %.1f digits, want 6", res.X, d.value, least)
				}
				if leastSE < 4 {
					t.Errorf("standard errors %v, want %v: %.1f digits, want 4", res.StandardError, d.spread, leastSE)
				}
			})
		}
	}
}
