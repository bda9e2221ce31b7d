package figure

import (
	"fmt"
	"image"
	"io"
	"math"
	"strings"

	"example.org/fleck/maps"
)

// legendItem is one entry below a map: a symbol of the given width drawn at its
// left middle, and a text.
type legendItem struct {
	symbolWidth float64
	draw        func(p *page, left point)
	text        string
}

// mapSheet is a page with one or several maps in one scale.
type mapSheet struct {
	title, caption string
	maps           []maps.Map
	labels         []string // one per map, or nil
	columns        int
	shade          shade
	legend         []legendItem // entries of an overlay
	overlay        func(f mapFrame) (notes []string, draw func(*page))
	describe       []string
	widthMM        float64
	dpi            int
}

// mapFrame is where a map lies on the page: rect in output pixels, kx × ky
// output pixels per map pixel, pt points per output pixel.
type mapFrame struct {
	rect   image.Rectangle
	kx, ky int
	pt     float64
}

// place returns the page point of a position in map pixels counted from the
// centre of pixel (0, 0).
func (f mapFrame) place(x, y float64) point {
	return point{
		(float64(f.rect.Min.X) + (x+0.5)*float64(f.kx)) * f.pt,
		(float64(f.rect.Min.Y) + (y+0.5)*float64(f.ky)) * f.pt,
	}
}

// area returns the box of the map on the page.
func (f mapFrame) area() box {
	r := f.rect
	return box{float64(r.Min.X) * f.pt, float64(r.Min.Y) * f.pt, float64(r.Max.X) * f.pt, float64(r.Max.Y) * f.pt}
}

// Distances of the layout, in points.
const (
	margin   = 1.5 * mm
	gap      = 2 * mm
	barWidth = 3.5 * mm // colour bar
	barArrow = 2.2 * mm // its pointed end
	tickLen  = 0.8 * mm
	rowGap   = 1.2 * mm
	swatch   = 3.2 * mm
	maxTall  = 1.5 // height of a map per width of its cell
)

// sheetLayout is a mapSheet with every place decided.
type sheetLayout struct {
	mapSheet
	width, height float64
	unit          string
	ticks         axisTicks
	widest        float64 // widest tick label
	columns       int
	titleLines    []string
	labelLines    [][]string
	labelAt       []point // upper left corners
	frames        []mapFrame
	separateBars  bool // pixel sizes differ: a scale bar under every map
	bar           box  // colour bar
	crossTop      float64
	flow          []flowRow
	flowTop       float64
	extra         []string // notes of the overlay
	drawOverlay   func(*page)
	extraLines    []string
	extraTop      float64
	captionLines  []string
	captionTop    float64
}

var (
	titleStyle   = style{size: titleSize, bold: true}
	labelStyle   = style{size: tickSize}
	tickStyle    = style{size: tickSize}
	noteStyle    = style{size: noteSize}
	captionStyle = style{size: noteSize, colour: midGrey}
)

// drawMaps lays out, draws and writes a sheet.
func drawMaps(w io.Writer, s mapSheet) error {
	l, err := s.layout()
	if err != nil {
		return err
	}
	p, err := newPage(l.width, l.height, l.dpi, PNG)
	if err != nil {
		return err
	}
	l.draw(p)
	return p.write(w, l.notes())
}

