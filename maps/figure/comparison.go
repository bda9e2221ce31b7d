package figure

import (
	"fmt"
	"image/color"
	"io"
	"math"
	"slices"
	"strings"
)

// ComparisonData is one quantity measured on fields of several groups, such as
// the number of spots per mm² on treated and untreated coupons.
type ComparisonData struct {
	Quantity string // axis title without unit; "" means "density of spots"
	Unit     string // "" means "per mm²"
	Interval string // what the interval is, "" means "95 % coverage interval"
	Groups   []ComparisonGroup
}

// ComparisonGroup is one row of a comparison. Estimate, Low and High are drawn
// where they are not NaN; a High of +Inf is drawn as an arrow.
type ComparisonGroup struct {
	Label               string
	Points              []ComparisonPoint
	Estimate, Low, High float64
}

// ComparisonPoint is the value of one field; NaN is not drawn but counted. The
// points of a coupon share a line, because the coupon is the replicate.
type ComparisonPoint struct {
	Coupon string
	Value  float64
}

// ComparisonOptions are the options of Comparison.
type ComparisonOptions struct {
	Title   string
	Caption string
	Format  Format
	WidthMM float64
	DPI     int
}

// groupStyle is the look of a group: marker and colour both tell it.
type groupStyle struct {
	colour  color.RGBA
	corners int
	turn    float64
}

var groupStyles = [...]groupStyle{
	{vermilion, 48, 0}, {blue, 4, math.Pi / 4}, {green, 4, 0}, {purple, 3, 0}, {softBlack, 6, 0},
}

// Comparison draws a value per field as points, one line for each coupon, and
// the estimate of each group with its interval. Zero is always on the axis.
// Equal values are stacked.
//
// No groups, infinite values and intervals that do not rise are errors.
func Comparison(w io.Writer, d ComparisonData, opt ComparisonOptions) error {
	if err := opt.Format.check(); err != nil {
		return err
	}
	widthMM, dpi, err := pageSize(opt.WidthMM, opt.DPI)
	if err != nil {
		return err
	}
	if err := d.check(); err != nil {
		return err
	}
	d.Quantity = firstOf(d.Quantity, "density of spots")
	d.Unit = firstOf(d.Unit, "per mm²")
	d.Interval = firstOf(d.Interval, "95 % coverage interval")
	l := planComparison(d, opt, widthMM*mm)
	p, err := newPage(l.width, l.height, dpi, opt.Format)
	if err != nil {
		return err
	}
	l.draw(p)
	return p.write(w, l.notes(opt))
}

func (d ComparisonData) check() error {
	if len(d.Groups) == 0 {
		return fmt.Errorf("figure: comparison of 0 groups, want at least 1")
	}
	for _, g := range d.Groups {
		for _, q := range g.Points {
			if math.IsInf(q.Value, 0) {
				return fmt.Errorf("figure: group %q: value %g, want finite or NaN", g.Label, q.Value)
			}
		}
		if math.IsInf(g.Estimate, 0) || math.IsInf(g.Low, 0) || math.IsInf(g.High, -1) {
			return fmt.Errorf("figure: group %q: estimate %g, interval %g to %g; only the upper end may be infinite", g.Label, g.Estimate, g.Low, g.High)
		}
		if g.Low > g.High || g.Estimate < g.Low || g.Estimate > g.High {
			return fmt.Errorf("figure: group %q: estimate %g outside its interval %g to %g", g.Label, g.Estimate, g.Low, g.High)
		}
	}
	return nil
}

// comparisonRow is one line of points, or the estimate of a group.
type comparisonRow struct {
	group  int
	coupon string
	values []float64
	y      float64
	at     []point // markers relative to the middle of the line
}

type comparisonLayout struct {
	d             ComparisonData
	width, height float64
	titleLines    []string
	groupLines    [][]string
	groupTop      []float64
	rows          []comparisonRow
	estimateY     []float64
	area          plotArea
	ticks         axisTicks
	labelX        float64 // right end of the coupon names
	legend        []flowRow
	legendTop     float64
	captionLines  []string
	captionTop    float64
}

