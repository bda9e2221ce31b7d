package study

import (
	"image/color"
	"math"
	"strings"

	"example.org/fleck/maps/figure"
	"example.org/fleck/maps/report"
	"example.org/fleck/spectra/fit"
)

// viewerBytes bounds what the viewer adds to the page, before it is packed as
// text (a third more), by its maps of one byte per pixel.
const viewerBytes = 4 << 20

// viewer is what readers can look at for themselves; nil without maps and
// spectra. Lines beyond the room for maps are left out, the last first.
func (w *writer) viewer() *report.Viewer {
	r := w.r
	fitter, err := r.Fit.Freeze()
	if err != nil || len(w.matter) == 0 {
		return nil
	}
	v := &report.Viewer{StepEV: r.Fit.Calibration.GainEV, FirstEV: float64(r.Fit.Calibration.Energy(float64(r.Fit.LowChannel)))}
	v.FocusLow, v.FocusHigh, _ = w.ownRange()
	if !(v.FocusHigh > v.FocusLow) {
		v.FocusLow, v.FocusHigh = v.FirstEV, v.FirstEV+v.StepEV*float64(len(r.Fit.Model)-1)
	}
	shapes := fitter.Shapes()
	for k, f := range r.Families {
		s := report.Shape{Name: f.String(), V: shapes[k]}
		if line, ok := fit.MainLine(f.Element, f.Family, r.Sum.BeamEnergy); ok {
			s.Line, s.EnergyEV = line.String(), float64(line.Energy)
		}
		v.Shapes = append(v.Shapes, s)
	}
	v.Shapes = append(v.Shapes, report.Shape{Name: "continuum", V: shapes[len(shapes)-1]})
	const colours = 201
	for i := range colours {
		v.Colours = append(v.Colours, figure.Sequential().At(float64(i)/(colours-1)))
	}
	v.Missing = color.RGBA{R: 206, G: 206, B: 206, A: 255}

	pixels := 0
	for _, f := range r.Fields {
		pixels += f.Header.Pixels()
	}
	lines := w.matter[:max(1, min(len(w.matter), viewerBytes/max(1, pixels)))]
	for _, m := range lines {
		v.Lines = append(v.Lines, report.ViewLine{Name: m.name, Why: m.why, High: m.scale.High})
	}
	for i := range r.Fields {
		v.Fields = append(v.Fields, w.viewField(&r.Fields[i], lines))
	}
	return v
}

func (w *writer) viewField(f *FieldResult, lines []mapped) report.ViewField {
	out := report.ViewField{Name: f.Name, Role: string(f.Role), Coupon: f.Coupon, Width: f.Header.Width, Height: f.Header.Height, PixelUm: math.NaN()}
	if f.Header.Pixel.Known() {
		out.PixelUm = f.Header.Pixel.X.Um()
	}
	for _, m := range lines {
		out.Maps = append(out.Maps, f.Maps.Stacks[m.family].Value.V)
	}
	e := f.Evidence
	if e == nil {
		return out
	}
	out.Sum, out.BlockPx, out.Columns = viewRegion(e.Sum), e.BlockPx, e.Columns
	for _, b := range e.Blocks {
		out.Blocks = append(out.Blocks, viewRegion(b))
	}
	for k, s := range f.Spots.Spots[:min(len(f.Spots.Spots), len(e.Spots), spotsOnPage)] {
		out.Spots = append(out.Spots, report.ViewSpot{ID: s.ID, XPx: s.XPx, YPx: s.YPx, RadiusPx: SpotRadiusPx(s), Verdict: spotWords(report.VerdictWords(s.Verdict), s.Compound),
			Class: strings.ReplaceAll(string(s.Verdict), "_", "-"), Region: viewRegion(e.Spots[k]), Around: e.Spots[k].Around, AroundPixels: e.Spots[k].AroundPixels})
	}
	return out
}

// spotsOnPage is how many spots of a field the page lists and shows.
const spotsOnPage = 100

func spotWords(verdict, compound string) string {
	if compound == "" {
		return verdict
	}
	return verdict + ", " + compound
}

func viewRegion(r Region) report.Region {
	net := append(append([]float64(nil), r.Fit.NetCounts...), r.Fit.Continuum)
	return report.Region{Pixels: r.Pixels, Counts: r.Counts, Net: net, Sigma: r.Fit.Sigma}
}
