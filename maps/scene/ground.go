package scene

import (
	"context"
	"fmt"
	"math"

	"example.org/fleck/quant/template"
	"example.org/fleck/spectra/xray"
)

// ground is what a pixel shows without particles.
type ground struct {
	counts []float64 // per channel, electron and 4π
	total  float64
	alias  *aliasTable
}

func newGround(counts []float64) *ground {
	g := &ground{counts: counts}
	for i, v := range counts {
		counts[i] = math.Max(0, v)
		g.total += counts[i]
	}
	if g.total > 0 {
		g.alias = newAliasTable(counts)
	}
	return g
}

// bare simulates a ground.
func (s *Scene) bare(films []xray.Material, setup template.Setup, azimuth xray.Angle) (*ground, error) {
	b, err := template.Specimen(context.Background(), setup, template.View{Films: films, Azimuth: azimuth}, s.options())
	if err != nil {
		return nil, fmt.Errorf("scene: %w", err)
	}
	g := newGround(b.Whole.Counts)
	if g.alias == nil {
		return nil, fmt.Errorf("scene: the substrate %s gives no counts", s.Substrate.Name)
	}
	return g, nil
}

// groove is a scratch as it lies on the pixels.
type groove struct {
	x, y   float64 // start, px
	tx, ty float64 // direction
	length float64
	half   float64    // half its width, px
	side   [2]*ground // left and right of the direction
}

// groove simulates the two sides of a scratch. A side of slope α leans its normal
// towards the middle; seen from it the detector stands at another take-off angle and
// the beam comes in tilted. That one side of a groove may stand in the way of the other
// is left out.
func (s *Scene) groove(x Scratch) (groove, error) {
	g := groove{x: x.From[0]*float64(s.Width) - 0.5, y: x.From[1]*float64(s.Height) - 0.5, half: x.WidthUM / s.Pixel.X.Um() / 2}
	ex, ey := x.To[0]*float64(s.Width)-0.5-g.x, x.To[1]*float64(s.Height)-0.5-g.y
	g.length = math.Hypot(ex, ey)
	g.tx, g.ty = ex/g.length, ey/g.length
	alpha := x.SlopeDeg * math.Pi / 180
	sinA, cosA := math.Sincos(alpha)
	sinP, cosP := math.Sincos(s.takeOff().Radians())
	sinF, cosF := math.Sincos(s.Azimuth.Radians())
	for i, sign := range []float64{1, -1} {
		// The normal leans along m, across the groove towards its middle.
		mx, my := -sign*g.ty, sign*g.tx
		along := cosP * (cosF*mx + sinF*my)
		across := cosP * (-cosF*my + sinF*mx)
		setup := s.setup()
		setup.Geometry.Tilt = xray.Angle(alpha)
		setup.Geometry.TakeOff = xray.Angle(math.Asin(sinP*cosA + along*sinA))
		azimuth := math.Atan2(across, along*cosA-sinP*sinA)
		side, err := s.bare(nil, setup, xray.Angle(azimuth))
		if err != nil {
			return g, err
		}
		g.side[i] = side
	}
	return g, nil
}

// at returns the side that holds a place, nil beside the groove.
func (g *groove) at(x, y float64) *ground {
	x -= g.x
	y -= g.y
	along, across := x*g.tx+y*g.ty, -x*g.ty+y*g.tx
	switch {
	case along < 0 || along > g.length || math.Abs(across) > g.half:
		return nil
	case across < 0:
		return g.side[0]
	}
	return g.side[1]
}

// patch is a film as it lies on the pixels.
type patch struct {
	x0, y0, x1, y1 float64
	ground         *ground
}

func (s *Scene) patch(f Film) (patch, error) {
	r := f.Region
	if r == ([4]float64{}) {
		r = [4]float64{0, 0, 1, 1}
	}
	w, h := float64(s.Width), float64(s.Height)
	g, err := s.bare([]xray.Material{f.Material}, s.setup(), 0)
	return patch{r[0]*w - 0.5, r[1]*h - 0.5, r[2]*w - 0.5, r[3]*h - 0.5, g}, err
}

// terrain is the ground of one field.
type terrain struct {
	scene   *Scene
	plain   *ground
	patches []patch
	grooves []groove
}

func (s *Scene) terrain(f FieldSpec, plain *ground) (terrain, error) {
	t := terrain{scene: s, plain: plain}
	for _, x := range f.Films {
		p, err := s.patch(x)
		if err != nil {
			return t, err
		}
		t.patches = append(t.patches, p)
	}
	for _, x := range f.Scratches {
		g, err := s.groove(x)
		if err != nil {
			return t, err
		}
		t.grooves = append(t.grooves, g)
	}
	return t, nil
}

// at returns the ground of a pixel in a frame: that of the last scratch through its middle, else
// of the last film over it.
func (t *terrain) at(x, y, frame int) *ground {
	if len(t.grooves) == 0 && len(t.patches) == 0 {
		return t.plain
	}
	dx, dy := t.scene.drift(y, frame)
	fx, fy := float64(x)-dx, float64(y)-dy
	for i := len(t.grooves) - 1; i >= 0; i-- {
		if g := t.grooves[i].at(fx, fy); g != nil {
			return g
		}
	}
	for i := len(t.patches) - 1; i >= 0; i-- {
		if p := t.patches[i]; fx >= p.x0 && fx < p.x1 && fy >= p.y0 && fy < p.y1 {
			return p.ground
		}
	}
	return t.plain
}
