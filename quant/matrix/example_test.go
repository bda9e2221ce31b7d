package matrix_test

import (
	"fmt"

	"example.org/fleck/quant"
	"example.org/fleck/quant/matrix"
	"example.org/fleck/spectra/xray"
)

// k-ratios of an iron-nickel alloy against the pure metals: nickel K lines
// excite iron.
func ExampleKRatios() {
	alloy, err := xray.ParseMaterial("Ni-10Fe")
	if err != nil {
		fmt.Println(err)
		return
	}
	g := quant.Geometry{BeamEnergy: 20 * xray.KeV, TakeOff: 40 * xray.Degree}
	peaks := []quant.Peak{{Element: 26}, {Element: 28}}
	ks, err := matrix.KRatios(alloy, peaks, g, matrix.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, k := range ks {
		fmt.Printf("%s: k %.3f = C × Z %.2f × A %.2f × F %.2f\n", k.Peak, k.KRatio, k.Z, k.A, k.F)
	}
	// Output:
	// Fe K: k 0.126 = C × Z 0.99 × A 0.99 × F 1.29
	// Ni K: k 0.891 = C × Z 1.00 × A 0.99 × F 1.00
}

// A silica film of 100 nm on aluminium: what a film gives is far from what its
// bulk would.
func ExampleLayeredKRatios() {
	silica, err := xray.ParseMaterial("SiO2:2.2g/cm3:100nm")
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, beam := range []xray.Energy{5 * xray.KeV, 15 * xray.KeV} {
		g := quant.Geometry{BeamEnergy: beam, TakeOff: 35 * xray.Degree}
		ks, err := matrix.LayeredKRatios([]xray.Material{silica}, xray.Pure(13), []quant.Peak{{Element: 14}, {Element: 13}}, g, matrix.Options{})
		if err != nil {
			fmt.Println(err)
			return
		}
		fmt.Printf("%g keV: k(Si K) %.3f, k(Al K) %.2f\n", beam.KeV(), ks[0].KRatio, ks[1].KRatio)
	}
	// Output:
	// 5 keV: k(Si K) 0.219, k(Al K) 0.53
	// 15 keV: k(Si K) 0.023, k(Al K) 0.93
}

// From k-ratios back to the composition, with oxygen by stoichiometry.
func ExamplePredictor() {
	g := quant.Geometry{BeamEnergy: 15 * xray.KeV, TakeOff: 40 * xray.Degree}
	peaks := []quant.Peak{{Element: 14}, {Element: 20}}
	model, err := matrix.NewPredictor(peaks, []xray.Element{quant.Oxygen}, g, matrix.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	measured := []quant.KRatio{{Peak: peaks[0], Value: 0.204, Sigma: 0.001}, {Peak: peaks[1], Value: 0.315, Sigma: 0.002}}
	r, err := quant.Solve(model, measured, quant.SolveOptions{Rule: quant.ByStoichiometry})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, z := range r.Composition.Elements {
		fmt.Printf("%-2s %.3f ± %.3f\n", z, float64(r.Composition.Fraction(z)), r.Composition.Sigma(z))
	}
	total, _ := r.Composition.Total()
	fmt.Printf("total %.3f, %s\n", total, r.Status)
	// Output:
	// O  0.414 ± 0.002
	// Si 0.242 ± 0.001
	// Ca 0.346 ± 0.002
	// total 1.002, converged
}
