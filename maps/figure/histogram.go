package figure

import (
	"fmt"
	"image/color"
	"io"
	"math"
)

// SizeData is a histogram of sizes: numbers of spots per bin.
type SizeData struct {
	Quantity   string    // "" means "equivalent circle diameter"
	Unit       string    // "" means "µm"
	Edges      []float64 // n+1 rising borders of n bins
	Series     []SizeSeries
	CountLabel string  // title of the upright axis, "" means "number of spots"
	Interval   string  // what Low and High are, "" means "95 % coverage interval"
	Resolution float64 // sizes below it are not resolved and drawn shaded; 0 for none
}

// SizeSeries is one group of spots. Low and High are the ends of an interval for
// each bin, e.g. Garwood's for a Poisson mean, nil for none; they are the
// caller's.
type SizeSeries struct {
	Label     string
	Count     []float64
	Low, High []float64
}

// SizeOptions are the options of SizeHistogram.
type SizeOptions struct {
	Title   string
	Caption string
	LogSize bool // logarithmic axis of sizes
	Format  Format
	WidthMM float64
	DPI     int
}

const maxSeries = 4

// SizeHistogram draws numbers per bin as columns, the series side by side between the
// borders of the bin, each with the interval that the caller gives. Empty bins keep their interval, which
// tells what an empty bin still allows.
//
// Edges that do not rise, slices of unequal length, negative or non-finite
// numbers and more than four series are errors.
func SizeHistogram(w io.Writer, d SizeData, opt SizeOptions) error {
	if err := opt.Format.check(); err != nil {
		return err
	}
	widthMM, dpi, err := pageSize(opt.WidthMM, opt.DPI)
	if err != nil {
		return err
	}
	if err := d.check(opt.LogSize); err != nil {
		return err
	}
	d.Quantity = firstOf(d.Quantity, "equivalent circle diameter")
	d.Unit = firstOf(d.Unit, "µm")
	d.Interval = firstOf(d.Interval, "95 % coverage interval")
	d.CountLabel = firstOf(d.CountLabel, "number of spots")

	width := widthMM * mm
	inner := width - 2*margin
	titleLines := titleStyle.wrap(opt.Title, inner, 3)
	var items []legendItem
	for k, s := range d.Series {
		g := groupStyles[k]
		items = append(items, areaSample(columnFill(k), stroke{colour: g.colour, width: 0.8}, s.Label))
	}
	for _, s := range d.Series {
		if s.Low != nil {
			items = append(items, legendItem{3 * mm, func(p *page, left point) {
				p.errorBar(left.x+1.5*mm, left.y-1.3*mm, left.y+1.3*mm, softBlack)
			}, d.Interval})
			break
		}
	}
	if d.Resolution > 0 {
		items = append(items, areaSample(unresolvedFill, stroke{colour: paleGrey, width: 0.5}, "not resolved"))
	}
	legend := flowItems(items, inner)

	high := 0.0
	for _, s := range d.Series {
		for i, v := range s.Count {
			high = math.Max(high, v)
			if s.High != nil {
				high = math.Max(high, s.High[i])
			}
		}
	}
	if high == 0 {
		high = 1
	}
	y := margin + float64(len(titleLines))*titleSize*leading + 0.5*mm
	legendTop := y
	y += float64(len(legend))*flowStep + 1*mm
	var a plotArea
	a.y0, a.y1 = y, y+42*mm
	a.y = axis{low: 0, high: high * 1.06, from: a.y1, to: a.y0}
	yTicks := a.y.ticks(6 * mm)
	a.x0 = margin + textSize*leading + tickWidth(yTicks) + tickLen + 3
	a.x1 = width - margin - 2*mm
	n := len(d.Edges) - 1
	a.x = axis{low: d.Edges[0], high: d.Edges[n], from: a.x0, to: a.x1, log: opt.LogSize}
	xTicks := a.x.ticks(9 * mm)
	captionTop := a.y1 + tickLen + tickSize*leading + textSize*leading + 2
	captionLines := captionStyle.wrap(opt.Caption, inner, 12)

	p, err := newPage(width, captionTop+float64(len(captionLines))*noteSize*leading+margin, dpi, opt.Format)
	if err != nil {
		return err
	}
	p.lines(margin, margin, 0, titleStyle, titleLines)
	p.drawFlow(legend, legendTop)
	if d.Resolution > d.Edges[0] {
		x := math.Min(a.x1, a.x.at(d.Resolution))
		p.fillBox(box{a.x0, a.y0, x, a.y1}, unresolvedFill)
		p.line(guideLine, point{x, a.y0}, point{x, a.y1})
	}
	p.columns(a, d)
	p.frame(a.box, axisLine)
	p.drawX(a, xTicks, false)
	p.drawY(a, yTicks)
	st := style{size: textSize}
	p.textUp(point{margin + textSize, (a.y0 + a.y1) / 2}, 0.5, st, st.cut(yTicks.withPower(d.CountLabel), a.y1-a.y0))
	title := d.Quantity + " (" + xTicks.withPower(d.Unit) + ")"
	p.text(point{(a.x0 + a.x1) / 2, a.y1 + tickLen + tickSize*leading + textSize*0.95}, 0.5, st, st.cut(title, a.x1-a.x0))
	p.lines(margin, captionTop, 0, captionStyle, captionLines)
	return p.write(w, d.notes(opt))
}

