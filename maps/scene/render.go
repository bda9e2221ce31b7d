package scene

import (
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"sync"

	"example.org/fleck/maps"
	"example.org/fleck/maps/cube"
	"example.org/fleck/quant/template"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/synth"
	"example.org/fleck/spectra/xray"
)

// TrueSpot is one particle of the truth.
type TrueSpot struct {
	Compound   string
	XPx, YPx   float64 // from the centre of pixel (0, 0)
	DiameterNM float64
	// LineCounts are the expected counts of the compound's own lines over the
	// field, all families; OwnCounts those of its strongest hard family (Ti K of
	// titania).
	LineCounts float64
	OwnCounts  float64
}

// Truth is what a rendered field holds.
type Truth struct {
	Field          maps.Field
	Seed           uint64
	Spots          []TrueSpot
	CountsPerPixel float64
}

// depthTable holds the expected spectrum of a pixel against the mass depth of a
// compound on it.
type depthTable struct {
	compound xray.Material
	depths   []float64   // g/cm², ascending from 0
	whole    [][]float64 // per depth: expected counts per channel, per unit dose
	line     []float64   // per depth: counts of the compound's lines
	own      []float64   // per depth: counts of its strongest hard family
}

// tableDepths are the mass depths of a table, g/cm².
var tableDepths = []float64{0, 5e-7, 1e-6, 3e-6, 1e-5, 2e-5, 4e-5, 7e-5, 1.1e-4, 1.6e-4, 2.3e-4, 3.3e-4, 4.6e-4, 6.5e-4, 9e-4, 1.3e-3, 2e-3}

// newDepthTable computes a table; dose scales counts so that the bare substrate
// has one count.
func (s *Scene) newDepthTable(m xray.Material, dose float64) (*depthTable, error) {
	t := &depthTable{compound: m, depths: tableDepths}
	for _, d := range tableDepths {
		whole, film, err := template.Covered(m, d, s.Setup())
		if err != nil {
			return nil, fmt.Errorf("scene: %w", err)
		}
		for c := range whole.Counts {
			whole.Counts[c] *= dose
		}
		t.whole = append(t.whole, whole.Counts)
		t.line = append(t.line, dose*film.Total())
		own := 0.0
		for _, v := range film.Families[film.Strongest] {
			own += v
		}
		t.own = append(t.own, dose*own)
	}
	return t, nil
}

// at returns the interval and the fraction of depth d.
func (t *depthTable) at(d float64) (int, float64) {
	n := len(t.depths)
	if d >= t.depths[n-1] {
		return n - 2, 1
	}
	for i := n - 2; i > 0; i-- {
		if d >= t.depths[i] {
			return i, (d - t.depths[i]) / (t.depths[i+1] - t.depths[i])
		}
	}
	return 0, d / t.depths[1]
}

// Renderer holds what all fields of a scene share, so that many fields or many
// seeds cost little more than their noise.
type Renderer struct {
	scene     *Scene
	substrate []float64 // expected counts per channel, sum 1
	alias     *aliasTable
	tables    map[string]*depthTable
}

// NewRenderer prepares a scene.
func NewRenderer(s *Scene) (*Renderer, error) {
	sub, err := template.Substrate(s.Setup())
	if err != nil {
		return nil, fmt.Errorf("scene: %w", err)
	}
	total := sub.Total()
	if !(total > 0) {
		return nil, fmt.Errorf("scene: the substrate %s gives no counts", s.Substrate.Name)
	}
	r := &Renderer{scene: s, substrate: sub.Counts, tables: map[string]*depthTable{}}
	for c := range r.substrate {
		r.substrate[c] /= total
	}
	r.alias = newAliasTable(r.substrate)
	for _, f := range s.Specs {
		for _, p := range f.Populations {
			key := p.Compound.String()
			if r.tables[key] == nil {
				if r.tables[key], err = s.newDepthTable(p.Compound, 1/total); err != nil {
					return nil, err
				}
			}
		}
	}
	return r, nil
}

// Render simulates field number field of the scene. The same seed gives the
// same bits for any number of workers; 0 workers means all cores.
func (s *Scene) Render(field int, seed uint64, workers int) (*cube.Memory, Truth, error) {
	r, err := NewRenderer(s)
	if err != nil {
		return nil, Truth{}, err
	}
	return r.Render(field, seed, workers)
}

