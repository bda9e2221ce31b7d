package figure

import (
	"image/color"
	"math"
	"strings"
	"sync"
	"unicode"

	xfont "golang.org/x/image/font"
	"golang.org/x/image/font/sfnt"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/font/liberation"
	"gonum.org/v1/plot/vg"
)

// fontFamily is the family that text is measured with; Arial has the same widths.
const fontFamily = "Liberation Sans"

// Text sizes in points on a page of 85 mm. Journals ask for 6 to 8 points at
// least; common practice, no source.
const (
	titleSize = 9.0
	textSize  = 8.0
	tickSize  = 7.5
	noteSize  = 7.0
	leading   = 1.2 // line distance per text size
	capHeight = 0.72
)

// style is the look of a piece of text.
type style struct {
	size   float64 // points
	bold   bool
	italic bool
	colour color.Color // nil is soft black
}

var fonts = sync.OnceValue(func() *font.Cache { return font.NewCache(liberation.Collection()) })

func (s style) face() font.Face {
	f := font.Font{Typeface: "Liberation", Variant: "Sans"}
	if s.bold {
		f.Weight = xfont.WeightBold
	}
	if s.italic {
		f.Style = xfont.StyleItalic
	}
	return fonts().Lookup(f, vg.Points(s.size))
}

// clean returns s as one line of drawable text: control characters become
// blanks, characters that the font lacks become question marks.
func clean(s string) string {
	face := style{size: textSize}.face()
	var buf sfnt.Buffer
	s = strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || unicode.IsSpace(r) && r != '\u202f' && r != '\u2009' {
			return ' '
		}
		if i, err := face.Face.GlyphIndex(&buf, r); err != nil || i == 0 {
			return '?'
		}
		return r
	}, strings.ToValidUTF8(s, "?"))
	return strings.Trim(s, " ")
}

// pieces splits "10^5" into runs on and above the line. Only a caret between a
// digit and a signed number raises; any other caret stays as it is.
func pieces(s string) (runs []string, raised []bool) {
	for {
		i := strings.IndexByte(s, '^')
		for i > 0 && (s[i-1] < '0' || s[i-1] > '9' || exponentEnd(s[i+1:]) == 0) {
			j := strings.IndexByte(s[i+1:], '^')
			if j < 0 {
				i = -1
				break
			}
			i += 1 + j
		}
		if i <= 0 {
			return append(runs, s), append(raised, false)
		}
		end := i + 1 + exponentEnd(s[i+1:])
		runs, raised = append(runs, s[:i], s[i+1:end]), append(raised, false, true)
		s = s[end:]
	}
}

func exponentEnd(s string) int {
	n := 0
	if strings.HasPrefix(s, "−") {
		n = len("−")
	}
	d := n
	for d < len(s) && s[d] >= '0' && s[d] <= '9' {
		d++
	}
	if d == n {
		return 0
	}
	return d
}

func (s style) raised() style { s.size *= 0.72; return s }

// width returns the width of a line of text in points.
func (s style) width(text string) float64 {
	w := 0.0
	runs, up := pieces(clean(text))
	for i, r := range runs {
		st := s
		if up[i] {
			st = s.raised()
		}
		f := st.face()
		w += f.Width(r).Points()
	}
	return w
}

// wrap breaks text into at most maxLines lines no wider than width; what does
// not fit is cut and ends in "…".
func (s style) wrap(text string, width float64, maxLines int) []string {
	text = clean(text)
	if text == "" || maxLines < 1 {
		return nil
	}
	var lines []string
	line := ""
	words := strings.Fields(text)
	for i := 0; i < len(words); i++ {
		next := words[i]
		if line != "" {
			next = line + " " + words[i]
		}
		if s.width(next) <= width {
			line = next
			continue
		}
		if len(lines) == maxLines-1 {
			return append(lines, s.cut(strings.Join(append(fieldsOf(line), words[i:]...), " "), width))
		}
		if line != "" {
			lines, line = append(lines, line), ""
			i--
			continue
		}
		// One word wider than the line: break it.
		r := []rune(words[i])
		n := max(1, s.fitting(r, width))
		lines = append(lines, string(r[:n]))
		words[i] = string(r[n:])
		i--
	}
	if line != "" {
		lines = append(lines, line)
	}
	return lines
}

// wrapLabel wraps a label such as "treated T1 / field 1", after the stroke if
// it needs more than one line.
func (s style) wrapLabel(text string, width float64, maxLines int) []string {
	head, tail, cut := strings.Cut(clean(text), " / ")
	if !cut || s.width(text) <= width || maxLines < 2 {
		return s.wrap(text, width, maxLines)
	}
	lines := s.wrap(head+" /", width, maxLines-1)
	return append(lines, s.wrap(tail, width, maxLines-len(lines))...)
}

func fieldsOf(line string) []string {
	if line == "" {
		return nil
	}
	return []string{line}
}

// fitting returns how many of the runes fit into width.
func (s style) fitting(r []rune, width float64) int {
	lo, hi := 0, len(r)
	for lo < hi {
		mid := (lo + hi + 1) / 2
		if s.width(string(r[:mid])) <= width {
			lo = mid
		} else {
			hi = mid - 1
		}
	}
	return lo
}

// cut shortens text to width, ending in "…".
func (s style) cut(text string, width float64) string {
	text = clean(text)
	if s.width(text) <= width {
		return text
	}
	r := []rune(text)
	n := s.fitting(r, width-s.width("…"))
	return strings.TrimRight(string(r[:n]), " ") + "…"
}

// text draws one line; at is on its baseline, align 0 puts the left end there,
// 0.5 the middle, 1 the right end.
func (p *page) text(at point, align float64, s style, text string) {
	text = clean(text)
	if text == "" {
		return
	}
	if s.colour == nil {
		s.colour = softBlack
	}
	at.x -= align * s.width(text)
	p.c.SetColor(s.colour)
	runs, up := pieces(text)
	for i, r := range runs {
		st, q := s, at
		if up[i] {
			st = s.raised()
			q.y -= 0.38 * s.size
		}
		f := st.face()
		p.c.FillString(f, p.at(q), r)
		at.x += f.Width(r).Points()
	}
}

// textUp draws one line that reads upwards; at is on its baseline.
func (p *page) textUp(at point, align float64, s style, text string) {
	p.c.Push()
	p.c.Translate(p.at(at))
	p.c.Rotate(math.Pi / 2)
	q := &page{w: p.w, h: 0, dpi: p.dpi, c: p.c}
	q.text(point{}, align, s, text)
	p.c.Pop()
}

// haloText draws text with a white rim, for use on top of a map.
func (p *page) haloText(at point, align float64, s style, text string) {
	rim := s
	rim.colour = white
	for i := range 8 {
		dy, dx := math.Sincos(float64(i) * math.Pi / 4)
		p.text(point{at.x + 0.7*dx, at.y + 0.7*dy}, align, rim, text)
	}
	p.text(at, align, s, text)
}

// lines draws lines of text below y and returns where they end.
func (p *page) lines(x, y, align float64, s style, lines []string) float64 {
	for _, l := range lines {
		p.text(point{x, y + s.size*0.95}, align, s, l)
		y += s.size * leading
	}
	return y
}