func planComparison(d ComparisonData, opt ComparisonOptions, width float64) *comparisonLayout {
	l := &comparisonLayout{d: d, width: width}
	inner := width - 2*margin
	l.titleLines = titleStyle.wrap(opt.Title, inner, 3)

	low, high, widest, missing := 0.0, 0.0, 0.0, 0
	for k, g := range d.Groups {
		first := len(l.rows)
	points:
		for _, q := range g.Points {
			if math.IsNaN(q.Value) {
				missing++
			} else {
				low, high = math.Min(low, q.Value), math.Max(high, q.Value)
			}
			for i := first; i < len(l.rows); i++ {
				if l.rows[i].coupon == q.Coupon {
					l.rows[i].values = append(l.rows[i].values, q.Value)
					continue points
				}
			}
			l.rows = append(l.rows, comparisonRow{group: k, coupon: q.Coupon, values: []float64{q.Value}})
			widest = math.Max(widest, tickStyle.width(q.Coupon))
		}
		for _, v := range []float64{g.Estimate, g.Low, g.High} {
			if finite(v) {
				low, high = math.Min(low, v), math.Max(high, v)
			}
		}
	}
	if high <= low {
		high = low + 1
	}
	span := high - low
	low, high = low-0.03*span, high+0.05*span // room for markers at the ends

	widest = math.Min(widest, 18*mm)
	const groupWidth = 20 * mm
	l.labelX = margin + groupWidth + widest
	l.area.x0, l.area.x1 = l.labelX+1.5*mm, width-margin-2*mm
	l.area.x = axis{low: low, high: high, from: l.area.x0, to: l.area.x1}
	l.ticks = l.area.x.ticks(11 * mm).withMinor(l.area.x)
	for range 4 { // until the last number stays on the page
		over := l.overhang()
		if over <= 0 {
			break
		}
		l.area.x1 -= over + 0.5
		l.area.x.to = l.area.x1
		l.ticks = l.area.x.ticks(11 * mm).withMinor(l.area.x)
	}

	const rowHeight, groupGap = 3.6 * mm, 1.6 * mm
	y := margin + float64(len(l.titleLines))*titleSize*leading + rowGap
	l.area.y0 = y
	y += groupGap / 2
	i := 0
	bold := style{size: textSize, bold: true}
	for k, g := range d.Groups {
		l.groupTop = append(l.groupTop, y)
		lines := bold.wrapLabel(g.Label, groupWidth-1*mm, 3)
		l.groupLines = append(l.groupLines, lines)
		top := y
		for ; i < len(l.rows) && l.rows[i].group == k; i++ {
			r := &l.rows[i]
			var levels int
			r.at, levels = stack(l.area.x, r.values)
			h := math.Max(rowHeight, float64(levels-1)*stackStep+markerSize+1*mm)
			r.y = y + h/2
			y += h
		}
		if _, _, side := l.estimateLabel(g); side == above {
			y += tickSize // a row for the numbers
		}
		l.estimateY = append(l.estimateY, y+rowHeight*0.65)
		y += rowHeight * 1.3
		y = math.Max(y, top+float64(len(lines))*textSize*leading) + groupGap
	}
	l.area.y1 = y - groupGap/2
	y = l.area.y1 + tickLen + tickSize*leading + textSize*leading + 3
	l.legendTop = y
	items := []legendItem{{1.6 * mm, func(p *page, left point) {
		p.marker(point{left.x + 0.8*mm, left.y}, groupStyle{midGrey, 48, 0})
	}, "one field"}, {6 * mm, func(p *page, left point) {
		p.interval(left.x, left.x+6*mm, left.x+3*mm, left.y, softBlack, false)
	}, "estimate, " + d.Interval}}
	if missing > 0 {
		items = append(items, legendItem{0, nil, plural(missing, "field") + " without value"})
	}
	l.legend = flowItems(items, inner)
	y += float64(len(l.legend)) * flowStep
	l.captionTop = y + 1
	l.captionLines = captionStyle.wrap(opt.Caption, inner, 12)
	l.height = l.captionTop + float64(len(l.captionLines))*noteSize*leading + margin
	return l
}

