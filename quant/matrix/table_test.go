package matrix

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"example.org/fleck/quant"
	"example.org/fleck/spectra/xray"
)

// TestTable compares the table with the model it was made of on random
// compositions of up to six elements.
func TestTable(t *testing.T) {
	for _, tt := range []struct {
		name   string
		peaks  []string
		others []xray.Element
	}{
		{"silicates", []string{"Na K", "Mg K", "Al K", "Si K", "Ca K", "Fe K"}, []xray.Element{8}},
		{"alloys", []string{"Al K", "Ti K", "Cr K", "Fe K", "Ni K", "Mo L"}, nil},
		{"oxygen measured", []string{"O K", "Al K", "Si K", "Ti K", "Fe K", "Cr K"}, nil},
	} {
		var peaks []quant.Peak
		for _, s := range tt.peaks {
			p, err := quant.ParsePeak(s)
			if err != nil {
				t.Fatal(err)
			}
			peaks = append(peaks, p)
		}
		p, err := NewPredictor(peaks, tt.others, geometry(15, 35), Options{})
		if err != nil {
			t.Fatal(err)
		}
		table, err := quant.NewTable(p, tt.others)
		if err != nil {
			t.Fatal(err)
		}
		zs := slices.Clone(tt.others)
		for _, p := range peaks {
			zs = append(zs, p.Element)
		}
		rng := rand.New(rand.NewPCG(9, 9))
		var off []float64
		want, got := make([]float64, len(peaks)), make([]float64, len(peaks))
		for range 400 {
			mass := make([]quant.MassFraction, len(zs))
			for i := range mass {
				if rng.Float64() < 0.6 {
					mass[i] = quant.MassFraction(-math.Log(rng.Float64()))
				}
			}
			mass[rng.IntN(len(mass))] += 0.5
			c, err := quant.NewComposition(zs, mass)
			if err != nil {
				t.Fatal(err)
			}
			if err := p.Factors(want, c); err != nil {
				t.Fatal(err)
			}
			if err := table.Factors(got, c); err != nil {
				t.Fatal(err)
			}
			for i := range want {
				off = append(off, math.Abs(got[i]/want[i]-1))
			}
		}
		slices.Sort(off)
		n := len(off)
		t.Logf("%s: median %.3f %%, 95 %% below %.3f %%, largest %.3f %%", tt.name, 100*off[n/2], 100*off[n*95/100], 100*off[n-1])
		// A pixel's counts and the attenuation are uncertain by more; measured
		// 0.04, 0.9 and 3.4 % at worst.
		if off[n/2] > 0.001 || off[n*95/100] > 0.015 || off[n-1] > 0.05 {
			t.Errorf("%s: median %.3f %%, 95 %% below %.3f %%, largest %.3f %%; limits 0.1, 1.5 and 5 %%", tt.name, 100*off[n/2], 100*off[n*95/100], 100*off[n-1])
		}
	}
}

// BenchmarkTable is the table of ten elements, beside BenchmarkFactors.
func BenchmarkTable(b *testing.B) {
	p, c, peaks, _ := benchmarkSet(b)
	table, err := quant.NewTable(p, nil)
	if err != nil {
		b.Fatal(err)
	}
	dst := make([]float64, len(peaks))
	b.ReportAllocs()
	for b.Loop() {
		if err := table.Factors(dst, c); err != nil {
			b.Fatal(err)
		}
	}
}
