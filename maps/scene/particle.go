package scene

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
)

// particle is one planted particle.
type particle struct {
	*compound
	mixture mixture
	x, y    float64 // px, where the specimen lies at the middle row
	d       float64 // diameter, px
}

// maxTries bounds the search for a free place of one particle.
const maxTries = 200

// place draws the particles of a field; they do not overlap, and their edges keep
// a beam's width apart. One that finds no place is left out.
func (r *Renderer) place(spec FieldSpec, rng *rand.Rand) []particle {
	s := r.scene
	var out []particle
	near := newNeighbours(s)
	for _, p := range spec.Populations {
		c := r.compounds[populationKey(p)]
		region := p.Region
		if region == ([4]float64{}) {
			region = [4]float64{0, 0, 1, 1}
		}
		for range p.Number {
			nm := p.MinNM * math.Pow(p.MaxNM/p.MinNM, rng.Float64())
			d := nm / s.Pixel.X.Nm()
			for range maxTries {
				margin := 2 + d/2
				x := math.Max(math.Min(float64(s.Width)*(region[0]+(region[2]-region[0])*rng.Float64())-0.5, float64(s.Width)-1-margin), margin)
				y := math.Max(math.Min(float64(s.Height)*(region[1]+(region[3]-region[1])*rng.Float64())-0.5, float64(s.Height)-1-margin), margin)
				q := particle{c, c.mix(nm), x, y, d}
				if near.free(out, q) {
					near.put(len(out), q)
					out = append(out, q)
					break
				}
			}
		}
	}
	return out
}

// apart is the least distance of the edges of two particles, px.
const apart = 5

// neighbours finds particles near a place in constant time.
type neighbours struct {
	cell    float64
	largest float64 // diameter so far
	at      map[[2]int][]int
}

func newNeighbours(s *Scene) *neighbours {
	return &neighbours{cell: math.Max(8, float64(max(s.Width, s.Height))/256), at: map[[2]int][]int{}}
}

func (n *neighbours) free(all []particle, p particle) bool {
	reach := (p.d+n.largest)/2 + apart
	for j := int(math.Floor((p.y - reach) / n.cell)); j <= int(math.Floor((p.y+reach)/n.cell)); j++ {
		for i := int(math.Floor((p.x - reach) / n.cell)); i <= int(math.Floor((p.x+reach)/n.cell)); i++ {
			for _, k := range n.at[[2]int{i, j}] {
				if q := all[k]; math.Hypot(q.x-p.x, q.y-p.y) < (q.d+p.d)/2+apart {
					return false
				}
			}
		}
	}
	return true
}

func (n *neighbours) put(k int, p particle) {
	c := [2]int{int(math.Floor(p.x / n.cell)), int(math.Floor(p.y / n.cell))}
	n.at[c] = append(n.at[c], k)
	n.largest = math.Max(n.largest, p.d)
}

// footprint is how the rings of a particle spread over pixels.
type footprint struct {
	particle int
	x0, y0   int
	w, h     int
	rings    int
	share    []float64 // [y][x][ring] of the ring's electrons that belong to the pixel
}

// row returns the shares of row y, [x][ring], nil outside.
func (f *footprint) row(y int) []float64 {
	if y < f.y0 || y >= f.y0+f.h {
		return nil
	}
	return f.share[(y-f.y0)*f.w*f.rings : (y-f.y0+1)*f.w*f.rings]
}

// reach returns how far a particle shows from its middle, px.
func (r *Renderer) reach(p particle) float64 {
	return p.d/2 + p.halo/r.scene.Pixel.X.Nm() + 3*r.blur() + 1
}

// blur is the standard deviation of the beam, px.
func (r *Renderer) blur() float64 {
	const fwhmPerSigma = 2.3548200450309493
	return r.scene.ProbeNM / fwhmPerSigma / r.scene.Pixel.X.Nm()
}

// fewest and finest say how a ring is sampled: at least fewest points, and so many
// that they stand closer than finest pixels.
const (
	fewest = 24
	finest = 0.4
)

// footprint spreads the rings of particle k in a frame: each ring is sampled evenly by area, and
// each sample shared out to the pixels whose raster, blurred by the beam, holds it.
func (r *Renderer) footprint(k int, p particle, frame int) *footprint {
	s := r.scene
	dx, dy := s.drift(int(math.Round(p.y)), frame)
	cx, cy := p.x+dx, p.y+dy
	reach := r.reach(p)
	f := &footprint{particle: k, rings: len(ringShares) + len(haloShares)}
	f.x0, f.y0 = max(0, int(math.Floor(cx-reach))), max(0, int(math.Floor(cy-reach)))
	f.w = min(s.Width-1, int(math.Ceil(cx+reach))) - f.x0 + 1
	f.h = min(s.Height-1, int(math.Ceil(cy+reach))) - f.y0 + 1
	if f.w <= 0 || f.h <= 0 {
		f.w, f.h = 0, 0
		return f
	}
	f.share = make([]float64, f.w*f.h*f.rings)
	blur := r.blur()
	inner := 0.0
	for ring, outer := range p.rings(p.d * s.Pixel.X.Nm()) {
		outer /= s.Pixel.X.Nm()
		n := max(fewest, int(math.Pi*(outer*outer-inner*inner)/(finest*finest)))
		for i := range n {
			// Vogel 1979, Math. Biosci. 44, 179: the golden angle spaces evenly.
			rho := math.Sqrt(inner*inner + (outer*outer-inner*inner)*(float64(i)+0.5)/float64(n))
			sin, cos := math.Sincos(float64(i) * 2.399963229728653)
			f.spread(cx+rho*cos, cy+rho*sin, blur, ring, 1/float64(n))
		}
		inner = outer
	}
	return f
}

// spread shares a sample of a ring out.
func (f *footprint) spread(x, y, blur float64, ring int, weight float64) {
	reach := 0.5 + 4*blur
	x0, x1 := max(f.x0, int(math.Ceil(x-reach))), min(f.x0+f.w-1, int(math.Floor(x+reach)))
	for j := max(f.y0, int(math.Ceil(y-reach))); j <= min(f.y0+f.h-1, int(math.Floor(y+reach))); j++ {
		wy := weight * coverage(float64(j), y, blur)
		for i := x0; i <= x1; i++ {
			f.share[((j-f.y0)*f.w+i-f.x0)*f.rings+ring] += wy * coverage(float64(i), x, blur)
		}
	}
}

// coverage is the share of a Gaussian around centre that falls on pixel x.
func coverage(x, centre, sigma float64) float64 {
	if sigma <= 0 {
		if d := centre - x; d >= -0.5 && d < 0.5 {
			return 1
		}
		return 0
	}
	k := 1 / (sigma * math.Sqrt2)
	return 0.5 * (math.Erf((x+0.5-centre)*k) - math.Erf((x-0.5-centre)*k))
}

// byRow returns the numbers of the particles in the order in which the rows of a
// frame reach them.
func (r *Renderer) byRow(all []particle, frame int) []int {
	order := make([]int, len(all))
	for i := range order {
		order[i] = i
	}
	top := func(k int) float64 {
		p := all[k]
		_, dy := r.scene.drift(int(math.Round(p.y)), frame)
		return p.y + dy - r.reach(p)
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(top(a), top(b)) })
	return order
}
