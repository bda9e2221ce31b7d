package figure

import (
	"fmt"
	"image/color"
	"math"
	"slices"
)

func (l *spectrumLayout) draw(p *page) {
	p.lines(margin, margin, 0, titleStyle, l.titleLines)
	p.drawFlow(l.legend, l.legendTop)
	d, a := l.d, l.main
	edges := d.edges()

	for i, c := range d.Components {
		fill, line := componentStyle(i)
		p.component(a, edges, d.Continuum, c.Counts, fill, line)
	}
	p.marks(l)
	p.steps(dataLine, a, edges, d.Counts)
	if d.Continuum != nil {
		p.curve(continuumLine, a, d.EnergyEV, d.Continuum)
	}
	if d.Model != nil {
		p.curve(modelLine, a, d.EnergyEV, d.Model)
	}
	p.frame(a.box, axisLine)
	p.drawY(a, l.yTicks)
	p.drawX(a, l.xTicks, l.rest != nil)
	yTitle := l.yTicks.withPower("counts per channel")
	if l.opt.Log {
		yTitle += " (log scale)"
	}
	p.textUp(point{margin + textSize, (a.y0 + a.y1) / 2}, 0.5, style{size: textSize}, yTitle)

	bottom := a
	if l.rest != nil {
		p.residuals(l, edges)
		bottom = l.lower
	}
	y := bottom.y1 + tickLen + tickSize*leading + textSize*0.95
	p.text(point{(a.x0 + a.x1) / 2, y}, 0.5, style{size: textSize}, l.xTicks.withPower("X-ray energy (keV)"))
	p.lines(margin, l.captionTop, 0, captionStyle, l.captionLines)
}

// steps draws a stepped line over channels; NaN leaves a gap.
func (p *page) steps(s stroke, a plotArea, edges, v []float64) {
	var run []point
	for i, n := range v {
		if math.IsNaN(n) {
			p.line(s, run...)
			run = run[:0]
			continue
		}
		y := a.y.at(n)
		run = append(run, a.clip(point{a.x.at(edges[i] / 1000), y}), a.clip(point{a.x.at(edges[i+1] / 1000), y}))
	}
	p.line(s, run...)
}

// curve draws a line through channel centres; NaN leaves a gap.
func (p *page) curve(s stroke, a plotArea, energyEV, v []float64) {
	var run []point
	for i, n := range v {
		if math.IsNaN(n) {
			p.line(s, run...)
			run = run[:0]
			continue
		}
		run = append(run, a.clip(point{a.x.at(energyEV[i] / 1000), a.y.at(n)}))
	}
	p.line(s, run...)
}

// component fills the area between the continuum and the continuum plus the
// component, where the component can be seen.
func (p *page) component(a plotArea, edges, base, v []float64, fill color.RGBA, line stroke) {
	var top, under []point
	flush := func() {
		if len(top) > 1 {
			shape := slices.Clone(top)
			for i := len(under) - 1; i >= 0; i-- {
				shape = append(shape, under[i])
			}
			p.fill(fill, shape)
			p.line(line, top...)
		}
		top, under = top[:0], under[:0]
	}
	for i, n := range v {
		b := 0.0
		if base != nil {
			b = base[i]
		}
		x := a.x.at((edges[i] + edges[i+1]) / 2000)
		q, r := a.clip(point{x, a.y.at(b + n)}), a.clip(point{x, a.y.at(b)})
		if math.IsNaN(n+b) || math.Abs(q.y-r.y) < 0.15 { // thinner than a hair
			flush()
			continue
		}
		top, under = append(top, q), append(under, r)
	}
	flush()
}

// marks draws the labels above the frame and their lines down to the spectrum.
func (p *page) marks(l *spectrumLayout) {
	a := l.main
	for _, m := range l.marks {
		i, _ := slices.BinarySearch(l.d.EnergyEV, m.EnergyEV)
		end := a.y0 + 1.2*mm
		if h := l.d.top(min(i, len(l.d.Counts)-1)); finite(h) {
			end = math.Max(end, a.clip(point{0, a.y.at(h)}).y-1)
		}
		s := markLine(m.Mark)
		if m.label == (box{}) {
			p.line(s, point{m.x, a.y0}, point{m.x, math.Min(end, a.y0+2*mm)})
			continue
		}
		st := markStyle(m.Mark)
		if m.up {
			mid := (m.label.x0 + m.label.x1) / 2
			p.line(s, point{mid, m.label.y1 + 1}, point{mid, m.label.y1 + 1.2*mm}, point{m.x, a.y0 - 0.8*mm}, point{m.x, end})
			p.textUp(point{mid + capHeight*tickSize/2, m.label.y1}, 0, st, m.Label)
			continue
		}
		p.line(s, point{m.x, m.label.y1 + 1}, point{m.x, end})
		p.text(point{m.label.x0, m.label.y1 - 1}, 0, st, m.Label)
	}
}

// residuals draws the lower panel.
func (p *page) residuals(l *spectrumLayout, edges []float64) {
	a := l.lower
	p.fillBox(box{a.x0, a.y.at(3), a.x1, a.y.at(-3)}, color.RGBA{244, 244, 244, 255})
	for _, v := range []float64{-3, 3} {
		p.line(guideLine, point{a.x0, a.y.at(v)}, point{a.x1, a.y.at(v)})
	}
	p.line(stroke{colour: vermilion, width: 0.6}, point{a.x0, a.y.at(0)}, point{a.x1, a.y.at(0)})
	p.steps(stroke{colour: dataLine.colour, width: 0.45}, a, edges, l.rest)
	for i, r := range l.rest { // values beyond the panel point outwards
		if !(math.Abs(r) > a.y.high) {
			continue
		}
		x := a.x.at(l.d.EnergyEV[i] / 1000)
		tip, foot := a.y0, a.y0+1.1*mm
		if r < 0 {
			tip, foot = a.y1, a.y1-1.1*mm
		}
		p.fill(vermilion, []point{{x, tip}, {x - 0.6*mm, foot}, {x + 0.6*mm, foot}})
	}
	p.frame(a.box, axisLine)
	p.drawY(a, l.restTicks)
	p.drawX(a, l.xTicks, false)
	p.textUp(point{margin + textSize, (a.y0 + a.y1) / 2}, 0.5, style{size: textSize}, "residual (σ)")
	if l.beyond > 0 {
		text := fmt.Sprintf("%s beyond ±%s σ", plural(l.beyond, "channel"), number(a.y.high, 0, false))
		st := style{size: noteSize, colour: softBlack}
		p.haloText(point{a.x1 - 2, a.y0 + noteSize + 0.5}, 1, st, text)
	}
}
