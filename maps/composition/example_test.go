package composition_test

import (
	"context"
	"fmt"
	"log"

	"example.org/fleck/maps"
	"example.org/fleck/maps/composition"
	"example.org/fleck/quant"
	"example.org/fleck/spectra/xray"
)

// Two pixels of an iron–nickel alloy; the second has too few counts for its
// dose, as a rough or thin place has.
func ExampleMaps() {
	stack := func(counts ...float64) maps.Stack {
		s := maps.Stack{Value: maps.New(2, 1), Sigma: maps.New(2, 1)}
		for i, n := range counts {
			s.Value.V[i], s.Sigma.V[i] = n, 75
		}
		return s
	}
	inputs := []composition.Input{
		{Peak: quant.Peak{Element: 26, Family: xray.FamilyK}, Counts: stack(5350, 2000), Standard: 10000},
		{Peak: quant.Peak{Element: 28, Family: xray.FamilyK}, Counts: stack(4880, 1900), Standard: 10000},
	}
	r, err := composition.Maps(context.Background(), inputs, composition.Options{
		Geometry: quant.Geometry{BeamEnergy: 15 * xray.KeV, TakeOff: 40 * xray.Degree},
	})
	if err != nil {
		log.Fatal(err)
	}
	for x := range 2 {
		fmt.Printf("Fe %.2f Ni %.2f, total %.2f: %s\n", r.Stacks[0].Value.At(x, 0), r.Stacks[1].Value.At(x, 0), r.Total.At(x, 0), r.Flags[x])
	}
	// Output:
	// Fe 0.50 Ni 0.50, total 1.00: ok
	// Fe 0.19 Ni 0.19, total 0.38: total outside 0.9 to 1.1
}
