package spots

import (
	"fmt"
	"math"
	"math/rand/v2"

	"example.org/fleck/maps"
)

// Association says whether spots lie on or near a feature, such as scratches.
type Association struct {
	Inside   int     // spots within Near of the feature
	Expected float64 // on average of the shifted patterns
	Spots    int
	Share    float64 // of the analysed area within Near of the feature
	MeanPx   float64 // mean distance of the spots to the feature, px
	MeanNull float64 // of the shifted patterns
	// Attracted and Avoided are the p-values of "closer than by chance" and "further",
	// by the mean distance: (r+1)/(M+1) (Monte Carlo test, Barnard 1963).
	Attracted, Avoided float64
	Shifts             int
}

// AssociateOptions are the settings of Associate; the zero value works.
type AssociateOptions struct {
	NearPx float64    // distance that counts as on the feature; 0 means 1 px
	Within *maps.Mask // the area analysed; nil = all
	// Efficiency, if not nil, is the probability of finding a spot by pixel, such as
	// on the flank of a scratch; shifted patterns are weighted with it. Nil = even.
	Efficiency *maps.Map
	Shifts     int // random shifts; 0 means 999
	Seed       uint64
}

// Associate tests spots against a feature mask of the same field. The whole pattern
// is shifted at random, around the frame, and may be turned upside down, so that
// clusters stay clusters: placing spots one by one would call clusters associated
// (Lotwick & Silverman 1982, J. R. Stat. Soc. B 44, 406). Spots that a shift brings
// outside the analysed area are left out of that shift.
func Associate(list []maps.Spot, feature maps.Mask, opt AssociateOptions) (*Association, error) {
	if opt.NearPx == 0 {
		opt.NearPx = 1
	}
	if opt.Shifts == 0 {
		opt.Shifts = 999
	}
	w, h := feature.W, feature.H
	switch {
	case w <= 0 || h <= 0 || len(feature.In) != w*h:
		return nil, fmt.Errorf("spots: mask of %d × %d pixels with %d values", w, h, len(feature.In))
	case opt.Within != nil && (opt.Within.W != w || opt.Within.H != h):
		return nil, fmt.Errorf("spots: analysed area of %d × %d pixels, mask of %d × %d", opt.Within.W, opt.Within.H, w, h)
	case opt.Efficiency != nil && (opt.Efficiency.W != w || opt.Efficiency.H != h):
		return nil, fmt.Errorf("spots: efficiency of %d × %d pixels, mask of %d × %d", opt.Efficiency.W, opt.Efficiency.H, w, h)
	case !(opt.NearPx > 0):
		return nil, fmt.Errorf("spots: distance %g px; must be above 0", opt.NearPx)
	case opt.Shifts < 19:
		return nil, fmt.Errorf("spots: %d shifts; at least 19 are needed", opt.Shifts)
	}
	if n := feature.Count(); n == 0 || n == len(feature.In) {
		return nil, fmt.Errorf("spots: the mask marks %d of %d pixels; it must part the field", n, len(feature.In))
	}
	dist := distances(feature)
	at := func(x, y float64) (p int, ok bool) {
		i, j := int(math.Round(x)), int(math.Round(y))
		if i < 0 || j < 0 || i >= w || j >= h {
			return 0, false
		}
		p = j*w + i
		return p, opt.Within == nil || opt.Within.In[p]
	}
	out := &Association{Shifts: opt.Shifts}
	near, area := 0, 0
	for p, d := range dist {
		if opt.Within == nil || opt.Within.In[p] {
			area++
			if d <= opt.NearPx {
				near++
			}
		}
	}
	out.Share = float64(near) / float64(max(1, area))
	var x, y []float64
	sum := 0.0
	for _, s := range list {
		p, ok := at(s.XPx, s.YPx)
		if !ok {
			continue
		}
		x, y = append(x, s.XPx), append(y, s.YPx)
		sum += dist[p]
		if dist[p] <= opt.NearPx {
			out.Inside++
		}
	}
	out.Spots = len(x)
	if out.Spots == 0 {
		out.MeanPx, out.MeanNull, out.Attracted, out.Avoided = math.NaN(), math.NaN(), 1, 1
		return out, nil
	}
	out.MeanPx = sum / float64(out.Spots)
	rng := rand.New(rand.NewPCG(opt.Seed, 0x6d61736b))
	closer, further := 0, 0
	for range opt.Shifts {
		dx, dy := rng.Float64()*float64(w), rng.Float64()*float64(h)
		turned := rng.Uint64()&1 == 1
		sum, weight, inside := 0.0, 0.0, 0.0
		for i := range x {
			px, py := x[i], y[i]
			if turned {
				px, py = float64(w-1)-px, float64(h-1)-py
			}
			p, ok := at(math.Mod(px+.5+dx, float64(w))-.5, math.Mod(py+.5+dy, float64(h))-.5)
			if !ok {
				continue
			}
			k := 1.0
			if opt.Efficiency != nil {
				k = opt.Efficiency.V[p]
			}
			sum += k * dist[p]
			weight += k
			if dist[p] <= opt.NearPx {
				inside += k
			}
		}
		mean := out.MeanPx // a shift that leaves nothing says nothing
		if weight > 0 {
			mean = sum / weight
			out.Expected += inside / weight * float64(out.Spots) / float64(opt.Shifts)
		}
		out.MeanNull += mean / float64(opt.Shifts)
		if mean <= out.MeanPx+1e-9 {
			closer++
		}
		if mean >= out.MeanPx-1e-9 {
			further++
		}
	}
	out.Attracted = float64(closer+1) / float64(opt.Shifts+1)
	out.Avoided = float64(further+1) / float64(opt.Shifts+1)
	return out, nil
}

