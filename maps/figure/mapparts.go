package figure

import (
	"image"
	"image/color"
	"math"

	"example.org/fleck/maps"
)

// paintMap paints every map pixel as a block of whole output pixels.
func (p *page) paintMap(m maps.Map, f mapFrame, s shade) {
	hatch := p.hatch()
	for y := range m.H {
		for x := range m.W {
			v := m.At(x, y)
			r := image.Rect(0, 0, f.kx, f.ky).Add(f.rect.Min).Add(image.Pt(x*f.kx, y*f.ky))
			if !math.IsNaN(v) {
				p.paintBox(r, s.colour(v))
				continue
			}
			for j := r.Min.Y; j < r.Max.Y; j++ {
				for i := r.Min.X; i < r.Max.X; i++ {
					p.img.SetRGBA(i, j, missingAt(i, j, hatch))
				}
			}
		}
	}
}

// hatch is the period of the hatch of missing values in output pixels.
func (p *page) hatch() int { return max(3, p.px(1*mm)) }

// barThickness is that of a scale bar in output pixels.
func (p *page) barThickness() int { return max(2, p.px(0.9*mm)) }

// paintScaleBar paints a black bar of whole pixels whose left middle is given.
func (p *page) paintScaleBar(left point, b bar, k int) {
	thick := p.barThickness()
	x, y := p.px(left.x), p.px(left.y)-thick/2
	p.paintBox(image.Rect(x, y, x+b.drawn(k), y+thick), black)
}

// Heights below a map: of its own scale bar, with a second line for "scale
// unknown", and of the pair of bars of oblong pixels.
const (
	separateRow = 2*textSize*leading + 1.2*mm
	crossHeight = 11 * mm
)

// separateBar draws the scale bar of one map of several below it.
func (p *page) separateBar(f mapFrame, b bar) {
	a := f.area()
	st := style{size: textSize}
	base := a.y1 + 0.8*mm + textSize*0.95
	if b.pixels > 0 {
		p.paintScaleBar(point{a.x0, base - capHeight*textSize/2}, b, f.kx)
		p.text(point{a.x0 + p.pt(b.drawn(f.kx)) + 2, base}, 0, st, b.label)
		base += textSize * leading
	}
	if b.unknown {
		p.text(point{a.x0, base}, 0, st, scaleUnknown)
	}
}

// crossBars draws a level and an upright bar that share a corner; each is true
// in its own direction.
func (p *page) crossBars(top point, m maps.Map, f mapFrame) {
	level := newBar(m.W, float64(m.Pixel.X))
	// The upright bar has to fit the row.
	rows := min(m.H, int(4*crossHeight*float64(p.dpi)/72/float64(f.ky)))
	up := newBar(max(1, rows), float64(m.Pixel.Y))
	thick := p.barThickness()
	x, y := p.px(top.x), p.px(top.y+crossHeight)
	p.paintBox(image.Rect(x, y-thick, x+level.drawn(f.kx), y), black)
	p.paintBox(image.Rect(x, y-up.drawn(f.ky), x+thick, y), black)
	st := style{size: textSize}
	p.text(point{p.pt(x+level.drawn(f.kx)) + 2, p.pt(y)}, 0, st, level.label+" across")
	p.text(point{p.pt(x+thick) + 3, p.pt(y-up.drawn(f.ky)) + textSize*capHeight}, 0, st, up.label+" upright (oblong pixels)")
}

// paintSwatch paints the sample of a colour, nil for missing values.
func (p *page) paintSwatch(left point, c *color.RGBA) {
	half := swatch * 0.4
	r := image.Rect(p.px(left.x), p.px(left.y-half), p.px(left.x+swatch), p.px(left.y+half))
	if c != nil {
		p.paintBox(r, *c)
	} else {
		hatch := p.hatch()
		for y := r.Min.Y; y < r.Max.Y; y++ {
			for x := r.Min.X; x < r.Max.X; x++ {
				p.img.SetRGBA(x, y, missingAt(x, y, hatch))
			}
		}
	}
	p.paintFrame(r, max(1, p.px(0.4)), midGrey)
}

