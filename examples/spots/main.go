// Spots simulates a treated and a blank field of a small scene, looks for
// titania particles in the treated one and compares what it finds with what
// was planted.
package main

import (
	"context"
	_ "embed"
	"fmt"
	"log"
	"math"
	"strings"

	"example.org/fleck/maps/cube"
	"example.org/fleck/maps/scene"
	"example.org/fleck/maps/spots"
	"example.org/fleck/quant/template"
)

//go:embed scene.toml
var description string

func main() {
	sc, err := scene.Parse(strings.NewReader(description))
	if err != nil {
		log.Fatal(err)
	}
	treated, truth, err := sc.Render(0, 1, 0)
	if err != nil {
		log.Fatal(err)
	}
	blank, _, err := sc.Render(1, 2, 0)
	if err != nil {
		log.Fatal(err)
	}

	// Channels from 0.3 keV to the beam energy: below is noise, above nothing.
	channels := spots.Range{From: 20, To: 1000}
	field := load(treated, channels)
	substrate := load(blank, channels)
	particle, err := template.Particle(sc.Target, sc.Setup())
	if err != nil {
		log.Fatal(err)
	}
	own := particle.Families[particle.Strongest]
	found, err := spots.Find(context.Background(), field, spots.Options{
		Substrate:       substrate.Sum(),
		SubstrateCounts: substrate.Total(),
		Target: spots.Template{
			Name:     "TiO2",
			Spectrum: particle.Counts[channels.From:channels.To],
			Line:     own[channels.From:channels.To],
		},
		Seed: 1,
	})
	if err != nil {
		log.Fatal(err)
	}

	fmt.Printf("target in the field: %v\n", found.Detected)
	for _, t := range truth.Spots {
		fmt.Printf("planted: %4.0f nm, %4.0f counts in %s", t.DiameterNM, t.OwnCounts, particle.Strongest)
		for _, s := range found.Spots {
			if d := math.Hypot(s.XPx-t.XPx, s.YPx-t.YPx); d < 2 {
				fmt.Printf("; found %.1f px away, %.0f ± %.0f counts", d, s.LineCounts, s.LineSigma)
			}
		}
		fmt.Println()
	}
}

func load(c *cube.Memory, channels spots.Range) *spots.Field {
	f, err := spots.Load(context.Background(), c, channels, 0, nil)
	if err != nil {
		log.Fatal(err)
	}
	return f
}
