package study

import (
	"cmp"
	"io"
	"math"
	"slices"
	"strings"

	fields "example.org/fleck/maps"
	"example.org/fleck/maps/figure"
	"example.org/fleck/maps/record"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/fit"
	"example.org/fleck/spectra/xray"
)

// drawn is a figure with its file name.
type drawn struct {
	data []byte
	file string
}

type panel struct {
	drawn
	of    mapped
	above int // pixels above the display range
}

// figures are what the page embeds.
type figures struct {
	panels     []panel
	spotMaps   []drawn
	spectrum   *drawn
	own        *drawn // around the target's own line
	comparison *drawn
	sizes      *drawn // diameters of target spots
}

// plot writes a figure as PNG, for the page, and as SVG beside it.
func (w *writer) plot(base string, draw func(out io.Writer, f figure.Format) error) (*drawn, error) {
	if _, err := w.file(base+".svg", func(out io.Writer) error { return draw(out, figure.SVG) }); err != nil {
		return nil, err
	}
	data, err := w.file(base+".png", func(out io.Writer) error { return draw(out, figure.PNG) })
	return &drawn{data, base + ".png"}, err
}

// spectrum writes the sum spectrum and draws it with the fit, then the
// comparison.
func (w *writer) spectrum() error {
	if _, err := w.file("sum_spectrum.msa", w.spectrumMSA); err != nil {
		return err
	}
	d := w.spectrumData()
	draw := func(base string, opt figure.SpectrumOptions) (*drawn, error) {
		return w.plot(base, func(out io.Writer, f figure.Format) error {
			opt.WidthMM, opt.DPI, opt.Format = pageWidthMM, w.dpi, f
			return figure.Spectrum(out, d, opt)
		})
	}
	var err error
	if w.figures.spectrum, err = draw("sum_spectrum", figure.SpectrumOptions{Title: "Sum spectrum of all fields", Log: true, HighEV: w.shownEnd()}); err != nil {
		return err
	}
	if low, high, ok := w.ownRange(); ok {
		opt := figure.SpectrumOptions{Title: "Sum spectrum around " + w.r.Target.Own, LowEV: low, HighEV: high, MaxCount: w.ownHeight()}
		if w.figures.own, err = draw("sum_spectrum_"+record.FileName(w.r.Target.Own), opt); err != nil {
			return err
		}
	}
	if w.r.Comparison == nil {
		return nil
	}
	w.figures.comparison, err = w.plot("comparison", func(out io.Writer, f figure.Format) error {
		return figure.Comparison(out, w.comparisonData(), figure.ComparisonOptions{Title: "Spots of " + w.r.Target.Material.Name, WidthMM: pageWidthMM, DPI: w.dpi, Format: f})
	})
	if err != nil {
		return err
	}
	return w.sizes()
}

// shownEnd is the energy where the spectrum ends: that of the fit.
func (w *writer) shownEnd() float64 {
	r := w.r.Fit
	last := r.LowChannel + len(r.Model) - 1
	return math.Min(r.Options.HighEV, float64(r.Calibration.Energy(float64(last))))
}

// ownRange is the stretch around the lines of the target's own family, two
// widths to either side.
func (w *writer) ownRange() (low, high float64, ok bool) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, f := range w.r.Fit.Families {
		if f.Family.String() != w.r.Target.Own {
			continue
		}
		for _, l := range f.Lines {
			if l.Counts < markWeight*f.NetCounts || l.Counts <= 0 {
				continue
			}
			reach := 2 * w.r.Fit.Detector.FWHM(l.Line.Energy)
			low, high = math.Min(low, float64(l.Line.Energy)-reach), math.Max(high, float64(l.Line.Energy)+reach)
		}
	}
	low, high = math.Max(low, w.r.Fit.Options.LowEV), math.Min(high, w.shownEnd())
	return low, high, high > low
}

// ownHeight is the upper end of the counts around the target's own family: half
// again as much as stands in its main line, so that a neighbour does not press
// it down; 0 when that is not known.
func (w *writer) ownHeight() float64 {
	r := w.r.Fit
	own, err := fit.ParseFamily(w.r.Target.Own)
	if err != nil {
		return 0
	}
	line, ok := fit.MainLine(own.Element, own.Family, w.r.Sum.BeamEnergy)
	if !ok {
		return 0
	}
	top := 0.0
	reach := r.Detector.FWHM(line.Energy)
	for c, n := range w.r.Sum.Counts {
		if math.Abs(float64(r.Calibration.Energy(float64(c))-line.Energy)) < reach {
			top = math.Max(top, n)
		}
	}
	return 1.5 * top
}

