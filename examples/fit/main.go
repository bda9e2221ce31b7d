// Fit fits a small spectrum and prints the net counts of its line families.
// Run it in the top folder of the module: go run ./examples/fit
package main

import (
	"fmt"
	"log"
	"os"

	"example.org/fleck/quant/analysis"
	"example.org/fleck/spectra/fit"
	"example.org/fleck/spectra/msa"
	"example.org/fleck/spectra/xray"
)

func main() {
	in, err := os.Open("testdata/two-peak.msa")
	if err != nil {
		log.Fatal(err)
	}
	defer in.Close()
	file, err := msa.Read(in)
	if err != nil {
		log.Fatal(err)
	}
	s := &file.Spectrum
	elements := []xray.Element{13, 14} // aluminium, silicon
	result, err := analysis.Spectrum(s, fit.Options{
		Families: fit.FamiliesOf(elements, s.Conditions.BeamEnergy, 1200, 1980),
	})
	if err != nil {
		log.Fatal(err)
	}
	for _, f := range result.Families {
		fmt.Printf("%v: %.0f ± %.0f net counts\n", f.Family, f.NetCounts, f.Sigma)
	}
	// The counts of this file are invented and without noise, so the deviance
	// is far below that of a real spectrum.
	fmt.Printf("deviance %.1f, %.1f expected\n", result.Deviance, result.ExpectedDeviance)
}
