package transport

import (
	"context"
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"

	"example.org/fleck/quant"
	"example.org/fleck/spectra/xray"
)

func material(t testing.TB, s string) xray.Material {
	t.Helper()
	m, err := xray.ParseMaterial(s)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func peaks(t testing.TB, names ...string) []quant.Peak {
	t.Helper()
	out := []quant.Peak{}
	for _, n := range names {
		p, err := quant.ParsePeak(n)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, p)
	}
	return out
}

func keV(e float64) quant.Geometry {
	return quant.Geometry{BeamEnergy: xray.Energy(e) * xray.KeV, TakeOff: 35 * xray.Degree}
}

func simulate(t testing.TB, c Config) *Result {
	t.Helper()
	r, err := Run(context.Background(), c)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// readTable returns the rows of a CSV file of testdata without its header.
func readTable(t testing.TB, name string, columns int) [][]string {
	t.Helper()
	f, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	r.FieldsPerRecord = columns
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows[1:]
}

func number(t testing.TB, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// Tests allow this many standard errors of the simulation: one false alarm in
// about 16 000 comparisons; the seeds are fixed.
const sigmas = 4

// near reports a value further from want than the tolerance and the error of the
// simulation allow.
func near(t *testing.T, what string, got, err, want, tolerance float64) {
	t.Helper()
	if d := math.Abs(got - want); !(d <= tolerance+sigmas*err) {
		t.Errorf("%s: %.5g ± %.2g, want %.5g ± %.2g", what, got, err, want, tolerance)
	}
}

// ratio returns a/b with its standard error.
func ratio(a, aErr, b, bErr float64) (float64, float64) {
	return a / b, a / b * math.Hypot(aErr/a, bErr/b)
}