func (l *comparisonLayout) draw(p *page) {
	p.lines(margin, margin, 0, titleStyle, l.titleLines)
	a := l.area
	for k, y := range l.groupTop {
		p.lines(margin, y, 0, style{size: textSize, bold: true, colour: groupStyles[k%len(groupStyles)].colour}, l.groupLines[k])
		if k > 0 {
			edge := y - 0.8*mm
			p.line(stroke{colour: paleGrey, width: 0.5}, point{margin, edge}, point{a.x1, edge})
		}
	}
	for _, t := range l.ticks.ticks {
		if t.label != "" {
			p.line(stroke{colour: color.RGBA{230, 230, 230, 255}, width: 0.4}, point{a.x.at(t.v), a.y0}, point{a.x.at(t.v), a.y1})
		}
	}
	p.frame(a.box, axisLine)
	for _, r := range l.rows {
		p.text(point{l.labelX, r.y + capHeight*tickSize/2}, 1, tickStyle, tickStyle.cut(r.coupon, 18*mm))
		p.line(stroke{colour: paleGrey, width: 0.4}, point{a.x0, r.y}, point{a.x1, r.y})
		for _, q := range r.at {
			p.marker(point{q.x, r.y + q.y}, groupStyles[r.group%len(groupStyles)])
		}
	}
	for k, g := range l.d.Groups {
		y := l.estimateY[k]
		c := groupStyles[k%len(groupStyles)].colour
		if math.IsNaN(g.Estimate) && (math.IsNaN(g.Low) || math.IsNaN(g.High)) {
			p.text(point{a.x0 + 2, y + capHeight*tickSize/2}, 0, style{size: tickSize, colour: midGrey}, "no estimate")
			continue
		}
		from, to, at := math.NaN(), math.NaN(), math.NaN()
		if !math.IsNaN(g.Low) && !math.IsNaN(g.High) {
			from, to = a.x.at(g.Low), math.Min(a.x.at(g.High), a.x1)
		}
		if !math.IsNaN(g.Estimate) {
			at = a.x.at(g.Estimate)
		}
		p.interval(from, to, at, y, c, math.IsInf(g.High, 1))
		if text, x, side := l.estimateLabel(g); text != "" {
			base := y + capHeight*tickSize/2
			if side == above {
				base = y - 1.2*mm
			}
			p.haloText(point{x, base}, map[labelSide]float64{onRight: 0, onLeft: 1, above: 0}[side], tickStyle, text)
		}
	}
	p.drawX(a, l.ticks, false)
	title := l.d.Quantity + " (" + l.ticks.withPower(l.d.Unit) + ")"
	st := style{size: textSize}
	p.text(point{(margin + l.width - margin) / 2, a.y1 + tickLen + tickSize*leading + textSize*0.95}, 0.5, st, st.cut(title, l.width-2*margin))
	p.drawFlow(l.legend, l.legendTop)
	p.lines(margin, l.captionTop, 0, captionStyle, l.captionLines)
}

// overhang is how far the number of the last mark would leave the page.
func (l *comparisonLayout) overhang() float64 {
	over := 0.0
	for _, t := range l.ticks.ticks {
		over = math.Max(over, l.area.x.at(t.v)+tickStyle.width(t.label)/2+1-l.width)
	}
	return over
}

// labelSide is where the numbers of an estimate stand.
type labelSide int

const (
	onRight labelSide = iota
	onLeft
	above
)