func (s mapSheet) layout() (*sheetLayout, error) {
	l := &sheetLayout{mapSheet: s, unit: s.maps[0].Unit, ticks: s.shade.ticks(s.columns <= 1 || len(s.maps) > 2*s.columns)}
	var err error
	if l.widthMM, l.dpi, err = pageSize(s.widthMM, s.dpi); err != nil {
		return nil, err
	}
	l.width = l.widthMM * mm
	inner := l.width - 2*margin
	if l.unit == "" {
		l.unit = "no unit stated"
	}
	for _, t := range l.ticks.ticks {
		l.widest = math.Max(l.widest, tickStyle.width(t.label))
	}
	l.columns = min(max(s.columns, 1), len(s.maps))
	cell := (inner - l.barSpace() - float64(l.columns-1)*gap) / float64(l.columns)
	if cell < 6*mm {
		return nil, fmt.Errorf("figure: %d maps beside each other leave %.1f mm for each on a page of %g mm, want at least 6 mm", l.columns, cell/mm, l.widthMM)
	}
	kx, err := l.magnify(cell)
	if err != nil {
		return nil, err
	}
	pt := 72 / float64(l.dpi)
	px := func(v float64) int { return int(math.Round(v / pt)) }

	l.titleLines = titleStyle.wrap(s.title, inner, 3)
	for _, m := range s.maps {
		l.separateBars = l.separateBars || m.Pixel != s.maps[0].Pixel
	}
	// Rows of labels and maps.
	y := margin + float64(len(l.titleLines))*titleSize*leading + rowGap
	var firstTop float64 // of the first row of maps
	for r := 0; r < len(s.maps); r += l.columns {
		row := s.maps[r:min(r+l.columns, len(s.maps))]
		labelHeight, mapHeight := 0.0, 0.0
		for i, m := range row {
			var lines []string
			if s.labels != nil {
				lines = labelStyle.wrapLabel(s.labels[r+i], cell, 3)
			}
			l.labelLines = append(l.labelLines, lines)
			if len(lines) > 0 {
				labelHeight = math.Max(labelHeight, float64(len(lines))*tickSize*leading+1)
			}
			mapHeight = math.Max(mapHeight, float64(m.H*upright(m, kx))*pt)
		}
		for i, m := range row {
			x := margin + float64(i)*(cell+gap)
			f := mapFrame{kx: kx, ky: upright(m, kx), pt: pt}
			f.rect.Min = image.Pt(px(x), px(y+labelHeight))
			f.rect.Max = f.rect.Min.Add(image.Pt(m.W*kx, m.H*f.ky))
			l.frames = append(l.frames, f)
			// Labels stand on their map, whatever the height of their neighbours.
			own := float64(len(l.labelLines[r+i]))*tickSize*leading + 1
			l.labelAt = append(l.labelAt, point{x, y + labelHeight - own})
		}
		if r == 0 {
			firstTop = y + labelHeight
		}
		y += labelHeight + mapHeight + gap
		if l.separateBars {
			y += separateRow
		}
	}
	y -= gap

	// The colour bar stands beside the first row, from its top.
	right := margin + float64(l.columns)*(cell+gap) - gap
	if l.columns == 1 {
		right = margin
		for _, f := range l.frames {
			right = math.Max(right, f.area().x1)
		}
	}
	high := math.Min(math.Max(y-firstTop, 25*mm), 70*mm)
	l.bar = box{right + gap, firstTop, right + gap + barWidth, firstTop + high}
	y = math.Max(y, firstTop+high)

	// Below: scale bar and legend in flowing rows, notes, caption.
	y += 1.6 * mm
	l.crossTop = y
	if l.crossBars() {
		y += crossHeight + 1*mm
	}
	l.flowTop = y
	l.flow = flowItems(l.legendItems(kx, pt), inner)
	y = l.flowTop + float64(len(l.flow))*flowStep
	if s.overlay != nil {
		l.extra, l.drawOverlay = s.overlay(l.frames[0])
		l.extraLines = noteStyle.wrap(strings.Join(l.extra, "; "), inner, 3)
	}
	l.extraTop = y
	y += float64(len(l.extraLines)) * noteSize * leading
	l.captionLines = captionStyle.wrap(s.caption, inner, 12)
	l.captionTop = y + 1
	l.height = l.captionTop + float64(len(l.captionLines))*noteSize*leading + margin
	return l, nil
}

// barSpace is the width that the colour bar takes with its numbers and unit.
func (l *sheetLayout) barSpace() float64 {
	return gap + barWidth + tickLen + 1.5 + l.widest + 2 + textSize*leading
}

// pixelRatio returns the height per width of a pixel, between 1/20 and 20.
func pixelRatio(m maps.Map) float64 {
	if !m.Pixel.Known() {
		return 1
	}
	return math.Min(20, math.Max(0.05, float64(m.Pixel.Y/m.Pixel.X)))
}

// upright returns the output pixels per map pixel in the upright direction.
func upright(m maps.Map, kx int) int {
	return max(1, int(math.Round(float64(kx)*pixelRatio(m))))
}

// magnify chooses one magnification for all maps, so that the widest and the
// tallest fit into a cell of the given width, and raises the resolution so that
// the maps fill it in whole output pixels.
func (l *sheetLayout) magnify(cell float64) (kx int, err error) {
	nx, tall, flat := 0, 0.0, 1.0
	for _, m := range l.maps {
		nx = max(nx, m.W)
		tall = math.Max(tall, float64(m.H)*pixelRatio(m))
		flat = math.Min(flat, pixelRatio(m))
	}
	wide := math.Min(cell, maxTall*cell*float64(nx)/tall)
	kx = int(math.Ceil(wide / 72 * float64(l.dpi) / float64(nx)))
	kx = max(kx, int(math.Ceil(1/flat))) // a pixel is at least one output pixel high
	l.dpi = max(l.dpi, int(math.Ceil(float64(kx*nx)*72/wide)))
	if l.dpi > maxDPI {
		return 0, fmt.Errorf("figure: map %d pixels wide needs %d dots per inch on a page of %g mm, at most %d; take a wider page or cut the map", nx, l.dpi, l.widthMM, maxDPI)
	}
	return kx, nil
}

