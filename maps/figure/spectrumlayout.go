package figure

import (
	"cmp"
	"fmt"
	"image/color"
	"math"
	"slices"
)

// spectrumLayout is a spectrum with every place decided.
type spectrumLayout struct {
	d             SpectrumData
	opt           SpectrumOptions
	width, height float64
	titleLines    []string
	legend        []flowRow
	legendTop     float64
	marks         []markPlace
	unlabelled    int
	main          plotArea
	xTicks        axisTicks
	yTicks        axisTicks
	rest          []float64 // residuals, nil without model
	lower         plotArea
	restTicks     axisTicks
	beyond        int // residuals outside the lower panel
	captionLines  []string
	captionTop    float64
}

// markPlace is a mark with the place of its label.
type markPlace struct {
	Mark
	x     float64 // on the energy axis
	label box     // zero if there was no room
	up    bool    // reads upwards
}

func (l *spectrumLayout) plan() {
	d := l.d
	inner := l.width - 2*margin
	l.titleLines = titleStyle.wrap(l.opt.Title, inner, 3)
	l.rest = d.residuals()

	low, high := d.countRange(l.opt.Log, l.opt.MaxCount)
	l.main.y = axis{low: low, high: high, log: l.opt.Log}
	limit := 5.0 // residual axis: at least ±5, at most ±10 sigma
	for _, r := range l.rest {
		if math.Abs(r) > limit {
			limit = math.Min(10, math.Abs(r)*1.05)
		}
	}
	for _, r := range l.rest {
		if math.Abs(r) > limit {
			l.beyond++
		}
	}

	// Widths: numbers of both panels, then the frame.
	const mainHeight, restHeight = 46 * mm, 15 * mm
	l.main.y.from, l.main.y.to = mainHeight, 0
	l.yTicks = l.main.y.ticks(7 * mm)
	if l.opt.Log {
		l.yTicks = l.main.y.ticks(6.5 * mm)
	}
	l.restTicks = axisTicks{ticks: []tick{{-3, "−3"}, {0, "0"}, {3, "+3"}}}
	left := margin + textSize*leading + tickWidth(l.yTicks) + tickLen + 3
	edges := d.edges()
	l.main.x0, l.main.x1 = left, l.width-margin-2*mm
	l.main.x = axis{low: edges[0] / 1000, high: edges[len(edges)-1] / 1000, from: l.main.x0, to: l.main.x1}
	l.xTicks = l.main.x.ticks(9 * mm).withMinor(l.main.x)

	// Heights from top to bottom: title, legend, labels, frame, residuals.
	y := margin + float64(len(l.titleLines))*titleSize*leading
	if len(l.titleLines) > 0 {
		y += 0.5 * mm
	}
	l.legendTop = y
	l.placeMarks()
	l.legend = flowItems(l.legendItems(), inner)
	y += float64(len(l.legend)) * flowStep
	band := 0.0
	for _, m := range l.marks {
		band = math.Max(band, -m.label.y0)
	}
	y += band + 0.8*mm
	for i := range l.marks {
		if m := &l.marks[i]; m.label != (box{}) {
			m.label.y0, m.label.y1 = m.label.y0+y, m.label.y1+y
		}
	}
	l.main.y0, l.main.y1 = y, y+mainHeight
	l.main.y.from, l.main.y.to = l.main.y1, l.main.y0
	y = l.main.y1
	if l.rest != nil {
		l.lower = plotArea{box: box{l.main.x0, y + 1.5*mm, l.main.x1, y + 1.5*mm + restHeight}, x: l.main.x}
		l.lower.y = axis{low: -limit, high: limit, from: l.lower.y1, to: l.lower.y0}
		y = l.lower.y1
	}
	y += tickLen + tickSize*leading + textSize*leading + 1
	l.captionTop = y
	l.captionLines = captionStyle.wrap(l.opt.Caption, inner, 12)
	l.height = y + float64(len(l.captionLines))*noteSize*leading + margin
}