// shownElements is how many elements have a component of their own in the
// figure; the figure has six colours.
const shownElements = 5

// spectrumData is the sum spectrum with model, continuum, the strongest
// elements, the target's first, and marks.
func (w *writer) spectrumData() figure.SpectrumData {
	r := w.r.Fit
	n := len(w.r.Sum.Counts)
	d := figure.SpectrumData{Counts: w.r.Sum.Counts}
	for i := range n {
		d.EnergyEV = append(d.EnergyEV, float64(r.Calibration.Energy(float64(i))))
	}
	spread := func(part []float64) []float64 {
		full := make([]float64, n)
		for i := range full {
			full[i] = nan
		}
		copy(full[r.LowChannel:], part)
		return full
	}
	d.Model, d.Continuum = spread(r.Model), spread(r.Continuum)

	type element struct {
		z      xray.Element
		target bool
		net    float64
		model  []float64
	}
	var list []element
	for i, f := range r.Families {
		k := slices.IndexFunc(list, func(e element) bool { return e.z == f.Element })
		if k < 0 {
			k = len(list)
			list = append(list, element{z: f.Element, model: make([]float64, len(r.Model)), target: w.ownElement() == f.Element})
		}
		list[k].net += f.NetCounts
		for c, v := range r.FamilyModel(i) {
			list[k].model[c] += v
		}
	}
	slices.SortStableFunc(list, func(a, b element) int {
		if a.target != b.target {
			if a.target {
				return -1
			}
			return 1
		}
		return cmp.Compare(b.net, a.net)
	})
	rest := make([]float64, len(r.Model))
	for i, e := range list {
		if i < shownElements {
			d.Components = append(d.Components, figure.Component{Label: e.z.Symbol(), Counts: spread(e.model)})
			continue
		}
		for c, v := range e.model {
			rest[c] += v
		}
	}
	if len(list) > shownElements {
		d.Components = append(d.Components, figure.Component{Label: "other elements", Counts: spread(rest)})
	}
	for _, f := range r.Families {
		if f.NetCounts > 0 && f.Significance() > markSignificance {
			d.Marks = append(d.Marks, marksOf(f, r.Detector)...)
		}
	}
	d.Marks = append(d.Marks, w.escapeMarks()...)
	d.Marks = append(d.Marks, w.sumMarks()...)
	return d
}

// ownElement is the element of the target's own family.
func (w *writer) ownElement() xray.Element {
	z, _, err := xray.ParseFamily(w.r.Target.Own)
	if err != nil {
		return 0
	}
	return z
}

// markWeight is the share of a family from which a line is marked,
// markSignificance the significance of a family (common practice, no source).
const (
	markWeight       = 0.05
	markSignificance = 5
)

// escapeMarks marks escape peaks that stand out of the model by their own
// counting scatter.
func (w *writer) escapeMarks() []figure.Mark {
	r := w.r.Fit
	var out []figure.Mark
	for _, f := range r.Families {
		for _, m := range marksOf(f, r.Detector) {
			e := xray.Energy(m.EnergyEV)
			at := e - spectra.SiliconKEnergy
			area := m.Weight * r.Detector.EscapeRatio(e)
			c := int(math.Round(r.Calibration.Channel(at))) - r.LowChannel
			if area <= 0 || c < 0 || c >= len(r.Model) {
				continue
			}
			under := r.Model[c] * r.Detector.FWHM(at) / r.Calibration.GainEV
			if area > markSignificance*math.Sqrt(under) {
				out = append(out, figure.Mark{EnergyEV: float64(at), Label: m.Label + " escape", Artefact: true, Weight: area})
			}
		}
	}
	return out
}

// sumFamilies is how many of the strongest families are paired to look for sum
// peaks.
const sumFamilies = 4