// draw draws everything that layout decided.
func (l *sheetLayout) draw(p *page) {
	p.lines(margin, margin, 0, titleStyle, l.titleLines)
	for i, m := range l.maps {
		p.lines(l.labelAt[i].x, l.labelAt[i].y, 0, labelStyle, l.labelLines[i])
		f := l.frames[i]
		p.paintMap(m, f, l.shade)
		p.paintFrame(f.rect, max(1, p.px(0.4)), midGrey)
		if l.separateBars {
			p.separateBar(f, newBar(m.W, float64(m.Pixel.X)))
		}
	}
	if l.crossBars() {
		p.crossBars(point{margin, l.crossTop}, l.maps[0], l.frames[0])
	}
	side := l.ticks.withPower(l.unit)
	if l.shade.log {
		side += " (log scale)"
	}
	p.colourBar(l.bar, l.shade, l.ticks, side, l.widest)
	p.drawFlow(l.flow, l.flowTop)
	if l.drawOverlay != nil {
		l.drawOverlay(p)
	}
	p.lines(margin, l.extraTop, 0, noteStyle, l.extraLines)
	p.lines(margin, l.captionTop, 0, captionStyle, l.captionLines)
}

// notes returns what the file says about itself.
func (l *sheetLayout) notes() notes {
	n := notes{title: l.title}
	add := func(format string, a ...any) { n.description = append(n.description, fmt.Sprintf(format, a...)) }
	add("quantity: %s", clean(l.maps[0].What))
	add("unit: %s", clean(l.unit))
	n.description = append(n.description, l.shade.describe(l.unit)...)
	for i, f := range l.frames {
		px := l.maps[i].Pixel
		size := "size unknown"
		if px.Known() {
			size = fmt.Sprintf("%g × %g µm", px.X.Um(), px.Y.Um())
		}
		add("map %d: %d × %d pixels (%s), each drawn as %d × %d image pixels, in the image from x %d to %d and y %d to %d",
			i+1, l.maps[i].W, l.maps[i].H, size, f.kx, f.ky, f.rect.Min.X, f.rect.Max.X, f.rect.Min.Y, f.rect.Max.Y)
	}
	if px := l.maps[0].Pixel; px.Known() && !l.separateBars {
		n.pixelX, n.pixelY = float64(px.X)/float64(l.frames[0].kx), float64(px.Y)/float64(l.frames[0].ky)
	}
	n.description = append(append(n.description, l.describe...), l.extra...)
	if l.caption != "" {
		add("caption: %s", clean(l.caption))
	}
	return n
}

// crossBars reports whether the two directions of the map need their own bars.
func (l *sheetLayout) crossBars() bool {
	px := l.maps[0].Pixel
	return !l.separateBars && px.Known() && px.X != px.Y
}

// legendItems returns the legend below the maps: the scale bar first.
func (s *sheetLayout) legendItems(kx int, pt float64) []legendItem {
	var items []legendItem
	m := s.maps[0]
	if !s.separateBars && !s.crossBars() {
		b := newBar(m.W, float64(m.Pixel.X))
		item := legendItem{0, nil, b.text()}
		if b.pixels > 0 {
			item.symbolWidth = float64(b.drawn(kx)) * pt
			item.draw = func(p *page, left point) { p.paintScaleBar(left, b, kx) }
		}
		items = append(items, item)
	}
	if s.shade.missing > 0 {
		items = append(items, legendItem{swatch, func(p *page, left point) { p.paintSwatch(left, nil) },
			fmt.Sprintf("no value (%s)", plural(s.shade.missing, "pixel"))})
	}
	if s.shade.nonPositive > 0 {
		items = append(items, legendItem{swatch, func(p *page, left point) { p.paintSwatch(left, &s.shade.cm.below) },
			fmt.Sprintf("zero or below (%s)", plural(s.shade.nonPositive, "pixel"))})
	}
	if n := s.shade.under + s.shade.over; n > 0 {
		text := ""
		switch {
		case s.shade.under == 0:
			text = plural(n, "pixel") + " above the scale"
		case s.shade.over == 0:
			text = plural(n, "pixel") + " below the scale"
		default:
			text = fmt.Sprintf("%s above, %s below the scale", plural(s.shade.over, "pixel"), number(float64(s.shade.under), 0, false))
		}
		items = append(items, legendItem{0, nil, text})
	}
	return append(items, s.legend...)
}

func plural(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return number(float64(n), 0, false) + " " + noun + "s"
}
