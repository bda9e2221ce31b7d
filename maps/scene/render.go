package scene

import (
	"fmt"
	"io"
	"math/rand/v2"
	"runtime"
	"sync"

	"example.org/fleck/maps"
	"example.org/fleck/maps/cube"
	"example.org/fleck/spectra"
)

// TrueSpot is one particle of the truth.
type TrueSpot struct {
	Compound   string
	XPx, YPx   float64 // from the centre of pixel (0, 0), drift included, the mean of the frames
	DiameterNM float64
	Sunk       float64
	// LineCounts are the expected counts of the compound's own lines over the
	// field, all families; OwnCounts those of its strongest hard family (Ti K of
	// titania). A part of them, some 10 to 30 %, is raised by electrons that come back
	// from the substrate and lies around the particle, as far as electrons range.
	// What the beam takes away is taken off, dead time and pile-up are not.
	LineCounts float64
	OwnCounts  float64
}

// Truth is what a rendered field holds.
type Truth struct {
	Field          maps.Field
	Seed           uint64
	Spots          []TrueSpot
	Films          []Film
	Scratches      []Scratch
	CountsPerPixel float64 // recorded, of the bare substrate
	// RateCPS is the rate of photons of the bare substrate, 0 if unknown; DeadTime
	// the share of the time that is lost to it, PileUp the share of sums among the
	// recorded events.
	RateCPS, DeadTime, PileUp float64
}

// Renderer holds what all fields of a scene share, so that many fields or many
// seeds cost little more than their noise.
type Renderer struct {
	scene     *Scene
	plain     *ground
	carbon    *ground   // that has grown in the end, nil = none
	terrains  []terrain // per field
	compounds map[string]*compound
	counting  counting
}

// populationKey names what populations may share.
func populationKey(p Population) string {
	return fmt.Sprint(p.Compound.String(), " ", p.Sunk, p.Truncated)
}