// placeMarks places the labels relative to the top of the frame (y = 0): in
// rows, or upright if that places more.
func (l *spectrumLayout) placeMarks() {
	ranked := l.d.rankedMarks()
	at := make([]float64, len(ranked))
	widths := make([]float64, len(ranked))
	for i, m := range ranked {
		at[i] = l.main.x.at(m.EnergyEV / 1000)
		widths[i] = markStyle(m).width(m.Label)
		l.marks = append(l.marks, markPlace{Mark: m, x: at[i]})
	}
	const rows, rowHeight, space = 4, tickSize * leading, 2.0
	right := l.width - margin
	slots := placeRows(at, widths, margin, right, rows, space)
	inRows := 0
	for i, s := range slots {
		if s.ok {
			inRows++
			y1 := -float64(s.row)*rowHeight - 1.5*mm
			l.marks[i].label = box{s.left, y1 - tickSize, s.left + widths[i], y1}
		}
	}
	if inRows == len(ranked) {
		return
	}
	// Upright: as many of the most important as fit side by side.
	const step = tickSize * 1.08
	n := min(len(ranked), 1+int((right-l.main.x0)/step))
	order := make([]int, n)
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(i, j int) int { return cmp.Compare(at[i], at[j]) })
	sorted := make([]float64, n)
	for k, i := range order {
		sorted[k] = at[i]
	}
	places := spread(sorted, step, l.main.x0+step/2, right-step/2)
	for len(places) == 0 && n > 0 { // rounding: one fewer
		n--
		order = slices.DeleteFunc(order, func(i int) bool { return i == n })
		sorted = sorted[:0]
		for _, i := range order {
			sorted = append(sorted, at[i])
		}
		places = spread(sorted, step, l.main.x0+step/2, right-step/2)
	}
	if len(places) <= inRows {
		l.unlabelled = len(ranked) - inRows
		return
	}
	l.unlabelled = len(ranked) - n
	for i := range l.marks {
		l.marks[i].label = box{}
	}
	longest := 26 * mm
	for k, i := range order {
		m := &l.marks[i]
		m.Label = markStyle(m.Mark).cut(m.Label, longest)
		w := markStyle(m.Mark).width(m.Label)
		m.up = true
		m.label = box{places[k] - tickSize/2, -5*mm - w, places[k] + tickSize/2, -5 * mm}
	}
}

func markStyle(m Mark) style {
	if m.Artefact {
		return style{size: tickSize, italic: true, colour: purple}
	}
	return style{size: tickSize}
}

func (l *spectrumLayout) legendItems() []legendItem {
	items := []legendItem{lineSample(dataLine, "measured")}
	if l.d.Model != nil {
		items = append(items, lineSample(modelLine, "model"))
	}
	if l.d.Continuum != nil {
		items = append(items, lineSample(continuumLine, "continuum"))
	}
	const most = 9
	for i, c := range l.d.Components {
		if i == most && len(l.d.Components) > most+1 {
			items = append(items, legendItem{0, nil, fmt.Sprintf("+%d more parts", len(l.d.Components)-most)})
			break
		}
		fill, line := componentStyle(i)
		items = append(items, areaSample(fill, line, c.Label))
	}
	for _, m := range l.marks {
		if m.Artefact {
			items = append(items, lineSample(markLine(m.Mark), "artefact"))
			break
		}
	}
	if l.unlabelled > 0 {
		items = append(items, legendItem{0, nil, fmt.Sprintf("+%d unlabelled marks", l.unlabelled)})
	}
	return items
}

func componentStyle(i int) (fill color.RGBA, line stroke) {
	c := componentColours[i%len(componentColours)]
	line = stroke{colour: c, width: 0.6}
	if i >= len(componentColours) {
		line.dash = []float64{1.5, 1}
	}
	return tint(c, 0.35), line
}

func markLine(m Mark) stroke {
	if m.Artefact {
		return stroke{colour: purple, width: 0.5, dash: []float64{1.2, 1.2}}
	}
	return stroke{colour: color.RGBA{140, 140, 140, 255}, width: 0.45}
}
