package spots

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"example.org/fleck/maps"
	"gonum.org/v1/gonum/stat/distuv"
)

// ErrNoOffset is returned where neither spots nor texture of two fields show how they
// lie to each other.
var ErrNoOffset = errors.New("the offset between the two fields cannot be established")

// Values of Offset.From.
const (
	FromSpots   = "spots"
	FromTexture = "texture"
	FromBoth    = "spots and texture"
)

// OffsetField is what FindOffset looks at in a field.
type OffsetField struct {
	Spots  []maps.Spot // places that stand out, of whatever compound
	Counts maps.Map    // total counts of the pixels; NaN where there is no value
}

// OffsetOptions are the settings of FindOffset; the zero value works.
type OffsetOptions struct {
	Alpha float64 // chance of a match of unrelated fields; 0 means 0.001
	Seed  uint64
}

// Offset says where the second of two fields lies in the first.
type Offset struct {
	XPx, YPx           float64 // added to a place in the second field gives that in the first
	SigmaXPx, SigmaYPx float64 // standard uncertainty
	Common             int     // spots that match at the best offset of the spots
	SpotsP, TextureP   float64 // chance that unrelated fields match as well; NaN where there is nothing to match
	From               string  // what established it
}

// Settings of FindOffset, choices of this package.
const (
	offsetAlpha  = 0.001
	pixelsAlike  = 0.01 // relative difference of pixel sizes that counts as none
	agreeSigmas  = 4.0  // largest difference of the two ways, in standard uncertainties …
	agreePx      = 1.0  // … and pixels
	offsetReach  = 2    // the offset is at most this part of the larger side: 1/2
	leastOffset  = 0.05 // px, least uncertainty that is stated
	surroundings = 6.0  // px, about a peak of the correlation that belong to it
)

// FindOffset finds the shift between two fields of one place and pixel size, without
// rotation, of at most half of a side. Two ways are tried, and each states the chance
// with which unrelated fields match as well:
//
//   - the lists of spots: the shift at which most spots of the two meet within 2 px,
//     against lists at random places and against turned and mirrored lists;
//   - the total counts without the spots: the peak of the correlation of the two maps,
//     slow trends taken off, against that at all other shifts.
//
// One is enough where its chance is at most Alpha; two that contradict each other are
// refused. Errors that wrap ErrNoOffset say what was missing.
func FindOffset(first, second OffsetField, opt OffsetOptions) (Offset, error) {
	o := Offset{SpotsP: math.NaN(), TextureP: math.NaN()}
	if opt.Alpha == 0 {
		opt.Alpha = offsetAlpha
	}
	if !(opt.Alpha > 0 && opt.Alpha < 1) {
		return o, fmt.Errorf("spots: alpha %g; must lie between 0 and 1", opt.Alpha)
	}
	for _, f := range []OffsetField{first, second} {
		if err := f.Counts.Check(); err != nil {
			return o, fmt.Errorf("spots: %w", err)
		}
	}
	a, b := first.Counts.Pixel, second.Counts.Pixel
	if a.Known() && b.Known() && (math.Abs(float64(b.X/a.X)-1) > pixelsAlike || math.Abs(float64(b.Y/a.Y)-1) > pixelsAlike) {
		return o, fmt.Errorf("spots: %w: pixels of %.4g × %.4g µm in the first and of %.4g × %.4g µm in the second; they must be alike", ErrNoOffset, a.X.Um(), a.Y.Um(), b.X.Um(), b.Y.Um())
	}
	reach := [2]int{max(first.Counts.W, second.Counts.W) / offsetReach, max(first.Counts.H, second.Counts.H) / offsetReach}
	spots := matchSpots(first, second, reach, opt)
	texture := matchTexture(first, second, reach)
	o.Common, o.SpotsP, o.TextureP = spots.common, spots.p, texture.p
	bySpots, byTexture := spots.p <= opt.Alpha, texture.p <= opt.Alpha
	switch {
	case bySpots && byTexture:
		var d, sigma [2]float64
		for i := range d {
			d[i], sigma[i] = math.Abs(spots.at[i]-texture.at[i]), math.Hypot(spots.sigma[i], texture.sigma[i])
			if d[i] > agreePx && d[i] > agreeSigmas*sigma[i] {
				return o, fmt.Errorf("spots: %w: the spots match at (%.1f, %.1f) px, the texture at (%.1f, %.1f) px", ErrNoOffset, spots.at[0], spots.at[1], texture.at[0], texture.at[1])
			}
		}
		o.From = FromBoth
		for i := range d {
			v, w := spots.sigma[i]*spots.sigma[i], texture.sigma[i]*texture.sigma[i]
			spots.at[i] = (spots.at[i]*w + texture.at[i]*v) / (v + w)
			spots.sigma[i] = math.Max(math.Sqrt(v*w/(v+w)), d[i]/2)
		}
		o.set(spots)
	case bySpots:
		o.From = FromSpots
		o.set(spots)
	case byTexture:
		o.From = FromTexture
		o.set(texture)
	default:
		return o, fmt.Errorf("spots: %w: %s; %s; %.2g is accepted", ErrNoOffset, spots.words(len(first.Spots), len(second.Spots)), texture.texture(), opt.Alpha)
	}
	return o, nil
}