// particle is one planted particle.
type particle struct {
	table *depthTable
	x, y  float64 // px
	d     float64 // diameter, px
}

// Render simulates one field.
func (r *Renderer) Render(field int, seed uint64, workers int) (*cube.Memory, Truth, error) {
	s := r.scene
	if field < 0 || field >= len(s.Specs) {
		return nil, Truth{}, fmt.Errorf("scene: field %d; 0 to %d exist", field, len(s.Specs)-1)
	}
	if workers <= 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	spec := s.Specs[field]
	particles := r.place(spec, rand.New(rand.NewPCG(seed, uint64(field)<<32|0xf1e1d)))
	depth, owner := r.depths(particles)

	mem, err := cube.NewMemory(s.header(spec.Field))
	if err != nil {
		return nil, Truth{}, fmt.Errorf("scene: %w", err)
	}
	truth := Truth{Field: spec.Field, Seed: seed, CountsPerPixel: s.CountsPerPixel}
	for _, p := range particles {
		truth.Spots = append(truth.Spots, TrueSpot{Compound: p.table.compound.Name, XPx: p.x, YPx: p.y, DiameterNM: p.d * s.Pixel.X.Nm()})
	}
	for i, d := range depth {
		if d > 0 {
			k, f := particles[owner[i]].table.at(d)
			t := particles[owner[i]].table
			dose := s.dose(i%s.Width, i/s.Width)
			truth.Spots[owner[i]].LineCounts += dose * (t.line[k]*(1-f) + t.line[k+1]*f)
			truth.Spots[owner[i]].OwnCounts += dose * (t.own[k]*(1-f) + t.own[k+1]*f)
		}
	}
	rows := make(chan int)
	var wg sync.WaitGroup
	for range workers {
		wg.Go(func() {
			for y := range rows {
				rng := rand.New(rand.NewPCG(seed, uint64(field)<<32|uint64(y)))
				for x := 0; x < s.Width; x++ {
					i := y*s.Width + x
					px := mem.Data[i*s.Channels : (i+1)*s.Channels]
					dose := s.dose(x, y)
					if depth[i] <= 0 {
						for range synth.Poisson(rng, dose) {
							px[r.alias.draw(rng)]++
						}
						continue
					}
					t := particles[owner[i]].table
					k, f := t.at(depth[i])
					lo, hi := t.whole[k], t.whole[k+1]
					for c := range px {
						px[c] = synth.Poisson(rng, dose*(lo[c]*(1-f)+hi[c]*f))
					}
				}
			}
		})
	}
	for y := 0; y < s.Height; y++ {
		rows <- y
	}
	close(rows)
	wg.Wait()
	return mem, truth, nil
}

// dose returns the expected counts of the bare substrate at a pixel.
func (s *Scene) dose(x, y int) float64 {
	u := 0.0
	if s.Width > 1 {
		u = float64(x)/float64(s.Width-1) - 0.5
	}
	return s.CountsPerPixel * (1 - s.Shading*u)
}

func (s *Scene) header(f maps.Field) cube.Header {
	return cube.Header{Width: s.Width, Height: s.Height, Channels: s.Channels, Type: cube.U16,
		Calibration: s.Calibration, CalibrationKnown: true, Pixel: s.Pixel,
		Conditions: spectra.Conditions{BeamEnergy: s.BeamEnergy, TakeOff: s.TakeOff}, Title: s.Title + ": " + f.Name}
}

// maxTries bounds the search for a free place of one particle.
const maxTries = 200

// place draws the particles of a field; they do not overlap, and their edges
// keep a beam's width apart. One that finds no place is left out.
func (r *Renderer) place(spec FieldSpec, rng *rand.Rand) []particle {
	s := r.scene
	var out []particle
	for _, p := range spec.Populations {
		t := r.tables[p.Compound.String()]
		region := p.Region
		if region == [4]float64{} {
			region = [4]float64{0, 0, 1, 1}
		}
		for range p.Number {
			d := p.MinNM * math.Pow(p.MaxNM/p.MinNM, rng.Float64()) / s.Pixel.X.Nm()
			for range maxTries {
				margin := 2 + d/2
				x := math.Min(math.Max(float64(s.Width)*(region[0]+(region[2]-region[0])*rng.Float64())-0.5, margin), float64(s.Width)-1-margin)
				y := math.Min(math.Max(float64(s.Height)*(region[1]+(region[3]-region[1])*rng.Float64())-0.5, margin), float64(s.Height)-1-margin)
				free := true
				for _, q := range out {
					if math.Hypot(q.x-x, q.y-y) < (q.d+d)/2+5 {
						free = false
						break
					}
				}
				if free {
					out = append(out, particle{t, x, y, d})
					break
				}
			}
		}
	}
	return out
}

