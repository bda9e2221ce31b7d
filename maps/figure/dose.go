package figure

import (
	"fmt"
	"io"
	"math"
)

// DoseData is the dose that a particle needs to be seen, against its diameter.
type DoseData struct {
	Curves []DoseCurve
	// Available is the dose at hand, nA·s, drawn as a level; 0 for none.
	Available float64
	DoseLabel string // title of the upright axis, "" means "dose to be seen (nA·s)"
}

// DoseCurve is one way to measure, such as a beam energy. Diameters rise; a dose
// that is NaN or infinite means that none is enough, and leaves a gap.
type DoseCurve struct {
	Label      string
	DiameterNM []float64
	DoseNAs    []float64
}

// DoseOptions are the options of Dose.
type DoseOptions struct {
	Title   string
	Caption string
	Format  Format
	WidthMM float64
	DPI     int
}

const maxCurves = 6

// doseStrokes are the lines of the curves, told apart by colour and by dashes.
var doseStrokes = [maxCurves]stroke{
	{colour: blue, width: 1.3}, {colour: vermilion, width: 1.3, dash: []float64{6, 2}}, {colour: green, width: 1.3, dash: []float64{2, 1.5}},
	{colour: purple, width: 1.3, dash: []float64{7, 2, 1.5, 2}}, {colour: softBlack, width: 1.3, dash: []float64{4, 4}}, {colour: skyBlue, width: 1.3, dash: []float64{1, 3}},
}

var levelLine = stroke{colour: midGrey, width: 0.8}

// Dose draws the curves on logarithmic axes. Below the level of the available dose
// a particle is seen.
//
// No curve, more than six, diameters that do not rise from above 0, doses not above
// 0, slices of unequal length and no finite dose at all are errors.
func Dose(w io.Writer, d DoseData, opt DoseOptions) error {
	if err := opt.Format.check(); err != nil {
		return err
	}
	widthMM, dpi, err := pageSize(opt.WidthMM, opt.DPI)
	if err != nil {
		return err
	}
	xs, ys, err := d.ranges()
	if err != nil {
		return err
	}
	width := widthMM * mm
	inner := width - 2*margin
	titleLines := titleStyle.wrap(opt.Title, inner, 3)
	var items []legendItem
	for k, c := range d.Curves {
		items = append(items, lineSample(doseStrokes[k], c.Label))
	}
	if d.Available > 0 {
		items = append(items, lineSample(levelLine, fmt.Sprintf("available: %s nA·s", number(d.Available, -1, false))))
	}
	legend := flowItems(items, inner)
	legendTop := margin + float64(len(titleLines))*titleSize*leading + 0.5*mm
	var a plotArea
	a.y0 = legendTop + float64(len(legend))*flowStep + 1*mm
	a.y1 = a.y0 + 55*mm
	a.y = axis{low: ys[0], high: ys[1], from: a.y1, to: a.y0, log: true}
	yTicks := a.y.ticks(7 * mm)
	a.x0 = margin + textSize*leading + tickWidth(yTicks) + tickLen + 3
	a.x1 = width - margin - 2*mm
	a.x = axis{low: xs[0], high: xs[1], from: a.x0, to: a.x1, log: true}
	xTicks := a.x.ticks(9 * mm)
	captionTop := a.y1 + tickLen + tickSize*leading + textSize*leading + 2
	captionLines := captionStyle.wrap(opt.Caption, inner, 12)

	p, err := newPage(width, captionTop+float64(len(captionLines))*noteSize*leading+margin, dpi, opt.Format)
	if err != nil {
		return err
	}
	p.lines(margin, margin, 0, titleStyle, titleLines)
	p.drawFlow(legend, legendTop)
	if d.Available > 0 {
		y := a.y.at(d.Available)
		p.line(levelLine, point{a.x0, y}, point{a.x1, y})
	}
	p.frame(a.box, axisLine)
	for k, c := range d.Curves {
		p.doseCurve(a, doseStrokes[k], c)
	}
	p.drawX(a, xTicks, false)
	p.drawY(a, yTicks)
	st := style{size: textSize}
	p.textUp(point{margin + textSize, (a.y0 + a.y1) / 2}, 0.5, st, st.cut(firstOf(d.DoseLabel, "dose to be seen (nA·s)"), a.y1-a.y0))
	p.text(point{(a.x0 + a.x1) / 2, a.y1 + tickLen + tickSize*leading + textSize*0.95}, 0.5, st, st.cut("particle diameter (nm)", a.x1-a.x0))
	p.lines(margin, captionTop, 0, captionStyle, captionLines)
	return p.write(w, d.notes(opt))
}