// colourBar draws the bar of the scale in b, with marks on its right and the
// unit reading upwards beside them. Ends beyond which there are values point
// outwards.
func (p *page) colourBar(b box, s shade, ticks axisTicks, unit string, widest float64) {
	if s.over > 0 {
		b.y0 += barArrow
	}
	if s.under > 0 {
		b.y1 -= barArrow
	}
	r := image.Rect(p.px(b.x0), p.px(b.y0), p.px(b.x1), p.px(b.y1))
	h := r.Dy()
	for i := range h {
		t := 1 - (float64(i)+0.5)/float64(h)
		p.paintBox(image.Rect(r.Min.X, r.Min.Y+i, r.Max.X, r.Min.Y+i+1), s.cm.At(t))
	}
	line := stroke{colour: midGrey, width: 0.5}
	mid := (b.x0 + b.x1) / 2
	outline := []point{{b.x0, b.y0}}
	if s.over > 0 {
		tip := []point{{b.x0, b.y0}, {mid, b.y0 - barArrow}, {b.x1, b.y0}}
		p.fill(s.cm.At(1), tip)
		outline = append(outline, tip[1])
	}
	outline = append(outline, point{b.x1, b.y0}, point{b.x1, b.y1})
	if s.under > 0 {
		tip := []point{{b.x0, b.y1}, {mid, b.y1 + barArrow}, {b.x1, b.y1}}
		p.fill(s.cm.At(0), tip)
		outline = append(outline, tip[1])
	}
	p.outline(line, append(outline, point{b.x0, b.y1}))

	for _, t := range ticks.ticks {
		y := b.y1 - s.position(t.v)*(b.y1-b.y0)
		long := tickLen
		if t.label == "" {
			long *= 0.6
		}
		p.line(stroke{colour: softBlack, width: 0.5}, point{b.x1, y}, point{b.x1 + long, y})
		// Right-aligned, so that digits of equal weight stand below each other.
		p.text(point{b.x1 + tickLen + 1.5 + widest, y + capHeight*tickSize/2}, 1, tickStyle, t.label)
	}
	x := b.x1 + tickLen + 1.5 + widest + 2 + textSize
	up := style{size: textSize}
	p.textUp(point{x, (b.y0 + b.y1) / 2}, 0.5, up, up.cut(unit, b.y1-b.y0+2*barArrow))
}

// flowRow is one row of legend items with their left ends.
type flowRow struct {
	items []legendItem
	left  []float64
}

// flowItems breaks legend items into rows of at most width points.
func flowItems(items []legendItem, width float64) []flowRow {
	st := style{size: textSize}
	var rows []flowRow
	x := width + 1
	for _, it := range items {
		it.text = st.cut(it.text, width-it.symbolWidth-3)
		w := it.symbolWidth + st.width(it.text)
		if it.symbolWidth > 0 {
			w += 3
		}
		if x+w > width {
			rows = append(rows, flowRow{})
			x = 0
		}
		r := &rows[len(rows)-1]
		r.items, r.left = append(r.items, it), append(r.left, x)
		x += w + 3.2*mm
	}
	return rows
}

// flowStep is the height of one row of a legend.
const flowStep = textSize*leading + 1.5

// drawFlow draws legend rows below y.
func (p *page) drawFlow(rows []flowRow, y float64) {
	st := style{size: textSize}
	for _, r := range rows {
		mid := y + flowStep/2
		for i, it := range r.items {
			x := margin + r.left[i]
			if it.draw != nil {
				it.draw(p, point{x, mid})
				x += it.symbolWidth + 3
			}
			p.text(point{x, mid + capHeight*textSize/2}, 0, st, it.text)
		}
		y += flowStep
	}
}
