package poisson

import (
	"bufio"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mat"
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

// TestMinimizeLinear compares with the closed form of a straight line: with
// unit errors the covariance is (JᵀJ)⁻¹.
func TestMinimizeLinear(t *testing.T) {
	x := []float64{0, 1, 2, 3, 4}
	y := []float64{1, 3, 2, 5, 4}
	p := Problem{
		Observations: 5,
		Residuals: func(dst, b []float64) {
			for i := range x {
				dst[i] = b[0] + b[1]*x[i] - y[i]
			}
		},
		Jacobian: func(dst *mat.Dense, b []float64) {
			for i := range x {
				dst.Set(i, 0, 1)
				dst.Set(i, 1, x[i])
			}
		},
	}
	res, err := Minimize(p, []float64{100, -50}, DampedOptions{})
	if err != nil {
		t.Fatal(err)
	}
	// n = 5, Σx = 10, Σx² = 30: intercept 1.4, slope 0.8, Σr² = 3.6;
	// (JᵀJ)⁻¹ = [30 −10; −10 5]/50.
	want := []float64{1.4, 0.8}
	cov := []float64{0.6, -0.2, -0.2, 0.1}
	for j := range want {
		if math.Abs(res.X[j]-want[j]) > 1e-9 {
			t.Errorf("parameters %v, want %v", res.X, want)
		}
	}
	for j := range cov {
		if math.Abs(res.Covariance[j]-cov[j]) > 1e-12 {
			t.Errorf("covariance %v, want %v", res.Covariance, cov)
		}
	}
	if res.Status != Converged || res.DegreesOfFreedom != 3 || math.Abs(res.SumOfSquares-3.6) > 1e-9 ||
		math.Abs(res.StandardError[1]-math.Sqrt(0.1*3.6/3)) > 1e-9 {
		t.Errorf("result %+v", res)
	}
}

// TestMinimizeBounds holds a parameter at its bound: the rest must then be the
// optimum with that parameter fixed.
func TestMinimizeBounds(t *testing.T) {
	d := readStrd(t, "Misra1a")
	residuals := func(dst, b []float64) {
		for i, x := range d.x {
			dst[i] = b[0]*(1-math.Exp(-b[1]*x)) - d.y[i]
		}
	}
	p := Problem{Observations: len(d.x), Residuals: residuals}
	// The free optimum is b = (238.9, 5.5e-4).
	res, err := Minimize(p, []float64{210, 4e-4}, DampedOptions{Lower: []float64{0, 0}, Upper: []float64{220, 1}})
	if err != nil {
		t.Fatal(err)
	}
	fixed := Problem{Observations: len(d.x), Residuals: func(dst, b []float64) { residuals(dst, []float64{220, b[0]}) }}
	want, err := Minimize(fixed, []float64{4e-4}, DampedOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if res.Status != Converged || res.X[0] != 220 || digits(res.X[1], want.X[0]) < 8 {
		t.Errorf("status %v, parameters %v, want [220 %v]", res.Status, res.X, want.X[0])
	}
	if res.DegreesOfFreedom != len(d.x)-1 || res.Sigma[0] != 0 || res.Covariance[1] != 0 || digits(res.Sigma[1], want.Sigma[0]) < 6 {
		t.Errorf("degrees of freedom %d, sigma %v, want %d, [0 %v]", res.DegreesOfFreedom, res.Sigma, len(d.x)-1, want.Sigma)
	}
	// Bounds that do not bind change nothing.
	free, err := Minimize(p, []float64{250, 5e-4}, DampedOptions{Lower: []float64{0, 0}, Upper: []float64{1000, 1}})
	if err != nil || digits(free.X[0], d.value[0]) < 6 || digits(free.StandardError[0], d.spread[0]) < 4 {
		t.Errorf("wide bounds: %+v, %v", free, err)
	}
}

func TestMinimizeDomain(t *testing.T) {
	residuals := func(dst, b []float64) {
		dst[0], dst[1] = math.Log(b[0])-1, b[0]-2 // NaN below 0
	}
	ok := Problem{Observations: 2, Residuals: residuals}
	for name, c := range map[string]struct {
		p     Problem
		start []float64
		opt   DampedOptions
	}{
		"no residuals":       {Problem{Observations: 2}, []float64{1}, DampedOptions{}},
		"no observations":    {Problem{Residuals: residuals}, []float64{1}, DampedOptions{}},
		"no parameters":      {ok, nil, DampedOptions{}},
		"NaN start":          {ok, []float64{math.NaN()}, DampedOptions{}},
		"start outside":      {ok, []float64{-1}, DampedOptions{}},
		"start below bound":  {ok, []float64{1}, DampedOptions{Lower: []float64{2}}},
		"empty bounds":       {ok, []float64{1}, DampedOptions{Lower: []float64{1}, Upper: []float64{1}}},
		"bounds too long":    {ok, []float64{1}, DampedOptions{Lower: []float64{0, 0}}},
		"upper too long":     {ok, []float64{1}, DampedOptions{Upper: []float64{9, 9}}},
		"negative tolerance": {ok, []float64{1}, DampedOptions{Tolerance: -1}},
	} {
		if _, err := Minimize(c.p, c.start, c.opt); !errors.Is(err, ErrRange) {
			t.Errorf("%s: error %v, want ErrRange", name, err)
		}
	}
	// A first step that leaves the domain is shortened.
	res, err := Minimize(ok, []float64{0.01}, DampedOptions{})
	if err != nil || res.Status != Converged {
		t.Fatalf("status %v, error %v", res.Status, err)
	}
	// Optimum: (ln x − 1)/x + x − 2 = 0.
	if g := (math.Log(res.X[0])-1)/res.X[0] + res.X[0] - 2; math.Abs(g) > 1e-8 {
		t.Errorf("gradient at %v is %v", res.X[0], g)
	}
	// Parameters that cannot be told apart have no error.
	twin := Problem{Observations: 3, Residuals: func(dst, b []float64) {
		for i := range dst {
			dst[i] = b[0] + b[1] - float64(i)
		}
	}}
	res, err = Minimize(twin, []float64{0, 0}, DampedOptions{})
	if err != nil || math.Abs(res.X[0]+res.X[1]-1) > 1e-9 || !math.IsNaN(res.Sigma[0]) {
		t.Errorf("dependent parameters: %+v, %v, want sum 1 and sigma NaN", res, err)
	}
	// No degrees of freedom: the fit is exact, the spread unknown.
	exact := Problem{Observations: 1, Residuals: func(dst, b []float64) { dst[0] = b[0] - 3 }}
	res, err = Minimize(exact, []float64{0}, DampedOptions{})
	if err != nil || math.Abs(res.X[0]-3) > 1e-9 || !math.IsNaN(res.StandardError[0]) || math.Abs(res.Sigma[0]-1) > 1e-9 {
		t.Errorf("one observation: %+v, %v", res, err)
	}
	// The limit on iterations is a status, not an error.
	d := readStrd(t, "MGH10")
	res, err = Minimize(Problem{Observations: len(d.x), Residuals: func(dst, b []float64) {
		for i, x := range d.x {
			dst[i] = b[0]*math.Exp(b[1]/(x+b[2])) - d.y[i]
		}
	}}, d.starts[0], DampedOptions{MaxIterations: 5})
	if err != nil || res.Status != NotConverged || res.Iterations != 5 {
		t.Errorf("five iterations: status %v, %d iterations, error %v", res.Status, res.Iterations, err)
	}
}

func ExampleMinimize() {
	// Decay of a count rate, with errors √n.
	x := []float64{0, 1, 2, 3, 4, 5}
	n := []float64{400, 245, 148, 90, 54, 33}
	p := Problem{
		Observations: len(x),
		Residuals: func(dst, b []float64) {
			for i := range x {
				dst[i] = (b[0]*math.Exp(-b[1]*x[i]) - n[i]) / math.Sqrt(n[i])
			}
		},
	}
	r, err := Minimize(p, []float64{300, 1}, DampedOptions{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%v: rate %.3f ± %.3f\n", r.Status, r.X[1], r.Sigma[1])
	// Output: converged: rate 0.499 ± 0.023
}

func BenchmarkMinimizeGauss1(b *testing.B) {
	data, err := os.ReadFile(filepath.Join("testdata", "strd", "Gauss1.txt"))
	if err != nil {
		b.Fatal(err)
	}
	var x, y, start []float64
	for _, line := range strings.Split(string(data), "\n") {
		w := strings.Fields(line)
		if len(w) == 2 && w[0] != "rss" {
			v, _ := strconv.ParseFloat(w[0], 64)
			y, x = append(y, v), append(x, float64(len(x)+1))
		}
		if len(w) == 5 {
			v, _ := strconv.ParseFloat(w[1], 64)
			start = append(start, v)
		}
	}
	p := Problem{Observations: len(y), Residuals: func(dst, c []float64) {
		for i := range x {
			dst[i] = twoGaussians(x[i], c) - y[i]
		}
	}}
	for b.Loop() {
		if _, err := Minimize(p, start, DampedOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}
