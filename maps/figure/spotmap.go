package figure

import (
	"cmp"
	"fmt"
	"image/color"
	"io"
	"math"
	"slices"
	"strconv"

	"gonum.org/v1/plot/vg"

	"example.org/fleck/maps"
)

// SpotMapOptions are the options of SpotMap.
type SpotMapOptions struct {
	Title     string
	Caption   string
	Scale     *maps.Scale
	Log       bool
	WidthMM   float64
	DPI       int
	NoNumbers bool // rings without numbers
}

// ringStyle is the look of one verdict: shape, dash and colour each tell it.
type ringStyle struct {
	verdict maps.Verdict
	name    string
	corners int
	turn    float64
	colour  color.RGBA
	dash    []float64
	width   float64
}

// ringStyles in the order of the legend, the most important first.
var ringStyles = [...]ringStyle{
	{maps.TargetVerdict, "target", 48, 0, vermilion, nil, 1.3},
	{maps.CannotTell, "cannot tell", 4, 0, green, []float64{3, 1.2}, 1.1},
	{maps.OtherCompound, "other compound", 4, math.Pi / 4, blue, nil, 1.1},
	{maps.Artefact, "artefact", 3, 0, purple, []float64{1.6, 1}, 1.1},
	{maps.SubstrateSpot, "substrate", 6, 0, color.RGBA{70, 70, 70, 255}, []float64{1, 1}, 1.1},
	{"", "no verdict", 48, 0, black, []float64{2, 1}, 0.9},
}

// reach is how far numbers keep away from the middle, in radii of the circle of
// equal area: nearly to the corners.
func (s ringStyle) reach() float64 {
	switch s.corners {
	case 3:
		return 1.3
	case 4:
		return 1.15
	}
	return 1.05
}

// styleOf returns the index of the style of a verdict; unknown ones share the last.
func styleOf(v maps.Verdict) int {
	for i, s := range ringStyles {
		if s.verdict == v {
			return i
		}
	}
	return len(ringStyles) - 1
}

// SpotMap draws a map in light greys with a numbered outline for every spot, as
// PNG. The outline encloses as many pixels as the spot has (Spot.AreaPx), but
// is not smaller than can be seen. Shape, dash and colour tell the verdict; the
// legend counts them. Numbers are Spot.ID and never overlap; where there is no
// room they are left out and counted.
//
// Errors are those of ElementMap, and a spot whose position is not finite or
// lies outside the map by more than its own size.
func SpotMap(w io.Writer, m maps.Map, spots []maps.Spot, opt SpotMapOptions) error {
	s, err := newShade([]maps.Map{m}, opt.Scale, opt.Log, false, Ink())
	if err != nil {
		return err
	}
	count := make([]int, len(ringStyles))
	for i, sp := range spots {
		if math.IsInf(sp.AreaPx, 1) {
			return fmt.Errorf("figure: spot %d (index %d) has an area of %g pixels", sp.ID, i, sp.AreaPx)
		}
		slack := 1.0
		if sp.AreaPx > 0 {
			slack += math.Sqrt(sp.AreaPx)
		}
		if !(sp.XPx > -slack && sp.XPx < float64(m.W)+slack && sp.YPx > -slack && sp.YPx < float64(m.H)+slack) {
			return fmt.Errorf("figure: spot %d (index %d) at (%g, %g), map is %d × %d pixels", sp.ID, i, sp.XPx, sp.YPx, m.W, m.H)
		}
		count[styleOf(sp.Verdict)]++
	}
	sheet := mapSheet{
		title: firstOf(opt.Title, m.What, "untitled map"), caption: opt.Caption,
		maps: []maps.Map{m}, columns: 1, shade: s, widthMM: opt.WidthMM, dpi: opt.DPI,
	}
	for k, st := range ringStyles {
		if count[k] == 0 {
			continue
		}
		sheet.legend = append(sheet.legend, legendItem{swatch, func(p *page, left point) {
			p.drawRings(st, []ring{{at: point{left.x + swatch/2, left.y}, r: 1.05 * mm}}, box{}, 1)
		}, fmt.Sprintf("%s (%s)", st.name, number(float64(count[k]), 0, false))})
	}
	if len(spots) == 0 {
		sheet.legend = append(sheet.legend, legendItem{0, nil, "no spots"})
	}
	sheet.describe = append(sheet.describe, fmt.Sprintf("spots: %d", len(spots)))
	for k, st := range ringStyles {
		if count[k] > 0 {
			sheet.describe = append(sheet.describe, fmt.Sprintf("spots with verdict %q: %d", st.name, count[k]))
		}
	}
	sheet.overlay = func(f mapFrame) ([]string, func(*page)) { return planSpots(f, spots, opt.NoNumbers) }
	return drawMaps(w, sheet)
}