// estimateLabel returns estimate and interval as numbers, and where they stand:
// beside the bar on the side that has room, else above it.
func (l *comparisonLayout) estimateLabel(g ComparisonGroup) (text string, x float64, side labelSide) {
	a := l.area
	if !math.IsNaN(g.Estimate) {
		text = significant(g.Estimate)
	}
	if finite(g.Low) && finite(g.High) {
		text = strings.TrimSpace(fmt.Sprintf("%s (%s to %s)", text, significant(g.Low), significant(g.High)))
	}
	if text == "" {
		return "", 0, onRight
	}
	left, right := math.Inf(1), math.Inf(-1)
	for _, v := range []float64{g.Low, g.Estimate, g.High} {
		if !math.IsNaN(v) {
			q := math.Min(a.x.at(v), a.x1)
			left, right = math.Min(left, q), math.Max(right, q)
		}
	}
	w := tickStyle.width(text)
	switch {
	case right+2*mm+w < a.x1:
		return text, right + 2*mm, onRight
	case left-2*mm-w > a.x0:
		return text, left - 2*mm, onLeft
	}
	return text, math.Max(a.x0+1, math.Min(left, a.x1-w-1)), above
}

// Markers of fields, and the levels of a stack of values that would hide each
// other.
const (
	markerSize = 1.5 * mm
	stackStep  = 1.25 * mm
	maxLevels  = 9
)

// stack returns where the values of one line are drawn, relative to its middle,
// and how many levels above and below it they take. NaN is left out. More than
// maxLevels equal values hide each other.
func stack(x axis, values []float64) (at []point, levels int) {
	levels = 1
	for _, v := range values {
		if math.IsNaN(v) {
			continue
		}
		q := point{x: x.at(v)}
		for k := range maxLevels {
			q.y = float64((k+1)/2) * stackStep
			if k%2 == 1 {
				q.y = -q.y
			}
			if !slices.ContainsFunc(at, func(o point) bool { return math.Hypot(o.x-q.x, o.y-q.y) < 0.8*markerSize }) {
				levels = max(levels, 2*((k+1)/2)+1)
				break
			}
		}
		at = append(at, q)
	}
	return at, levels
}

func (p *page) marker(at point, s groupStyle) {
	pts := polygonOf(at, markerSize/2, s.corners, s.turn)
	p.fill(tint(s.colour, 0.45), pts)
	p.outline(stroke{colour: s.colour, width: 0.7}, pts)
}

// interval draws a bar from one x to another with end marks, and a diamond at
// the estimate; NaN leaves a part out, open puts an arrow at the upper end.
func (p *page) interval(from, to, at, y float64, c color.RGBA, open bool) {
	s := stroke{colour: c, width: 1.3}
	if !math.IsNaN(from) && !math.IsNaN(to) {
		p.line(s, point{from, y}, point{to, y})
		p.line(s, point{from, y - 0.7*mm}, point{from, y + 0.7*mm})
		if open {
			p.fill(c, []point{{to, y}, {to - 1.6*mm, y - 0.9*mm}, {to - 1.6*mm, y + 0.9*mm}})
		} else {
			p.line(s, point{to, y - 0.7*mm}, point{to, y + 0.7*mm})
		}
	}
	if !math.IsNaN(at) {
		pts := polygonOf(point{at, y}, 0.9*mm, 4, 0)
		p.outline(stroke{colour: white, width: 1.5}, pts)
		p.fill(c, pts)
	}
}

func (l *comparisonLayout) notes(opt ComparisonOptions) notes {
	n := notes{title: clean(firstOf(opt.Title, l.d.Quantity))}
	add := func(format string, a ...any) { n.description = append(n.description, fmt.Sprintf(format, a...)) }
	add("quantity: %s", clean(l.d.Quantity))
	add("unit: %s", clean(l.d.Unit))
	add("display range: %g to %g %s, linear", l.area.x.low, l.area.x.high, clean(l.d.Unit))
	for _, g := range l.d.Groups {
		add("group %s: %d fields, estimate %g, %s %g to %g", clean(g.Label), len(g.Points), g.Estimate, clean(l.d.Interval), g.Low, g.High)
	}
	if opt.Caption != "" {
		add("caption: %s", clean(opt.Caption))
	}
	return n
}
