// Kratio predicts k-ratios of silica: as a bulk specimen and as a film of 50 nm
// on aluminium, at three beam energies. What a thin layer gives is not what its
// bulk would.
package main

import (
	"fmt"
	"log"

	"example.org/fleck/quant"
	"example.org/fleck/quant/matrix"
	"example.org/fleck/spectra/xray"
)

func main() {
	silica, err := xray.ParseMaterial("SiO2:2.2g/cm3:50nm")
	if err != nil {
		log.Fatal(err)
	}
	aluminium := xray.Pure(13)
	peaks := []quant.Peak{{Element: 14}} // Si K, against pure silicon
	fmt.Println("beam     bulk    50 nm on Al")
	for _, beam := range []xray.Energy{5 * xray.KeV, 10 * xray.KeV, 20 * xray.KeV} {
		g := quant.Geometry{BeamEnergy: beam, TakeOff: 35 * xray.Degree}
		bulk, err := matrix.KRatios(silica, peaks, g, matrix.Options{})
		if err != nil {
			log.Fatal(err)
		}
		film, err := matrix.LayeredKRatios([]xray.Material{silica}, aluminium, peaks, g, matrix.Options{})
		if err != nil {
			log.Fatal(err)
		}
		fmt.Printf("%2.0f keV  %.3f   %.3f\n", beam.KeV(), bulk[0].KRatio, film[0].KRatio)
	}
}
