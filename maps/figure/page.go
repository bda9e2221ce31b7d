package figure

import (
	"bytes"
	"fmt"
	"html"
	"image"
	"image/color"
	"io"
	"math"
	"strings"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/vgimg"
	"gonum.org/v1/plot/vg/vgsvg"
)

// point is a place on the page in points (1/72 inch), x to the right and y down
// from the upper left corner.
type point struct{ x, y float64 }

// box is a rectangle on the page in points.
type box struct{ x0, y0, x1, y1 float64 }

func (b box) overlaps(c box) bool {
	return b.x0 < c.x1 && c.x0 < b.x1 && b.y0 < c.y1 && c.y0 < b.y1
}

func (b box) inside(c box) bool {
	return b.x0 >= c.x0 && b.x1 <= c.x1 && b.y0 >= c.y0 && b.y1 <= c.y1
}

// stroke is the style of a line; dash is in points, nil for a solid line.
type stroke struct {
	colour color.Color
	width  float64
	dash   []float64
}

// page is one figure being drawn. img is nil for SVG.
type page struct {
	w, h float64 // points
	dpi  int
	c    vg.Canvas
	img  *image.RGBA
	svg  *vgsvg.Canvas
}

// newPage starts a white page of w × h points. For PNG both sides are rounded
// up to whole output pixels.
func newPage(w, h float64, dpi int, format Format) (*page, error) {
	if format == SVG {
		c := vgsvg.New(vg.Points(w), vg.Points(h))
		p := &page{w: w, h: h, dpi: dpi, c: c, svg: c}
		p.fillBox(box{0, 0, w, h}, white)
		return p, nil
	}
	px, py := math.Ceil(w*float64(dpi)/72), math.Ceil(h*float64(dpi)/72)
	if !(px*py <= maxPagePixels) {
		return nil, fmt.Errorf("figure: page of %.0f × %.0f pixels, at most %d pixels; lower the resolution or cut the map", px, py, maxPagePixels)
	}
	w, h = px*72/float64(dpi), py*72/float64(dpi)
	c := vgimg.NewWith(vgimg.UseWH(vg.Points(w), vg.Points(h)), vgimg.UseDPI(dpi))
	img, ok := c.Image().(*image.RGBA)
	if !ok {
		return nil, fmt.Errorf("figure: canvas is a %T, want *image.RGBA", c.Image())
	}
	return &page{w: w, h: h, dpi: dpi, c: c, img: img}, nil
}

// px converts points to whole output pixels, pt the reverse.
func (p *page) px(pt float64) int   { return int(math.Round(pt * float64(p.dpi) / 72)) }
func (p *page) pt(px int) float64   { return float64(px) * 72 / float64(p.dpi) }
func (p *page) at(q point) vg.Point { return vg.Point{X: vg.Points(q.x), Y: vg.Points(p.h - q.y)} }

func (p *page) path(pts []point, closed bool) vg.Path {
	var path vg.Path
	for i, q := range pts {
		if i == 0 {
			path.Move(p.at(q))
		} else {
			path.Line(p.at(q))
		}
	}
	if closed {
		path.Close()
	}
	return path
}

func (p *page) set(s stroke) {
	p.c.SetColor(s.colour)
	p.c.SetLineWidth(vg.Points(s.width))
	var dash []vg.Length
	for _, d := range s.dash {
		dash = append(dash, vg.Points(d))
	}
	p.c.SetLineDash(dash, 0)
}

// line draws straight lines from point to point.
func (p *page) line(s stroke, pts ...point) {
	if len(pts) < 2 {
		return
	}
	p.set(s)
	p.c.Stroke(p.path(pts, false))
}

// outline draws a closed line through pts.
func (p *page) outline(s stroke, pts []point) {
	p.set(s)
	p.c.Stroke(p.path(pts, true))
}

// fill fills the area enclosed by pts.
func (p *page) fill(colour color.Color, pts []point) {
	p.c.SetColor(colour)
	p.c.Fill(p.path(pts, true))
}

func corners(b box) []point {
	return []point{{b.x0, b.y0}, {b.x1, b.y0}, {b.x1, b.y1}, {b.x0, b.y1}}
}

func (p *page) fillBox(b box, colour color.Color) { p.fill(colour, corners(b)) }
func (p *page) frame(b box, s stroke)             { p.outline(s, corners(b)) }

// polygonOf returns n corners around c; the area equals that of a circle of
// radius r. More than 12 corners make the circle itself.
func polygonOf(c point, r float64, n int, turn float64) []point {
	if n > 12 {
		n = 48
	} else {
		r *= math.Sqrt(2 * math.Pi / (float64(n) * math.Sin(2*math.Pi/float64(n))))
	}
	pts := make([]point, n)
	for i := range pts {
		s, k := math.Sincos(turn + 2*math.Pi*float64(i)/float64(n))
		pts[i] = point{c.x + r*s, c.y - r*k}
	}
	return pts
}

// paintBox fills whole output pixels. PNG only.
func (p *page) paintBox(r image.Rectangle, colour color.RGBA) {
	r = r.Intersect(p.img.Bounds())
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			p.img.SetRGBA(x, y, colour)
		}
	}
}

// paintFrame draws a line of whole pixels just outside r. PNG only.
func (p *page) paintFrame(r image.Rectangle, width int, colour color.RGBA) {
	o := r.Inset(-width)
	p.paintBox(image.Rect(o.Min.X, o.Min.Y, o.Max.X, r.Min.Y), colour)
	p.paintBox(image.Rect(o.Min.X, r.Max.Y, o.Max.X, o.Max.Y), colour)
	p.paintBox(image.Rect(o.Min.X, r.Min.Y, r.Min.X, r.Max.Y), colour)
	p.paintBox(image.Rect(r.Max.X, r.Min.Y, o.Max.X, r.Max.Y), colour)
}

// notes is what a figure says about itself in its file.
type notes struct {
	title       string
	description []string // lines
	pixelX      float64  // metres per output pixel, 0 if unknown
	pixelY      float64
}

// write encodes the page.
func (p *page) write(w io.Writer, n notes) error {
	text := strings.Join(n.description, "\n")
	if p.svg == nil {
		return writePNG(w, p.img, p.dpi, n.title, text, n.pixelX, n.pixelY)
	}
	var buf bytes.Buffer
	if _, err := p.svg.WriteTo(&buf); err != nil {
		return fmt.Errorf("figure: %w", err)
	}
	// The canvas names only the font it measured with: offer fonts of the same
	// widths where it is not installed, and add what readers that speak need.
	out := strings.ReplaceAll(buf.String(), "font-family:"+fontFamily+";",
		"font-family:'"+fontFamily+"',Arial,Helvetica,sans-serif;")
	head := "<title>" + html.EscapeString(clean(n.title)) + "</title>\n<desc>" + html.EscapeString(text) + "</desc>\n"
	if i := strings.Index(out, "<svg"); i >= 0 {
		if j := strings.IndexByte(out[i:], '>'); j >= 0 {
			out = out[:i+j+1] + "\n" + head + out[i+j+1:]
		}
	}
	if _, err := io.WriteString(w, out); err != nil {
		return fmt.Errorf("figure: %w", err)
	}
	return nil
}
