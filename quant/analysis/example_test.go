package analysis_test

import (
	"fmt"
	"log"

	"example.org/fleck/quant"
	"example.org/fleck/quant/analysis"
	"example.org/fleck/spectra/xray"
)

// The iron–nickel alloy of Chatterjee, MIT OpenCourseWare 12.141 (2012),
// problem 4.2: two k-ratios against pure metals.
func ExampleFromKRatios() {
	fe, err := quant.ParsePeak("Fe K")
	if err != nil {
		log.Fatal(err)
	}
	ni, err := quant.ParsePeak("Ni K")
	if err != nil {
		log.Fatal(err)
	}
	g := quant.Geometry{BeamEnergy: 15 * xray.KeV, TakeOff: 40 * xray.Degree}
	r, err := analysis.FromKRatios([]quant.KRatio{{Peak: fe, Value: 0.535, Sigma: 0.003}, {Peak: ni, Value: 0.488, Sigma: 0.003}}, g, analysis.Options{})
	if err != nil {
		log.Fatal(err)
	}
	for i, z := range r.Composition.Elements {
		fmt.Printf("%s %.3f ± %.3f\n", z, r.Composition.Mass[i], r.Composition.Sigma(z))
	}
	fmt.Printf("total %.3f, refused %v\n", r.Total, r.Refused)
	// Output:
	// Fe 0.502 ± 0.003
	// Ni 0.501 ± 0.003
	// total 1.003, refused false
}

func ExamplePredict() {
	silica, err := xray.ParseMaterial("SiO2:2.2g/cm3:100nm")
	if err != nil {
		log.Fatal(err)
	}
	g := quant.Geometry{BeamEnergy: 5 * xray.KeV, TakeOff: 35 * xray.Degree}
	list, err := analysis.Predict([]xray.Material{silica}, xray.Pure(13), analysis.PeaksOf([]xray.Element{8, 13, 14}, g.BeamEnergy), g, analysis.PredictOptions{})
	if err != nil {
		log.Fatal(err)
	}
	for _, p := range list {
		fmt.Printf("%s k = %.3f\n", p.Peak, p.KRatio)
	}
	// Output:
	// O K k = 0.191
	// Al K k = 0.527
	// Si K k = 0.219
}
