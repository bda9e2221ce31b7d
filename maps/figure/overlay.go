package figure

import (
	"fmt"
	"image"
	"image/color"
	"io"
	"math"
	"strings"

	"example.org/fleck/maps"
)

// Layer is one map of an overlay.
type Layer struct {
	Map   maps.Map
	Name  string      // "" takes Map.What
	Scale *maps.Scale // display range, nil for 0 to the largest value
}

// OverlayOptions are the options of Overlay.
type OverlayOptions struct {
	Title   string
	Caption string
	Only    bool // leave out the small maps of the single layers
	WidthMM float64
	DPI     int
}

// overlayPrimaries are the light that each layer adds at the end of its range,
// as linear sRGB components; together they make white. They were found by a
// search for the set whose eight mixtures differ most from each other for normal
// sight and under simulated protanopia, deuteranopia and tritanopia; the tests
// state by how much.
var overlayPrimaries = [3][3]float64{
	{0.004, 0.119, 0.851}, // blue
	{0.471, 0.242, 0.000}, // ochre
	{0.383, 0.619, 0.095}, // light green
}

var overlayNames = [3]string{"blue", "ochre", "light green"}

// mixture returns the colour of layers at the given positions of their ranges.
func mixture(t []float64) color.RGBA {
	var c [3]float64
	for k, v := range t {
		for i := range c {
			c[i] += float64(math.Min(1, math.Max(0, v)) * overlayPrimaries[k][i])
		}
	}
	q := func(v float64) uint8 { return uint8(math.Round(255 * encoded(math.Min(1, v)))) }
	return color.RGBA{q(c[0]), q(c[1]), q(c[2]), 255}
}

// overlaySheet is an overlay with its places decided.
type overlaySheet struct {
	layers []Layer
	scale  []maps.Scale
	over   []int // pixels above the range
	frames []mapFrame
	only   bool
}

// Overlay draws up to three maps of one field in one picture, as PNG: each layer
// adds light of its own colour, so that places with several elements take a
// mixed colour. The single layers stand beside it as small maps in their own
// colour, since amounts can be read from those only. The legend shows the ramp
// and the range of each layer and all mixtures at the ends of the ranges. A
// pixel without a value in any layer is hatched.
//
// Fewer than two or more than three layers, maps of different size, infinite
// values and ranges that do not rise are errors.
func Overlay(w io.Writer, layers []Layer, opt OverlayOptions) error {
	s, err := newOverlay(layers)
	if err != nil {
		return err
	}
	widthMM, dpi, err := pageSize(opt.WidthMM, opt.DPI)
	if err != nil {
		return err
	}
	width := widthMM * mm
	inner := width - 2*margin
	s.only = opt.Only
	title := titleStyle.wrap(firstOf(opt.Title, s.names(" and ")), inner, 3)
	caption := captionStyle.wrap(strings.TrimSpace(s.above()+" "+opt.Caption), inner, 12)
	y := margin + float64(len(title))*titleSize*leading + rowGap
	columns := 2
	if opt.Only {
		columns = 1
	}
	cell := (inner - float64(columns-1)*gap) / float64(columns)
	m := layers[0].Map
	l := &sheetLayout{mapSheet: mapSheet{maps: []maps.Map{m}, widthMM: widthMM, dpi: dpi}}
	kx, err := l.magnify(cell)
	if err != nil {
		return err
	}
	dpi = l.dpi
	pt := 72 / float64(dpi)
	ky := upright(m, kx)
	labels := []string{"together"}
	if !opt.Only {
		for k, layer := range s.layers {
			labels = append(labels, fmt.Sprintf("%s (%s)", layer.Name, overlayNames[k]))
		}
	}
	const labelHeight = tickSize*leading + 1
	step := labelHeight + float64(m.H*ky)*pt + gap
	var labelAt []point
	for i := range labels {
		x, top := margin+float64(i%columns)*(cell+gap), y+float64(i/columns)*step
		labelAt = append(labelAt, point{x, top})
		f := mapFrame{kx: kx, ky: ky, pt: pt}
		f.rect.Min = image.Pt(int(math.Round(x/pt)), int(math.Round((top+labelHeight)/pt)))
		f.rect.Max = f.rect.Min.Add(image.Pt(m.W*kx, m.H*ky))
		s.frames = append(s.frames, f)
	}
	y += float64((len(labels)+columns-1)/columns)*step + 1*mm
	flow := flowItems(s.legend(kx, pt), inner-vennWidth-gap)
	legendTop := y
	y += math.Max(float64(len(flow))*flowStep, vennHeight) + 1*mm
	p, err := newPage(width, y+float64(len(caption))*noteSize*leading+margin, dpi, PNG)
	if err != nil {
		return err
	}
	p.lines(margin, margin, 0, titleStyle, title)
	for i, f := range s.frames {
		p.text(point{labelAt[i].x, labelAt[i].y + tickSize}, 0, tickStyle, tickStyle.cut(labels[i], cell))
		s.paint(p, f, i-1)
		p.paintFrame(f.rect, max(1, p.px(0.4)), midGrey)
	}
	p.drawFlow(flow, legendTop)
	s.venn(p, point{width - margin - vennWidth, legendTop})
	p.lines(margin, y, 0, captionStyle, caption)
	return p.write(w, s.notes(firstOf(opt.Title, s.names(" and ")), opt.Caption))
}

