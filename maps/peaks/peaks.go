// Package peaks makes net-count maps: it fits every pixel of a count cube with
// the shapes frozen from the field's sum spectrum.
//
// Loops run over pixels; the fit itself belongs to spectra/fit. Results do not
// depend on the number of workers.
package peaks

import (
	"context"
	"fmt"
	"math"

	"example.org/fleck/maps"
	"example.org/fleck/maps/cube"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/fit"
)

// Options steer Fit. The zero value works.
type Options struct {
	Workers  int // 0 = all cores
	Progress func(done, total int)
}

// Result holds one Stack per family, in the order of the Fitter, and what was
// common to all.
type Result struct {
	Families  []fit.Family
	Stacks    []maps.Stack
	Continuum maps.Map // counts
	Empty     int      // pixels without counts
	NotFitted int      // pixels that did not converge
}

// SumSpectrum turns the sums of a cube into a spectrum with the cube's scale
// and conditions.
func SumSpectrum(h cube.Header, sum []uint64) *spectra.Spectrum {
	s := &spectra.Spectrum{Title: h.Title, Calibration: h.Calibration, Conditions: h.Conditions, Counts: make([]float64, len(sum))}
	for i, n := range sum {
		s.Counts[i] = float64(n)
	}
	return s
}

// Fit fits every pixel of src. The cube must have the channels and the energy
// scale that the Fitter was frozen on; another number of channels is an error.
// A pixel without counts in the fitted range has the status Empty, the value 0
// and a one-sided uncertainty of one count.
func Fit(ctx context.Context, src cube.Source, f *fit.Fitter, opt Options) (*Result, error) {
	h := src.Header()
	if n := f.SpectrumChannels(); n != h.Channels {
		return nil, fmt.Errorf("peaks: the cube has %d channels, the model was made on a spectrum of %d; take the model from the cube's own sum spectrum", h.Channels, n)
	}
	r := &Result{Families: f.Families, Continuum: newMap(h, "continuum", "counts")}
	for _, fam := range f.Families {
		r.Stacks = append(r.Stacks, maps.Stack{
			Value:  newMap(h, fam.String()+" net counts", "counts"),
			Sigma:  newMap(h, fam.String()+" standard uncertainty", "counts"),
			Status: make([]maps.Status, h.Width*h.Height),
		})
	}
	empty, failed := make([]int, h.Height), make([]int, h.Height)
	err := cube.Each(ctx, src, opt.Workers, func() func(y int, row []uint32) error {
		var sc fit.Scratch
		var px fit.PixelResult
		return func(y int, row []uint32) error {
			for x := 0; x < h.Width; x++ {
				f.FitRow(&px, row[x*h.Channels:(x+1)*h.Channels], &sc)
				i := y*h.Width + x
				status := maps.OK
				switch px.Status {
				case fit.Empty:
					status = maps.Empty
					empty[y]++
				case fit.NotConverged:
					status = maps.NotConverged
					failed[y]++
					if math.IsNaN(px.Deviance) {
						status = maps.Failed
					}
				}
				for k := range r.Stacks {
					r.Stacks[k].Value.V[i] = px.NetCounts[k]
					r.Stacks[k].Sigma.V[i] = px.Sigma[k]
					r.Stacks[k].Status[i] = status
				}
				r.Continuum.V[i] = px.Continuum
			}
			return nil
		}
	}, opt.Progress)
	if err != nil {
		return nil, err
	}
	for y := range empty {
		r.Empty += empty[y]
		r.NotFitted += failed[y]
	}
	return r, nil
}

func newMap(h cube.Header, what, unit string) maps.Map {
	m := maps.New(h.Width, h.Height)
	m.What, m.Unit, m.Pixel = what, unit, h.Pixel
	return m
}
