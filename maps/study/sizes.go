package study

import (
	"io"
	"math"

	fields "example.org/fleck/maps"
	"example.org/fleck/maps/figure"
	"example.org/fleck/spectra/poisson"
)

// sizeStep is the ratio of the borders of a bin of diameters: six bins per
// decade, wide enough to hold several spots each. Common practice, no source.
const sizeStep = 1.4678 // 10^(1/6)

// sizes draws the diameters of the target spots of treated and blank fields,
// with coverage intervals of their numbers (Garwood 1936); nothing where no spot
// has a diameter.
func (w *writer) sizes() error {
	all := [2][]float64{}
	low, high, smallest := math.Inf(1), 0.0, math.Inf(1)
	for i := range w.r.Fields {
		f := &w.r.Fields[i]
		side := 0
		switch f.Role {
		case fields.Untreated:
			side = 1
		case fields.Treated:
		default:
			continue
		}
		smallest = math.Min(smallest, f.Header.Pixel.X.Um())
		for _, s := range w.r.targetSpots(f.Spots.Spots) {
			if s.DiameterUm > 0 && !math.IsInf(s.DiameterUm, 1) {
				all[side] = append(all[side], s.DiameterUm)
				low, high = math.Min(low, s.DiameterUm), math.Max(high, s.DiameterUm)
			}
		}
	}
	if !(high > 0) || !w.scaled {
		return nil
	}
	d := figure.SizeData{Edges: []float64{math.Pow(10, math.Floor(6*math.Log10(low))/6)}, Resolution: smallest}
	for d.Edges[len(d.Edges)-1] <= high && len(d.Edges) < 60 {
		d.Edges = append(d.Edges, d.Edges[len(d.Edges)-1]*sizeStep)
	}
	level := w.r.Comparison.Options.Level
	for side, label := range []string{"treated", "blank"} {
		s := figure.SizeSeries{Label: label, Count: make([]float64, len(d.Edges)-1)}
		for _, v := range all[side] {
			for k := range s.Count {
				if v >= d.Edges[k] && v < d.Edges[k+1] {
					s.Count[k]++
				}
			}
		}
		for _, n := range s.Count {
			a, b := poisson.Garwood(int(n), level)
			s.Low, s.High = append(s.Low, a), append(s.High, b)
		}
		d.Series = append(d.Series, s)
	}
	d.Interval = percent(level) + " coverage interval"
	var err error
	w.figures.sizes, err = w.plot("sizes", func(out io.Writer, f figure.Format) error {
		return figure.SizeHistogram(out, d, figure.SizeOptions{Title: "Diameters of the spots of " + w.r.Target.Material.Name, LogSize: true, WidthMM: pageWidthMM, DPI: w.dpi, Format: f})
	})
	return err
}