// NewRenderer simulates the spectra of a scene. The same scene gives the same
// bits.
func NewRenderer(s *Scene) (*Renderer, error) {
	if err := s.check(); err != nil {
		return nil, fmt.Errorf("scene: %w", err)
	}
	r := &Renderer{scene: s, compounds: map[string]*compound{}}
	var err error
	if r.plain, err = s.bare(nil, s.setup(), 0); err != nil {
		return nil, err
	}
	low, high := map[string]float64{}, map[string]float64{}
	for _, f := range s.Specs {
		for _, p := range f.Populations {
			k := populationKey(p)
			if low[k] == 0 || p.MinNM < low[k] {
				low[k] = p.MinNM
			}
			high[k] = max(high[k], p.MaxNM)
		}
	}
	for _, f := range s.Specs {
		for _, p := range f.Populations {
			if k := populationKey(p); r.compounds[k] == nil {
				if r.compounds[k], err = s.newCompound(p, low[k], high[k]); err != nil {
					return nil, err
				}
			}
		}
		t, err := s.terrain(f, r.plain)
		if err != nil {
			return nil, err
		}
		r.terrains = append(r.terrains, t)
	}
	r.counting = s.newCounting(r.plain)
	if r.carbon, err = s.carbon(r.plain); err != nil {
		return nil, err
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

// Field is one simulated field: a cube.Framed that makes its rows when they are
// asked for, the same each time, so that it can be larger than memory.
type Field struct {
	r         *Renderer
	number    int
	seed      uint64
	particles []particle
	frames    cube.FrameRange // whose sum it is
}

// Field places the particles of a field and returns its rows and its truth.
func (r *Renderer) Field(field int, seed uint64) (*Field, Truth, error) {
	s := r.scene
	if field < 0 || field >= len(s.Specs) {
		return nil, Truth{}, fmt.Errorf("scene: field %d; 0 to %d exist", field, len(s.Specs)-1)
	}
	spec := s.Specs[field]
	f := &Field{r: r, number: field, seed: seed, frames: cube.FrameRange{To: s.frames()}}
	f.particles = r.place(spec, rand.New(rand.NewPCG(seed, uint64(field)<<32|0xf1e1d)))
	return f, f.truth(spec), nil
}

func (f *Field) truth(spec FieldSpec) Truth {
	s, c := f.r.scene, &f.r.counting
	plain := f.r.plain.total
	t := Truth{
		Field: spec.Field, Seed: f.seed, Films: spec.Films, Scratches: spec.Scratches,
		RateCPS: c.rate * plain, DeadTime: 1 - c.live(plain), PileUp: c.sums(plain),
	}
	t.CountsPerPixel = c.electrons * plain * c.live(plain) / (1 + t.PileUp)
	perUm2 := c.electrons / (s.Pixel.X.Um() * s.Pixel.Y.Um())
	for _, p := range f.particles {
		x, y, dose := 0.0, 0.0, 0.0
		for k := range s.frames() {
			dx, dy := s.drift(int(p.y+0.5), k)
			x, y = x+p.x+dx, y+p.y+dy
			row := int(p.y + dy + 0.5)
			dose += perUm2 * s.dose(int(p.x+dx+0.5), row, k) * s.left(p.material, row, k)
		}
		n := float64(s.frames())
		x, y, dose = x/n, y/n, dose/n
		t.Spots = append(t.Spots, TrueSpot{
			Compound: p.material.Name, XPx: x, YPx: y, DiameterNM: p.d * s.Pixel.X.Nm(), Sunk: p.sunk,
			LineCounts: dose * p.mixture.of(p.line), OwnCounts: dose * p.mixture.of(p.own),
		})
	}
	return t
}

// Header returns what the cube is.
func (f *Field) Header() cube.Header {
	s := f.r.scene
	h := cube.Header{Width: s.Width, Height: s.Height, Channels: s.Channels, Type: cube.U16,
		Calibration: s.Calibration, CalibrationKnown: true, Pixel: s.Pixel,
		Conditions: spectra.Conditions{BeamEnergy: s.BeamEnergy, TakeOff: s.takeOff(), ProbeCurrentNA: s.CurrentNA}, Title: s.Title + ": " + s.Specs[f.number].Name}
	if n := float64(s.Width) * float64(s.Height); s.DwellS > 0 {
		h.Conditions.RealTimeS = s.DwellS * n
		h.Conditions.LiveTimeS = s.DwellS * n * f.r.counting.live(f.r.plain.total)
	}
	if n := s.frames(); n > 1 {
		h.Frames, h.Selected = n, f.frames
		share := float64(f.frames.Count()) / float64(n)
		h.Conditions.RealTimeS *= share
		h.Conditions.LiveTimeS *= share
	}
	return h
}

// FrameSum returns the sum over a range of the frames.
func (f *Field) FrameSum(r cube.FrameRange) (cube.Source, error) {
	if n := f.r.scene.frames(); r.From < 0 || r.From >= r.To || r.To > n {
		return nil, fmt.Errorf("scene: frames %d to %d asked for (counted from 0); the field has %d", r.From, r.To-1, n)
	}
	part := *f
	part.frames = r
	return &part, nil
}

// Rows starts at the first row.
func (f *Field) Rows() (cube.RowReader, error) {
	return &rows{field: f, sampler: f.sampler(), windows: f.windows()}, nil
}

// rows makes one row after the other.
type rows struct {
	field   *Field
	sampler *sampler
	windows []window
	y       int
}

func (r *rows) Header() cube.Header { return r.field.Header() }

func (r *rows) ReadRow(dst []uint32) error {
	s := r.field.r.scene
	if len(dst) != s.Width*s.Channels {
		return fmt.Errorf("scene: row of %d values asked for; %d pixels × %d channels are %d", len(dst), s.Width, s.Channels, s.Width*s.Channels)
	}
	if r.y >= s.Height {
		return io.EOF
	}
	r.sampler.row(dst, r.y, printsAt(r.windows, r.y))
	r.y++
	return nil
}

// window holds the footprints of the particles that show in the current row of a
// frame.
type window struct {
	field *Field
	frame int
	order []int // of the particles, by row
	next  int   // in order
	open  []*footprint
}

// windows returns one per frame.
func (f *Field) windows() []window {
	out := make([]window, f.frames.Count())
	for i := range out {
		k := f.frames.From + i
		out[i] = window{field: f, frame: k, order: f.r.byRow(f.particles, k)}
	}
	return out
}

// printsAt returns the footprints of row y in every frame; rows rise.
func printsAt(windows []window, y int) [][]*footprint {
	out := make([][]*footprint, len(windows))
	for i := range windows {
		out[i] = windows[i].at(y)
	}
	return out
}

// at returns the footprints of row y; rows rise.
func (w *window) at(y int) []*footprint {
	f := w.field
	for w.next < len(w.order) {
		k := w.order[w.next]
		p := f.particles[k]
		_, dy := f.r.scene.drift(int(p.y+0.5), w.frame)
		if p.y+dy-f.r.reach(p) > float64(y)+1 {
			break
		}
		w.open = append(w.open, f.r.footprint(k, p, w.frame))
		w.next++
	}
	var show []*footprint
	for _, x := range w.open {
		if x.y0+x.h > y {
			show = append(show, x)
		}
	}
	w.open = show
	return show
}

// sampler draws rows; one per goroutine.
type sampler struct {
	field    *Field
	spectrum []float64
	drawer   drawer
}

func (f *Field) sampler() *sampler {
	return &sampler{field: f, spectrum: make([]float64, f.r.scene.Channels)}
}

// row draws row y of all frames into dst, which it clears, with the footprints of
// every frame.
func (s *sampler) row(dst []uint32, y int, prints [][]*footprint) {
	clear(dst)
	for i, p := range prints {
		s.add(dst, y, s.field.frames.From+i, p)
	}
}

// stride keeps the random streams of frames apart: 2⁶⁴ over the golden ratio, odd, so
// that no two frames share one.
const stride = 0x9e3779b97f4a7c15

// add draws row y of a frame and adds it to dst.
func (s *sampler) add(dst []uint32, y, frame int, prints []*footprint) {
	f := s.field
	sc := f.r.scene
	rng := rand.New(rand.NewPCG(f.seed^uint64(frame)*stride, uint64(f.number)<<32|uint64(y)))
	ground := &f.r.terrains[f.number]
	area := sc.Pixel.X.Um() * sc.Pixel.Y.Um()
	for x := range sc.Width {
		px := dst[x*sc.Channels : (x+1)*sc.Channels]
		g := ground.at(x, y, frame)
		dose := sc.dose(x, y, frame)
		total, draw := g.total, func() int { return g.alias.draw(rng) }
		if s.compose(g, x, y, frame, area, prints) {
			total, draw = s.drawer.set(s.spectrum), func() int { return s.drawer.draw(rng) }
		}
		if total > 0 {
			total, draw = overgrown(f.r.carbon, sc.elapsed(y, frame), total, rng, draw)
			f.r.counting.record(px, rng, dose, total, draw)
		}
	}
}

// compose makes the spectrum of a pixel that particles change, and reports whether
// any does.
func (s *sampler) compose(g *ground, x, y, frame int, area float64, prints []*footprint) bool {
	any := false
	sc := s.field.r.scene
	for _, fp := range prints {
		shares := fp.row(y)
		if shares == nil || x < fp.x0 || x >= fp.x0+fp.w {
			continue
		}
		p := &s.field.particles[fp.particle]
		for ring, share := range shares[(x-fp.x0)*fp.rings : (x-fp.x0+1)*fp.rings] {
			if share <= 0 {
				continue
			}
			if !any {
				any = true
				copy(s.spectrum, g.counts)
			}
			p.add(s.spectrum, p.mixture, ring, share/area*sc.left(p.material, y, frame))
		}
	}
	return any
}

// Render simulates one field in memory, as the sum of its frames.
func (r *Renderer) Render(field int, seed uint64, workers int) (*cube.Memory, Truth, error) {
	f, truth, err := r.Field(field, seed)
	if err != nil {
		return nil, Truth{}, err
	}
	h := f.Header()
	h.Frames, h.Selected = 0, cube.FrameRange{} // their sum alone is kept
	mem, err := cube.NewMemory(h)
	if err != nil {
		return nil, Truth{}, fmt.Errorf("scene: %w", err)
	}
	if workers <= 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	type job struct {
		y      int
		prints [][]*footprint
	}
	jobs := make(chan job)
	var wg sync.WaitGroup
	for range workers {
		wg.Go(func() {
			s := f.sampler()
			for j := range jobs {
				s.row(mem.Row(j.y), j.y, j.prints)
			}
		})
	}
	windows := f.windows()
	for y := range r.scene.Height {
		jobs <- job{y, printsAt(windows, y)}
	}
	close(jobs)
	wg.Wait()
	return mem, truth, nil
}