// sumMarks marks the sum peaks that stand out: where the fitted sums of two
// events exceed their surroundings by more than the counting scatter of the
// model and are most of what stands above the continuum there.
func (w *writer) sumMarks() []figure.Mark {
	r := w.r.Fit
	if r.PileUp == nil {
		return nil
	}
	type peak struct {
		name     string
		energyEV float64
		weight   float64
	}
	var peaks []peak
	for _, f := range r.Families {
		for _, m := range marksOf(f, r.Detector) {
			if k := len(peaks) - 1; k >= 0 && peaks[k].name == f.Family.String() {
				if m.Weight > peaks[k].weight {
					peaks[k].energyEV, peaks[k].weight = m.EnergyEV, m.Weight
				}
				continue
			}
			peaks = append(peaks, peak{f.Family.String(), m.EnergyEV, m.Weight})
		}
	}
	slices.SortStableFunc(peaks, func(a, b peak) int { return cmp.Compare(b.weight, a.weight) })
	peaks = peaks[:min(sumFamilies, len(peaks))]
	var out []figure.Mark
	for i, a := range peaks {
		for _, b := range peaks[i:] {
			e := a.energyEV + b.energyEV
			width := int(math.Round(r.Detector.FWHM(xray.Energy(e)) / r.Calibration.GainEV))
			c := int(math.Round(r.Calibration.Channel(xray.Energy(e)))) - r.LowChannel
			if c-2*width < 0 || c+2*width >= len(r.PileUp) {
				continue
			}
			area, under, lines := 0.0, 0.0, 0.0
			for k := c - width/2; k <= c+width/2; k++ {
				area += r.PileUp[k] - (r.PileUp[c-2*width]+r.PileUp[c+2*width])/2
				under += r.Model[k]
				lines += r.Model[k] - r.Continuum[k] - r.PileUp[k]
			}
			if area > markSignificance*math.Sqrt(under) && area > lines {
				label := a.name + " + " + b.name + " sum"
				if a.name == b.name {
					label = "2 " + a.name + " sum"
				}
				out = append(out, figure.Mark{EnergyEV: e, Label: label, Artefact: true, Weight: area})
			}
		}
	}
	return out
}

// marksOf marks the stronger lines of a family; lines that the detector cannot
// separate share a mark.
func marksOf(f fit.FamilyResult, det spectra.Detector) []figure.Mark {
	var lines []fit.LineResult
	for _, l := range f.Lines {
		if l.Counts > 0 && l.Counts >= markWeight*f.NetCounts {
			lines = append(lines, l)
		}
	}
	slices.SortFunc(lines, func(a, b fit.LineResult) int { return cmp.Compare(a.Line.Energy, b.Line.Energy) })
	var marks []figure.Mark
	for len(lines) > 0 {
		n := 1
		for n < len(lines) && float64(lines[n].Line.Energy-lines[0].Line.Energy) < 0.6*det.FWHM(lines[0].Line.Energy) {
			n++
		}
		marks = append(marks, markOf(lines[:n]))
		lines = lines[n:]
	}
	return marks
}

// markOf is the mark of lines that lie under one peak, at their mean energy.
// Final levels of one shell are written together, as in K-L2,3.
func markOf(lines []fit.LineResult) figure.Mark {
	var m figure.Mark
	strongest := lines[0]
	for _, l := range lines {
		m.Weight += l.Counts
		m.EnergyEV += l.Counts * float64(l.Line.Energy)
		if l.Counts > strongest.Counts {
			strongest = l
		}
	}
	m.EnergyEV /= m.Weight
	m.Label = lineLabel(strongest.Line, lines)
	return m
}

func lineLabel(strongest xray.Line, lines []fit.LineResult) string {
	initial, final := strongest.Initial.String(), strongest.Final.String()
	var levels []string
	for _, l := range lines {
		if s := l.Line.Final.String(); l.Line.Initial.String() == initial && s[0] == final[0] && len(s) > 1 && !slices.Contains(levels, s[1:]) {
			levels = append(levels, s[1:])
		}
	}
	slices.Sort(levels)
	if len(levels) > 1 {
		return strongest.Element.Symbol() + " " + initial + "-" + final[:1] + strings.Join(levels, ",")
	}
	return strongest.String()
}

// comparisonData is the density of every field with the estimates of both
// sides.
func (w *writer) comparisonData() figure.ComparisonData {
	c := w.r.Comparison.Density
	d := figure.ComparisonData{Quantity: "density of target spots", Unit: w.densityUnit(), Groups: []figure.ComparisonGroup{
		{Label: "treated", Estimate: c.TreatedPerMm2, Low: c.TreatedLow, High: c.TreatedHigh},
		{Label: "blank", Estimate: c.BlankPerMm2, Low: c.BlankLow, High: c.BlankHigh},
	}}
	for i := range w.r.Fields {
		f := &w.r.Fields[i]
		k := 0
		switch f.Role {
		case fields.Untreated:
			k = 1
		case fields.Treated:
		default:
			continue
		}
		p := figure.ComparisonPoint{Coupon: f.Coupon, Value: nan}
		if f.Observation.AreaMm2 > 0 {
			p.Value = float64(f.Observation.Spots) / f.Observation.AreaMm2
		}
		d.Groups[k].Points = append(d.Groups[k].Points, p)
	}
	return d
}

// densityUnit is the unit of densities: without a pixel size, pixels count as
// 1 µm², so that a mm² is a million of them.
func (w *writer) densityUnit() string {
	if w.scaled {
		return "per mm²"
	}
	return "per 10⁶ pixels"
}
