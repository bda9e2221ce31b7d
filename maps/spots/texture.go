package spots

import (
	"fmt"
	"math"
	"slices"

	"example.org/fleck/maps"
	"gonum.org/v1/gonum/stat/distuv"
)

// Settings of TextureMask (choices of this package): 32 directions bend a line of
// 2·lineHalf+1 pixels by half a pixel; widths of 1 and 3 px answer to grooves of up
// to about 5 px; with lineClip, half of the steps alone cannot mark a place.
const (
	lineDirections = 32
	lineHalf       = 10  // steps to each side of a pixel
	lineReach      = 30  // steps to each side within which they are looked for
	lineClip       = 1.5 // no step counts for more standard deviations than this
	lineFalse      = 1   // places marked by chance per map, at most
	flankWidth     = 3   // px
)

var lineWidths = [...]int{1, 3}

// TextureMask marks the straight line features of a map of counts, such as
// scratches: places darker, or brighter, than what lies on both sides, along a line.
// Strong ones are marked a pixel wider on both sides. Edges are none, nor are grains
// of up to about six pixels. Skipped pixels and NaN take no part; lines are bridged
// there from what lies before and behind, so that such pixels are nearly as likely to
// be marked as others: of 300 maps with ten spots at random, Associate called 3 %
// closer and 5 % further than by chance, at 5 %.
//
// A mask that spots are to be tested against with Associate must not depend on these
// spots: skip must hold them (see Around). Nil: nothing is skipped. The mask says where
// features are and is no test itself.
//
// At each pixel and direction the steps along a line are compared with the flanks on
// both sides, in standard deviations and clipped at 1.5; the sum must stand out in the
// same sense against both flanks, at a normal level at which at most one place per map
// is marked by chance. The standard deviation is Poisson's by the mean of 21 × 21
// pixels, widened where neighbours differ by more (median absolute deviation).
func TextureMask(counts maps.Map, skip *maps.Mask, workers int) (maps.Mask, error) {
	mask := maps.NewMask(counts.W, counts.H)
	if err := counts.Check(); err != nil {
		return mask, fmt.Errorf("spots: %w", err)
	}
	if skip != nil && (skip.W != counts.W || skip.H != counts.H || len(skip.In) != len(counts.V)) {
		return mask, fmt.Errorf("spots: %d × %d pixels to skip, map of %d × %d", skip.W, skip.H, counts.W, counts.H)
	}
	t := texture{w: counts.W, h: counts.H, v: slices.Clone(counts.V)}
	for p, v := range t.v {
		if v < 0 || math.IsInf(v, 0) {
			return mask, fmt.Errorf("spots: pixel (%d, %d) holds %g counts; must be 0 or more", p%t.w, p/t.w, v)
		}
		if skip != nil && skip.In[p] {
			t.v[p] = math.NaN()
		}
	}
	t.scale()
	kinds := lineDirections * len(lineWidths)
	normal := distuv.UnitNormal
	out := 2 * normal.Survival(lineClip)
	clipped := math.Sqrt(1 - out - 2*lineClip*normal.Prob(lineClip) + lineClip*lineClip*out) // standard deviation
	level := clipped * normal.Quantile(1-lineFalse/2./float64(kinds*len(t.v)))
	found := make([][]bool, kinds)
	parallel(kinds, workers, func() func(int) {
		return func(i int) {
			found[i] = t.lines(math.Pi*float64(i%lineDirections)/lineDirections, lineWidths[i/lineDirections], level)
		}
	})
	for _, f := range found {
		for p, in := range f {
			mask.In[p] = mask.In[p] || in
		}
	}
	return mask, nil
}

// Around marks the pixels within three widths and a pixel of spots.
func Around(list []maps.Spot, w, h int) maps.Mask {
	m := maps.NewMask(w, h)
	for _, s := range list {
		r := 3*s.WidthPx + 1
		for y := max(0, int(s.YPx-r)); y <= min(h-1, int(s.YPx+r+1)); y++ {
			for x := max(0, int(s.XPx-r)); x <= min(w-1, int(s.XPx+r+1)); x++ {
				if math.Hypot(float64(x)-s.XPx, float64(y)-s.YPx) <= r {
					m.In[y*w+x] = true
				}
			}
		}
	}
	return m
}

// texture is a map in which lines are looked for; NaN takes no part.
type texture struct {
	w, h int
	v    []float64
	sd   []float64 // of one pixel
}

