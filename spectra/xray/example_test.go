package xray_test

import (
	"fmt"

	"example.org/fleck/spectra/xray"
)

func ExampleParseLine() {
	lines, err := xray.ParseLine("Si K-L2,3")
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, l := range lines {
		fmt.Printf("%v (%s) %.2f eV\n", l, l.Siegbahn(), l.Energy.EV())
	}
	// Output:
	// Si K-L2 (Ka2) 1739.39 eV
	// Si K-L3 (Ka1) 1739.98 eV
}

func ExampleParseMaterial() {
	for _, s := range []string{"TiO2:4.23g/cm3", "Fe-18Cr-0.5Nb-0.2Ti:7.7g/cm3", "C:2.0g/cm3:8nm", "CuSO4.5H2O"} {
		m, err := xray.ParseMaterial(s)
		if err != nil {
			fmt.Println(err)
			continue
		}
		fmt.Printf("%v:", m)
		for _, c := range m.Components {
			fmt.Printf(" %v %.4f", c.Element, c.MassFraction)
		}
		fmt.Println()
	}
	// Output:
	// TiO2:4.23g/cm3: O 0.4007 Ti 0.5993
	// Fe-18Cr-0.5Nb-0.2Ti:7.7g/cm3: Ti 0.0020 Cr 0.1800 Fe 0.8130 Nb 0.0050
	// C:2g/cm3:8nm: C 1.0000
	// xray: material "CuSO4.5H2O": column 6: the point can be a hydrate or a decimal point; write CuSO4·5H2O for the hydrate or CuS(O4.5)H2O for the number of atoms
}

func ExampleFamilyWeights() {
	for _, w := range xray.FamilyWeights(26, xray.FamilyK, 15*xray.KeV) {
		fmt.Printf("%v %.1f eV %.3f\n", w.Line, w.Energy.EV(), w.Weight)
	}
	// Output:
	// Fe K-L2 6391.0 eV 0.298
	// Fe K-L3 6404.0 eV 0.584
	// Fe K-M2 7058.2 eV 0.040
	// Fe K-M3 7058.2 eV 0.079
}

func ExampleElement_Attenuation() {
	al, err := xray.ParseElement("Al")
	if err != nil {
		fmt.Println(err)
		return
	}
	lines, err := xray.ParseLine("Si Ka1")
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("Si K-L3 in Al: %.0f cm²/g\n", al.Attenuation(lines[0].Energy))
	// Output: Si K-L3 in Al: 3223 cm²/g
}