// newOverlay checks the layers and resolves their ranges.
func newOverlay(layers []Layer) (*overlaySheet, error) {
	if len(layers) < 2 || len(layers) > len(overlayPrimaries) {
		return nil, fmt.Errorf("figure: overlay of %d layers, want 2 or 3; more colours cannot be told apart: draw a panel", len(layers))
	}
	s := &overlaySheet{layers: append([]Layer(nil), layers...)}
	for k, l := range layers {
		if err := l.Map.Check(); err != nil {
			return nil, fmt.Errorf("figure: layer %d: %w", k+1, err)
		}
		if first := layers[0].Map; l.Map.W != first.W || l.Map.H != first.H {
			return nil, fmt.Errorf("figure: layer %d is %d × %d pixels, the first %d × %d", k+1, l.Map.W, l.Map.H, first.W, first.H)
		}
		s.layers[k].Name = clean(firstOf(l.Name, l.Map.What, fmt.Sprintf("layer %d", k+1)))
		r := maps.Scale{Low: 0, High: 1}
		if found, ok := l.Map.Range(); ok && found.High > 0 {
			r.High = found.High
		}
		if l.Scale != nil {
			r = *l.Scale
		}
		if !finite(r.Low) || !finite(r.High) || !(r.High > r.Low) {
			return nil, fmt.Errorf("figure: layer %d: scale from %g to %g, want finite and rising", k+1, r.Low, r.High)
		}
		over := 0
		for j, v := range l.Map.V {
			if math.IsInf(v, 0) {
				return nil, fmt.Errorf("figure: layer %d: value %g at pixel (%d, %d), want finite or NaN", k+1, v, j%l.Map.W, j/l.Map.W)
			}
			if v > r.High {
				over++
			}
		}
		s.scale, s.over = append(s.scale, r), append(s.over, over)
	}
	return s, nil
}

func (s *overlaySheet) names(and string) string {
	var names []string
	for _, l := range s.layers {
		names = append(names, l.Name)
	}
	return strings.Join(names, and)
}

// above counts the pixels above the ranges in words.
func (s *overlaySheet) above() string {
	var parts []string
	for k, l := range s.layers {
		if s.over[k] > 0 {
			parts = append(parts, l.Name+" "+number(float64(s.over[k]), 0, false))
		}
	}
	if len(parts) == 0 {
		return ""
	}
	return "Pixels above their range: " + strings.Join(parts, ", ") + "."
}

// paint paints the mixture of all layers, or the layer only when it is not
// negative.
func (s *overlaySheet) paint(p *page, f mapFrame, only int) {
	m := s.layers[0].Map
	hatch := p.hatch()
	t := make([]float64, len(s.layers))
	for i := range m.V {
		missing := false
		for k, l := range s.layers {
			t[k] = 0
			if only < 0 || k == only {
				t[k] = (l.Map.V[i] - s.scale[k].Low) / (s.scale[k].High - s.scale[k].Low)
				missing = missing || math.IsNaN(t[k])
			}
		}
		r := image.Rect(0, 0, f.kx, f.ky).Add(f.rect.Min).Add(image.Pt(i%m.W*f.kx, i/m.W*f.ky))
		if !missing {
			p.paintBox(r, mixture(t))
			continue
		}
		for y := r.Min.Y; y < r.Max.Y; y++ {
			for x := r.Min.X; x < r.Max.X; x++ {
				p.img.SetRGBA(x, y, missingAt(x, y, hatch))
			}
		}
	}
}

