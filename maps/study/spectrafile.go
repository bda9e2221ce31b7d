package study

import (
	"example.org/fleck/maps/record"
)

// spectraFile holds the spectra of the spots of a field with their fits.
func (w *writer) spectraFile(f *FieldResult) record.Object {
	r := w.r
	o := w.head()
	o.Set("field", f.Name)
	o.Number("energy_first_ev", float64(r.Fit.Calibration.Energy(float64(r.Fit.LowChannel))), "")
	o.Number("energy_step_ev", r.Fit.Calibration.GainEV, "")
	o.Set("channels", len(r.Fit.Model))
	o.Set("whole_field", w.regionObject(f.Evidence.Sum))
	rows := []record.Object{}
	for k, s := range f.Spots.Spots[:min(len(f.Spots.Spots), len(f.Evidence.Spots))] {
		e := f.Evidence.Spots[k]
		row := record.Of("id", s.ID)
		row.Number("radius_px", SpotRadiusPx(s), "")
		row = append(row, w.regionObject(e)...)
		row.Set("around_pixels", e.AroundPixels)
		if e.AroundPixels > 0 {
			row.Set("around_counts", wholeCounts(e.Around))
		} else {
			row.Set("around_counts", nil)
			row.Set("around_counts_reason", "no place around it that other spots leave free")
		}
		rows = append(rows, row)
	}
	o.Set("spots", rows)
	return o
}

func (w *writer) regionObject(e Region) record.Object {
	o := record.Of("pixels", e.Pixels, "counts", wholeCounts(e.Counts))
	net := []record.Object{}
	for k, f := range w.r.Families {
		row := record.Of("family", f.String())
		row.Number("net_counts", e.Fit.NetCounts[k], "the fit did not converge")
		row.Number("sigma", e.Fit.Sigma[k], "the fit gives none")
		net = append(net, row)
	}
	o.Set("net", net)
	o.Number("continuum", e.Fit.Continuum, "")
	o.Set("status", e.Fit.Status.String())
	return o
}

// wholeCounts returns counts as whole numbers.
func wholeCounts(counts []float64) []uint64 {
	out := make([]uint64, len(counts))
	for i, n := range counts {
		out[i] = uint64(n)
	}
	return out
}