var unresolvedFill = color.RGBA{236, 236, 236, 255}

func columnFill(k int) color.RGBA {
	return tint(groupStyles[k].colour, [maxSeries]float64{0.55, 0.4, 0.5, 0.35}[k])
}

// columns draws the columns and intervals of all bins.
func (p *page) columns(a plotArea, d SizeData) {
	n := len(d.Series)
	for i := range len(d.Edges) - 1 {
		x0, x1 := a.x.at(d.Edges[i]), a.x.at(d.Edges[i+1])
		if i > 0 && n > 1 { // which columns stand for the same sizes
			p.line(guideLine, point{x0, a.y0}, point{x0, a.y1})
		}
		room := 0.06 * (x1 - x0)
		wide := (x1 - x0 - 2*room) / float64(n)
		for k, s := range d.Series {
			left := x0 + room + float64(k)*wide
			b := box{left, a.y.at(s.Count[i]), left + wide, a.y1}
			if s.Count[i] > 0 {
				p.fillBox(b, columnFill(k))
				p.frame(b, stroke{colour: groupStyles[k].colour, width: 0.8})
			}
			if s.Low != nil {
				p.errorBar((b.x0+b.x1)/2, a.y.at(s.High[i]), a.y.at(s.Low[i]), groupStyles[k].colour)
			}
		}
	}
}

// errorBar draws an upright interval with end marks.
func (p *page) errorBar(x, top, bottom float64, c color.RGBA) {
	s := stroke{colour: c, width: 0.9}
	p.line(s, point{x, top}, point{x, bottom})
	for _, y := range []float64{top, bottom} {
		p.line(s, point{x - 0.6*mm, y}, point{x + 0.6*mm, y})
	}
}

func (d SizeData) check(log bool) error {
	n := len(d.Edges) - 1
	if n < 1 {
		return fmt.Errorf("figure: histogram with %d edges, want at least 2", len(d.Edges))
	}
	for i, e := range d.Edges {
		if !finite(e) || i > 0 && !(e > d.Edges[i-1]) {
			return fmt.Errorf("figure: histogram edge %d is %g, want finite and rising", i, e)
		}
	}
	if log && d.Edges[0] <= 0 {
		return fmt.Errorf("figure: logarithmic sizes from %g, want above 0", d.Edges[0])
	}
	if math.IsNaN(d.Resolution) || math.IsInf(d.Resolution, 0) || d.Resolution < 0 {
		return fmt.Errorf("figure: resolution %g, want 0 or a size", d.Resolution)
	}
	if len(d.Series) < 1 || len(d.Series) > maxSeries {
		return fmt.Errorf("figure: histogram of %d series, want 1 to %d", len(d.Series), maxSeries)
	}
	for _, s := range d.Series {
		if len(s.Count) != n {
			return fmt.Errorf("figure: series %q has %d numbers for %d bins", s.Label, len(s.Count), n)
		}
		if (s.Low == nil) != (s.High == nil) || s.Low != nil && (len(s.Low) != n || len(s.High) != n) {
			return fmt.Errorf("figure: series %q has %d lower and %d upper ends for %d bins", s.Label, len(s.Low), len(s.High), n)
		}
		for i, v := range s.Count {
			if !finite(v) || v < 0 {
				return fmt.Errorf("figure: series %q: number %g in bin %d, want finite and not negative", s.Label, v, i)
			}
			if s.Low != nil && !(finite(s.High[i]) && s.Low[i] >= 0 && s.Low[i] <= s.High[i]) {
				return fmt.Errorf("figure: series %q: interval %g to %g in bin %d, want finite, rising and not negative", s.Label, s.Low[i], s.High[i], i)
			}
		}
	}
	return nil
}

func (d SizeData) notes(opt SizeOptions) notes {
	n := notes{title: clean(firstOf(opt.Title, d.CountLabel+" by "+d.Quantity))}
	add := func(format string, a ...any) { n.description = append(n.description, fmt.Sprintf(format, a...)) }
	add("quantity: %s per bin of %s", clean(d.CountLabel), clean(d.Quantity))
	add("unit: %s", clean(d.Unit))
	add("bins: %d from %g to %g %s", len(d.Edges)-1, d.Edges[0], d.Edges[len(d.Edges)-1], clean(d.Unit))
	for _, s := range d.Series {
		sum := 0.0
		for _, v := range s.Count {
			sum += v
		}
		add("series %s: %g in all", clean(s.Label), sum)
	}
	if opt.Caption != "" {
		add("caption: %s", clean(opt.Caption))
	}
	return n
}