// wholeRing is the radius up to which an outline is drawn whole beyond the frame of
// its map; larger ones end at the frame.
const wholeRing = 6 * mm

// drawRings draws outlines of the area of circles, on a white rim, large ones within
// the frame; thick multiplies the width of the line.
func (p *page) drawRings(st ringStyle, rings []ring, frame box, thick float64) {
	if len(rings) == 0 {
		return
	}
	var path vg.Path
	for _, r := range rings {
		pts := polygonOf(r.at, r.r, st.corners, st.turn)
		if r.r > wholeRing {
			for i, at := range pts {
				pts[i] = point{min(max(at.x, frame.x0), frame.x1), min(max(at.y, frame.y0), frame.y1)}
			}
		}
		path = append(path, p.path(pts, true)...)
	}
	p.set(stroke{colour: white, width: (st.width + 1.2) * thick})
	p.c.Stroke(path)
	p.set(stroke{colour: st.colour, width: st.width * thick, dash: st.dash})
	p.c.Stroke(path)
}

// planSpots sizes the outlines and places the numbers. It returns what has to
// be said about them below the map, and the function that draws them.
func planSpots(f mapFrame, spots []maps.Spot, noNumbers bool) (notes []string, draw func(*page)) {
	if len(spots) == 0 {
		return nil, func(*page) {}
	}
	order := slices.Clone(spots)
	slices.SortStableFunc(order, func(a, b maps.Spot) int {
		return cmp.Or(cmp.Compare(styleOf(a.Verdict), styleOf(b.Verdict)),
			cmp.Compare(b.ExcessSigma, a.ExcessSigma), cmp.Compare(a.ID, b.ID))
	})
	area := f.area()
	// Least radius 1 mm on the page; with many spots smaller, so that together
	// the least outlines cover a fifth of the map at most.
	least := math.Min(1*mm, math.Sqrt((area.x1-area.x0)*(area.y1-area.y0)/5/math.Pi/float64(len(spots))))
	least = math.Max(least, 0.35*mm)
	thick := math.Max(0.5, least/(1*mm))

	numberStyle := style{size: noteSize, bold: true}
	rings := make([]ring, len(order))
	small := 0
	for k, sp := range order {
		r := ring{at: f.place(sp.XPx, sp.YPx), r: math.Sqrt(sp.AreaPx/math.Pi*float64(f.kx*f.ky)) * f.pt}
		if !(r.r >= least) {
			r.r = least
			small++
		}
		if !noNumbers {
			r.width = numberStyle.width(strconv.Itoa(sp.ID)) + 1.4
			r.height = noteSize*capHeight + 1.6
		}
		r.reach = r.r * ringStyles[styleOf(sp.Verdict)].reach()
		rings[k] = r
	}
	placed := placeNumbers(rings, area)
	bare := 0
	for _, n := range placed {
		if !n.ok {
			bare++
		}
	}
	text := "outline area = spot area"
	if small > 0 {
		text += fmt.Sprintf("; %s drawn larger to be visible", plural(small, "smaller spot"))
	}
	if bare > 0 && !noNumbers {
		text += fmt.Sprintf("; %s without number for lack of room", plural(bare, "spot"))
	}
	return []string{text}, func(p *page) {
		for k := len(ringStyles) - 1; k >= 0; k-- { // the most important on top
			var same []ring
			for i, sp := range order {
				if styleOf(sp.Verdict) == k {
					same = append(same, rings[i])
				}
			}
			p.drawRings(ringStyles[k], same, area, thick)
		}
		for i, n := range placed {
			if !n.ok {
				continue
			}
			st := numberStyle
			st.colour = ringStyles[styleOf(order[i].Verdict)].colour
			p.line(stroke{colour: white, width: 1.6}, n.line...)
			p.line(stroke{colour: st.colour, width: 0.6}, n.line...)
			p.haloText(point{(n.box.x0 + n.box.x1) / 2, n.box.y1 - 0.8}, 0.5, st, strconv.Itoa(order[i].ID))
		}
	}
}
