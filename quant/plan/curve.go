package plan

import (
	"context"
	"fmt"
	"math"
	"slices"

	"example.org/fleck/spectra/xray"
)

// Curve is the dose that particles of rising diameter need to be seen at one beam
// energy.
type Curve struct {
	Beam      xray.Energy
	Diameters []float64 // m
	Doses     []float64 // nA·s per pixel or point, +Inf where none is enough
	Families  []string  // that the particle is found by, "" where none is
}

// curvePoints is the number of diameters of a curve.
const curvePoints = 13

// Curves returns a curve for each beam energy of the request, on its first
// substrate with its first coating, over diameters from a third of the smallest of
// the request to three times the largest, as far as they fit into the pixel.
func Curves(ctx context.Context, req Request) ([]Curve, error) {
	r, err := req.withDefaults()
	if err != nil {
		return nil, err
	}
	low, high := slices.Min(r.Diameters)/3, slices.Max(r.Diameters)*3
	if r.PixelM > 0 {
		high = math.Min(high, r.PixelM)
	}
	high = math.Min(high, largestDiameter)
	r.Diameters = nil
	for i := range curvePoints {
		d := low * math.Pow(high/low, float64(i)/(curvePoints-1))
		r.Diameters = append(r.Diameters, math.Min(d, high))
	}
	r.Confusers = nil
	var out []Curve
	for i, beam := range slices.Sorted(slices.Values(r.Beams)) {
		cases, err := r.cases(ctx, setting{r.Substrates[0], r.Coatings[0], beam})
		if err != nil {
			return nil, fmt.Errorf("plan: curve at %g keV: %w", beam.KeV(), err)
		}
		c := Curve{Beam: beam, Diameters: slices.Clone(r.Diameters)}
		for _, x := range cases {
			c.Doses = append(c.Doses, x.Dose)
			c.Families = append(c.Families, x.Family)
		}
		out = append(out, c)
		if r.Progress != nil {
			r.Progress(i+1, len(r.Beams))
		}
	}
	return out, nil
}