func (o *Offset) set(m match) {
	o.XPx, o.YPx = m.at[0], m.at[1]
	o.SigmaXPx, o.SigmaYPx = math.Max(m.sigma[0], leastOffset), math.Max(m.sigma[1], leastOffset)
}

// Move returns the spots of the second field at their places in the first, whose
// pixel size is given.
func (o Offset) Move(list []maps.Spot, pixel maps.Pixel) []maps.Spot {
	out := slices.Clone(list)
	for i := range out {
		s := &out[i]
		s.XPx, s.YPx = s.XPx+o.XPx, s.YPx+o.YPx
		s.SigmaXPx, s.SigmaYPx = math.Hypot(s.SigmaXPx, o.SigmaXPx), math.Hypot(s.SigmaYPx, o.SigmaYPx)
		s.XUm, s.YUm = micrometres(s.XPx, s.YPx, pixel)
	}
	return out
}

// match is what one way finds: the offset, and the chance of one as good among
// unrelated fields.
type match struct {
	at, sigma [2]float64
	common    int
	p         float64 // NaN where there is nothing to match
	ambiguous bool
}

func (m match) words(first, second int) string {
	if math.IsNaN(m.p) {
		return fmt.Sprintf("%d and %d spots, none to match", first, second)
	}
	return fmt.Sprintf("of %d and %d spots at most %d meet at one shift, as unrelated lists do with p = %.2g", first, second, m.common, m.p)
}

func (m match) texture() string {
	switch {
	case m.ambiguous:
		return "the texture of the counts matches at several shifts alike"
	case math.IsNaN(m.p):
		return "the counts show no texture"
	}
	return fmt.Sprintf("the texture of the counts matches as that of unrelated fields does with p = %.2g", m.p)
}

// Settings of matchTexture, choices of this package: counts are averaged over a
// Gaussian of fineWidth, less one of coarseWidth, and cut at textureClip standard
// deviations; a second peak of ambiguousPeak times the first is one too many.
const (
	fineWidth, coarseWidth = 1.0, 6.0
	textureClip            = 3.0
	ambiguousPeak          = 0.8
)