// scale fills in the standard deviations.
func (t *texture) scale() {
	var d []float64
	for p, a := range t.v {
		if p%t.w == 0 {
			continue
		}
		if b := t.v[p-1]; a+b > 0 { // false for NaN
			d = append(d, math.Abs(a-b)/math.Sqrt(a+b))
		}
	}
	dispersion := 1.0
	if len(d) > 0 {
		slices.Sort(d)
		s := d[len(d)/2] / 0.6745 // quantile of the normal law at 3/4
		dispersion = math.Max(1, s*s)
	}
	// Sums over rows and columns from the upper left corner.
	sum, num := make([]float64, (t.w+1)*(t.h+1)), make([]float64, (t.w+1)*(t.h+1))
	for y := range t.h {
		for x := range t.w {
			i := (y+1)*(t.w+1) + x + 1
			sum[i] = sum[i-1] + sum[i-t.w-1] - sum[i-t.w-2]
			num[i] = num[i-1] + num[i-t.w-1] - num[i-t.w-2]
			if v := t.v[y*t.w+x]; !math.IsNaN(v) {
				sum[i], num[i] = sum[i]+v, num[i]+1
			}
		}
	}
	t.sd = make([]float64, len(t.v))
	for p := range t.sd {
		x, y := p%t.w, p/t.w
		a, b := max(0, y-lineHalf)*(t.w+1), min(t.h, y+lineHalf+1)*(t.w+1)
		c, d := max(0, x-lineHalf), min(t.w, x+lineHalf+1)
		box := func(s []float64) float64 { return s[b+d] - s[b+c] - s[a+d] + s[a+c] }
		t.sd[p] = math.Sqrt(dispersion * box(sum) / box(num)) // NaN where nothing is left
	}
}

// lines marks the pixels that lie on a line of a direction and width.
func (t *texture) lines(angle float64, width int, level float64) []bool {
	sin, cos := math.Sincos(angle)
	sides := t.steps(sin, cos, width)
	var at [2][lineReach]pixelOffset
	for side, sign := range [...]float64{-1, 1} {
		for k := range lineReach {
			d := sign * float64(k+1)
			at[side][k] = pixelOffset{int(math.Round(d * cos)), int(math.Round(d * sin))}
		}
	}
	out := make([]bool, len(t.v))
	for p := range out {
		n, left, right := 0, 0.0, 0.0
		take := func(q int) {
			if s := sides[q]; !math.IsNaN(s[0]) {
				n, left, right = n+1, left+s[0], right+s[1]
			}
		}
		take(p)
		for side := range at {
			stop := n + lineHalf
			for _, o := range at[side] {
				x, y := p%t.w+o.x, p/t.w+o.y
				if n == stop || x < 0 || y < 0 || x >= t.w || y >= t.h {
					break
				}
				take(y*t.w + x)
			}
		}
		if n >= lineHalf && left*right > 0 {
			out[p] = math.Min(math.Abs(left), math.Abs(right)) > level*math.Sqrt(float64(n))
		}
	}
	return out
}

type pixelOffset struct{ x, y int }

// steps returns for every pixel by how many standard deviations a piece of a line
// there, one pixel long, stands out from its left and right flank, clipped; NaN first
// where pixels of the line or a whole flank are missing. Between line and flank lies a
// gap of one pixel.
func (t *texture) steps(sin, cos float64, width int) [][2]float64 {
	var strips [3][]pixelOffset
	for i, w := range [...]int{flankWidth, width, flankWidth} {
		middle := float64(i-1) * (float64(width+flankWidth)/2 + 1)
		for j := range w {
			d := middle + float64(j) - float64(w-1)/2
			strips[i] = append(strips[i], pixelOffset{int(math.Round(-d * sin)), int(math.Round(d * cos))})
		}
	}
	out := make([][2]float64, len(t.v))
	for p := range out {
		line, n := t.mean(p, strips[1])
		if n < width {
			out[p][0] = math.NaN()
			continue
		}
		for side, strip := range [...][]pixelOffset{strips[0], strips[2]} {
			flank, m := t.mean(p, strip) // NaN without a pixel
			sd := t.sd[p] * math.Sqrt(1/float64(n)+1/float64(m))
			out[p][side] = math.Max(-lineClip, math.Min(lineClip, (line-flank)/sd))
		}
		if math.IsNaN(out[p][1]) {
			out[p][0] = math.NaN()
		}
	}
	return out
}

// mean returns the mean over the pixels at the offsets from p that take part, and
// their number.
func (t *texture) mean(p int, at []pixelOffset) (mean float64, n int) {
	sum := 0.0
	for _, o := range at {
		x, y := p%t.w+o.x, p/t.w+o.y
		if x < 0 || y < 0 || x >= t.w || y >= t.h {
			continue
		}
		if v := t.v[y*t.w+x]; !math.IsNaN(v) {
			sum, n = sum+v, n+1
		}
	}
	return sum / float64(n), n
}