// distances returns the Euclidean distance of every pixel to the nearest marked one
// (Felzenszwalb & Huttenlocher 2012, Theory Comput. 8, 415: lower envelopes of
// parabolas along rows, then columns).
func distances(m maps.Mask) []float64 {
	far := float64(m.W*m.W + m.H*m.H + 1)
	d := make([]float64, len(m.In))
	for p, in := range m.In {
		if !in {
			d[p] = far
		}
	}
	n := max(m.W, m.H)
	f, v, z := make([]float64, n), make([]int, n), make([]float64, n+1)
	pass := func(at, step, n int) {
		for i := range n {
			f[i] = d[at+i*step]
		}
		k := 0
		v[0], z[0], z[1] = 0, math.Inf(-1), math.Inf(1)
		for q := 1; q < n; q++ {
			cross := func() float64 {
				p := v[k]
				return ((f[q] + float64(q*q)) - (f[p] + float64(p*p))) / float64(2*q-2*p)
			}
			s := cross()
			for s <= z[k] {
				k--
				s = cross()
			}
			k++
			v[k], z[k], z[k+1] = q, s, math.Inf(1)
		}
		k = 0
		for q := range n {
			for z[k+1] < float64(q) {
				k++
			}
			d[at+q*step] = float64((q-v[k])*(q-v[k])) + f[v[k]]
		}
	}
	for y := range m.H {
		pass(y*m.W, 1, m.W)
	}
	for x := range m.W {
		pass(x, m.W, m.H)
	}
	for p := range d {
		d[p] = math.Sqrt(d[p])
	}
	return d
}

// MaskAbove marks the pixels of an image, such as an electron image of the field,
// that lie above (or, with below, below) the level; NaN is never marked.
func MaskAbove(image maps.Map, level float64, below bool) (maps.Mask, error) {
	m := maps.NewMask(image.W, image.H)
	if err := image.Check(); err != nil {
		return m, fmt.Errorf("spots: %w", err)
	}
	if math.IsNaN(level) {
		return m, fmt.Errorf("spots: the level of the mask is no number")
	}
	for p, v := range image.V {
		m.In[p] = !below && v > level || below && v < level
	}
	return m, nil
}