// rampWidth is the length of the colour ramp of a layer in the legend.
const rampWidth = 16 * mm

// legend returns the scale bar and the ramp of every layer.
func (s *overlaySheet) legend(kx int, pt float64) []legendItem {
	m := s.layers[0].Map
	b := newBar(m.W, float64(m.Pixel.X))
	bar := legendItem{0, nil, b.text()}
	if b.pixels > 0 {
		bar.symbolWidth = float64(b.drawn(kx)) * pt
		bar.draw = func(p *page, left point) { p.paintScaleBar(left, b, kx) }
	}
	items := []legendItem{bar}
	for k, l := range s.layers {
		text := fmt.Sprintf("%s %s to %s %s", l.Name, tickText(s.scale[k].Low), tickText(s.scale[k].High), firstOf(l.Map.Unit, "(no unit stated)"))
		items = append(items, legendItem{rampWidth, func(p *page, left point) { s.ramp(p, left, k) }, text})
	}
	return items
}

func tickText(v float64) string { return strings.ReplaceAll(fmt.Sprintf("%.3g", v), "-", "−") }

func (s *overlaySheet) ramp(p *page, left point, k int) {
	half := swatch * 0.4
	r := image.Rect(p.px(left.x), p.px(left.y-half), p.px(left.x+rampWidth), p.px(left.y+half))
	t := make([]float64, len(s.layers))
	for x := r.Min.X; x < r.Max.X; x++ {
		t[k] = (float64(x-r.Min.X) + 0.5) / float64(r.Dx())
		p.paintBox(image.Rect(x, r.Min.Y, x+1, r.Max.Y), mixture(t))
	}
	p.paintFrame(r, max(1, p.px(0.4)), midGrey)
}

// Size of the picture of mixtures.
const (
	vennWidth  = 17 * mm
	vennHeight = 16 * mm
)

// venn paints one disc for each layer at the end of its range, with all
// mixtures where they overlap.
func (s *overlaySheet) venn(p *page, at point) {
	const radius = 4.6 * mm
	centre := []point{{at.x + 0.34*vennWidth, at.y + 0.36*vennHeight}, {at.x + 0.66*vennWidth, at.y + 0.36*vennHeight}, {at.x + 0.5*vennWidth, at.y + 0.64*vennHeight}}
	r := image.Rect(p.px(at.x), p.px(at.y), p.px(at.x+vennWidth), p.px(at.y+vennHeight))
	t := make([]float64, len(s.layers))
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			for k := range t {
				t[k] = 0
				if math.Hypot(p.pt(x)-centre[k].x, p.pt(y)-centre[k].y) <= radius {
					t[k] = 1
				}
			}
			p.img.SetRGBA(x, y, mixture(t))
		}
	}
	p.paintFrame(r, max(1, p.px(0.4)), midGrey)
}

// notes returns what the file says about itself.
func (s *overlaySheet) notes(title, caption string) notes {
	n := notes{title: title}
	add := func(format string, a ...any) { n.description = append(n.description, fmt.Sprintf(format, a...)) }
	m := s.layers[0].Map
	add("overlay of %d layers; each adds its colour in linear light, position = (value - low) / (high - low)", len(s.layers))
	for k, l := range s.layers {
		add("layer %d: %s, %s, low %g to high %g %s; %d pixels above", k+1, l.Name, overlayNames[k], s.scale[k].Low, s.scale[k].High, clean(l.Map.Unit), s.over[k])
	}
	size := "size unknown"
	if m.Pixel.Known() {
		size = fmt.Sprintf("%g × %g µm", m.Pixel.X.Um(), m.Pixel.Y.Um())
		n.pixelX, n.pixelY = float64(m.Pixel.X)/float64(s.frames[0].kx), float64(m.Pixel.Y)/float64(s.frames[0].ky)
	}
	for i, f := range s.frames {
		add("map %d: %d × %d pixels (%s), each drawn as %d × %d image pixels, in the image from x %d to %d and y %d to %d",
			i+1, m.W, m.H, size, f.kx, f.ky, f.rect.Min.X, f.rect.Max.X, f.rect.Min.Y, f.rect.Max.Y)
	}
	if caption != "" {
		add("caption: %s", clean(caption))
	}
	return n
}