// matchTexture finds the peak of the correlation of two maps of counts. Its standard
// deviation at unrelated shifts is that over all shifts off the peak, so that it
// allows for how far the texture of each map extends; the chance is that of a normal
// law times the number of shifts (Bonferroni).
func matchTexture(first, second OffsetField, reach [2]int) match {
	m := match{p: math.NaN()}
	a, ka := flattened(first)
	b, kb := flattened(second)
	if a == nil || b == nil {
		return m
	}
	nx := goodSize(max(first.Counts.W, second.Counts.W) + reach[0] + 1)
	ny := goodSize(max(first.Counts.H, second.Counts.H) + reach[1] + 1)
	t := newTransform(nx, ny)
	padded := func(f OffsetField, v []float64) []complex128 {
		tile := make([]float64, nx*ny)
		for y := range f.Counts.H {
			copy(tile[y*nx:], v[y*f.Counts.W:(y+1)*f.Counts.W])
		}
		out := make([]complex128, t.hx*ny)
		t.forward(out, tile)
		return out
	}
	correlate := func(va, vb []float64) []float64 {
		fa, fb := padded(first, va), padded(second, vb)
		for i := range fa {
			fa[i] *= complex(real(fb[i]), -imag(fb[i]))
		}
		out := make([]float64, nx*ny)
		t.inverse(out, fa)
		return out
	}
	sum, shared := correlate(a, b), correlate(ka, kb)
	// Value at a shift: sum over the pixels that both hold, of unit variance each.
	least := float64(len(a)) / 8
	at := func(x, y int) float64 {
		q := (y+ny)%ny*nx + (x+nx)%nx
		if shared[q] < least {
			return math.NaN()
		}
		return sum[q] / math.Sqrt(shared[q])
	}
	px, py, top := 0, 0, math.Inf(-1)
	for y := -reach[1] + 1; y < reach[1]; y++ {
		for x := -reach[0] + 1; x < reach[0]; x++ {
			if v := at(x, y); v > top {
				px, py, top = x, y, v
			}
		}
	}
	var n, square, second2 float64
	var slope [2]float64
	for y := -reach[1] + 1; y < reach[1]; y++ {
		for x := -reach[0] + 1; x < reach[0]; x++ {
			v := at(x, y)
			if math.Hypot(float64(x-px), float64(y-py)) <= surroundings || math.IsNaN(v) {
				continue
			}
			dx, dy := (at(x+1, y)-at(x-1, y))/2, (at(x, y+1)-at(x, y-1))/2
			if math.IsNaN(dx) || math.IsNaN(dy) {
				continue
			}
			n++
			square += v * v
			slope[0] += dx * dx
			slope[1] += dy * dy
			second2 = math.Max(second2, v)
		}
	}
	if n < 100 || square == 0 { // too small a field for a law of the correlation
		return m
	}
	z := top / math.Sqrt(square/n)
	m.p = math.Min(1, n*distuv.UnitNormal.Survival(z))
	if second2 > ambiguousPeak*top {
		m.p, m.ambiguous = 1, z > 5
		return m
	}
	for i, s := range [2][2]float64{{at(px-1, py), at(px+1, py)}, {at(px, py-1), at(px, py+1)}} {
		bend := 2*top - s[0] - s[1]
		if !(bend > 0) { // false for NaN
			m.p = 1
			return m
		}
		m.at[i] = float64([2]int{px, py}[i]) + (s[1]-s[0])/2/bend
		m.sigma[i] = math.Sqrt(slope[i]/n) / bend
	}
	return m
}

// flattened returns the counts of a field less their slow trend, with unit variance
// and 0 around spots and where there is no value, and 1 for every pixel that takes
// part; nil where nothing is left.
func flattened(f OffsetField) (v, in []float64) {
	w, h := f.Counts.W, f.Counts.H
	skip := Around(f.Spots, w, h)
	in = make([]float64, w*h)
	v = make([]float64, w*h)
	n, mean := 0.0, 0.0
	for p, c := range f.Counts.V {
		if !skip.In[p] && !math.IsNaN(c) && !math.IsInf(c, 0) {
			in[p] = 1
			n++
			mean += (c - mean) / n
		}
	}
	if n < float64(w*h)/4 {
		return nil, nil
	}
	for p, c := range f.Counts.V {
		if in[p] > 0 {
			v[p] = c - mean
		}
	}
	detrend(v, in, w, h)
	fine, coarse := averaged(v, in, w, h, fineWidth), averaged(v, in, w, h, coarseWidth)
	square := 0.0
	for p := range v {
		v[p] = in[p] * (fine[p] - coarse[p])
		square += v[p] * v[p]
	}
	if square == 0 {
		return nil, nil
	}
	sd := math.Sqrt(square / n)
	for p := range v {
		v[p] = math.Max(-textureClip, math.Min(textureClip, v[p]/sd))
	}
	return v, in
}