// doseCurve draws a curve with a dot at each of its diameters.
func (p *page) doseCurve(a plotArea, s stroke, c DoseCurve) {
	var run []point
	end := func() {
		p.line(s, run...)
		for _, q := range run {
			p.fill(s.colour, polygonOf(q, 0.55*mm, 48, 0))
		}
		run = nil
	}
	for i, v := range c.DoseNAs {
		if !finite(v) {
			end()
			continue
		}
		run = append(run, a.clip(point{a.x.at(c.DiameterNM[i]), a.y.at(v)}))
	}
	end()
}

// ranges checks the data and returns the ends of the axes.
func (d DoseData) ranges() (x, y [2]float64, err error) {
	if len(d.Curves) < 1 || len(d.Curves) > maxCurves {
		return x, y, fmt.Errorf("figure: %d curves of dose, want 1 to %d", len(d.Curves), maxCurves)
	}
	if !(d.Available >= 0) || math.IsInf(d.Available, 0) {
		return x, y, fmt.Errorf("figure: available dose %g, want a finite number not below 0", d.Available)
	}
	x, y = [2]float64{math.Inf(1), 0}, [2]float64{math.Inf(1), 0}
	widen := func(r *[2]float64, v float64) { r[0], r[1] = math.Min(r[0], v), math.Max(r[1], v) }
	for _, c := range d.Curves {
		if len(c.DiameterNM) < 2 || len(c.DiameterNM) != len(c.DoseNAs) {
			return x, y, fmt.Errorf("figure: curve %q has %d diameters and %d doses, want as many of both and at least 2", c.Label, len(c.DiameterNM), len(c.DoseNAs))
		}
		for i, v := range c.DiameterNM {
			if !finite(v) || !(v > 0) || i > 0 && !(v > c.DiameterNM[i-1]) {
				return x, y, fmt.Errorf("figure: curve %q: diameter %d is %g, want rising from above 0", c.Label, i, v)
			}
			widen(&x, v)
			switch n := c.DoseNAs[i]; {
			case n <= 0:
				return x, y, fmt.Errorf("figure: curve %q: dose %d is %g, want above 0", c.Label, i, n)
			case finite(n):
				widen(&y, n)
			}
		}
	}
	if y[1] == 0 {
		return x, y, fmt.Errorf("figure: no dose is enough for any curve: nothing to draw")
	}
	if d.Available > 0 {
		widen(&y, d.Available)
	}
	x[0], x[1] = x[0]/1.1, x[1]*1.1
	y[0], y[1] = y[0]/1.6, y[1]*1.6
	return x, y, nil
}

func (d DoseData) notes(opt DoseOptions) notes {
	n := notes{title: clean(firstOf(opt.Title, "dose against particle diameter"))}
	add := func(format string, a ...any) { n.description = append(n.description, fmt.Sprintf(format, a...)) }
	add("quantity: %s against particle diameter in nm", clean(firstOf(d.DoseLabel, "dose to be seen in nA·s")))
	for _, c := range d.Curves {
		add("curve %s: %d diameters from %g to %g nm", clean(c.Label), len(c.DiameterNM), c.DiameterNM[0], c.DiameterNM[len(c.DiameterNM)-1])
	}
	if d.Available > 0 {
		add("available dose: %g nA·s", d.Available)
	}
	if opt.Caption != "" {
		add("caption: %s", clean(opt.Caption))
	}
	return n
}
