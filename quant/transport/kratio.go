package transport

import (
	"context"
	"fmt"
	"math"

	"example.org/fleck/quant"
	"example.org/fleck/spectra/xray"
)

// Ratio is the k-ratio of one peak: what the specimen sends over what a bulk standard
// sends under the same beam, both simulated.
type Ratio struct {
	Intensity
	K, KErr  float64 // KErr from the number of trajectories
	Standard string
}

// KRatios simulates the specimen of cfg and the standards that its peaks need: of
// each element the first of standards that holds at least a hundredth of it by mass,
// the pure element without one. Standards are bulk and uncoated; their density does
// not matter and need not be known.
func KRatios(ctx context.Context, cfg Config, standards []xray.Material) ([]Ratio, error) {
	c, err := cfg.withDefaults()
	if err != nil {
		return nil, err
	}
	r, err := Run(ctx, c)
	if err != nil {
		return nil, err
	}
	var out []Ratio
	type bulk struct {
		material xray.Material
		peaks    []quant.Peak
		at       []int // in out
	}
	var needed []bulk
	for i, x := range r.Intensities {
		m := standardOf(x.Peak.Element, standards)
		out = append(out, Ratio{Intensity: x, Standard: m.Name})
		k := 0
		for k < len(needed) && needed[k].material.Name != m.Name {
			k++
		}
		if k == len(needed) {
			needed = append(needed, bulk{material: m})
		}
		needed[k].peaks = append(needed[k].peaks, x.Peak)
		needed[k].at = append(needed[k].at, i)
	}
	for _, b := range needed {
		got, err := Run(ctx, Config{
			Geometry: c.Geometry, Substrate: b.material, Peaks: b.peaks, Elastic: c.Elastic, Cutoff: c.Cutoff,
			Trajectories: c.Trajectories, Seed: c.Seed + 1, Workers: c.Workers,
		})
		if err != nil {
			return nil, fmt.Errorf("transport: standard %s: %w", b.material.Name, err)
		}
		for i, x := range got.Intensities {
			o := &out[b.at[i]]
			o.K, o.KErr = math.NaN(), math.NaN()
			if x.Emitted > 0 {
				o.K = o.Emitted / x.Emitted
				o.KErr = math.Hypot(o.EmittedErr, o.K*x.EmittedErr) / x.Emitted
			}
		}
	}
	return out, nil
}

// standardOf returns the standard of an element.
func standardOf(z xray.Element, standards []xray.Material) xray.Material {
	m := xray.Pure(z)
	for _, s := range standards {
		if s.Fraction(z) >= 0.01 {
			m = s
			break
		}
	}
	if !(m.Density > 0) {
		m.Density = 1
	}
	return m
}