// depths returns the mean mass depth of every pixel, g/cm², and the particle it
// belongs to: the projected thickness of the spheres, averaged over the pixel
// and blurred by the beam.
func (r *Renderer) depths(particles []particle) (depth []float64, owner []int) {
	s := r.scene
	depth = make([]float64, s.Width*s.Height)
	owner = make([]int, s.Width*s.Height)
	blur := s.ProbeNM / 2.3548 / s.Pixel.X.Nm() // px
	pixelCM := float64(s.Pixel.X) * 100
	for k, p := range particles {
		radius := p.d / 2
		reach := radius + 3*blur + 1
		x0, x1 := max(0, int(p.x-reach)), min(s.Width-1, int(p.x+reach)+1)
		y0, y1 := max(0, int(p.y-reach)), min(s.Height-1, int(p.y+reach)+1)
		// Sample the sphere on a fine grid; each sample's thickness is spread
		// over pixels by the beam's Gaussian.
		n := max(9, int(math.Ceil(p.d*6)))
		step := p.d / float64(n)
		for a := 0; a < n; a++ {
			for b := 0; b < n; b++ {
				u, v := (float64(a)+0.5)*step-radius, (float64(b)+0.5)*step-radius
				h2 := radius*radius - u*u - v*v
				if h2 <= 0 {
					continue
				}
				mass := 2 * math.Sqrt(h2) * step * step * pixelCM * p.table.compound.Density
				for y := y0; y <= y1; y++ {
					wy := coverage(float64(y), p.y+v, blur)
					if wy < 1e-6 {
						continue
					}
					for x := x0; x <= x1; x++ {
						if w := wy * coverage(float64(x), p.x+u, blur); w > 1e-6 {
							i := y*s.Width + x
							depth[i] += w * mass
							owner[i] = k
						}
					}
				}
			}
		}
	}
	return depth, owner
}

// coverage is the share of a Gaussian around centre that falls on pixel x.
func coverage(x, centre, sigma float64) float64 {
	if sigma <= 0 {
		if math.Abs(x-centre) <= 0.5 {
			return 1
		}
		return 0
	}
	k := 1 / (sigma * math.Sqrt2)
	return 0.5 * (math.Erf((x+0.5-centre)*k) - math.Erf((x-0.5-centre)*k))
}

// aliasTable draws channels from a fixed distribution in constant time
// (Walker 1977, ACM Trans. Math. Softw. 3, 253).
type aliasTable struct {
	keep  []float64
	other []int
}

func newAliasTable(p []float64) *aliasTable {
	n := len(p)
	t := &aliasTable{keep: make([]float64, n), other: make([]int, n)}
	total := 0.0
	for _, v := range p {
		total += v
	}
	var small, large []int
	scaled := make([]float64, n)
	for i, v := range p {
		scaled[i] = v / total * float64(n)
		if scaled[i] < 1 {
			small = append(small, i)
		} else {
			large = append(large, i)
		}
	}
	for len(small) > 0 && len(large) > 0 {
		s, l := small[len(small)-1], large[len(large)-1]
		small = small[:len(small)-1]
		t.keep[s], t.other[s] = scaled[s], l
		scaled[l] -= 1 - scaled[s]
		if scaled[l] < 1 {
			large = large[:len(large)-1]
			small = append(small, l)
		}
	}
	for _, i := range append(small, large...) {
		t.keep[i], t.other[i] = 1, i
	}
	return t
}

func (t *aliasTable) draw(rng *rand.Rand) int {
	u := rng.Float64() * float64(len(t.keep))
	i := min(int(u), len(t.keep)-1)
	if u-float64(i) < t.keep[i] {
		return i
	}
	return t.other[i]
}
