// Package scene simulates mapped fields with known truth: particles, inclusions
// and grit on a coated substrate, as a count cube with Poisson noise.
//
// Every pixel's expected spectrum is that of the coated substrate under a film
// whose mass depth is the mean over the pixel, blurred by the beam
// (template.Covered). So particles thinner than the electron range are right and
// thick ones saturate, but electrons that scatter sideways out of or into a
// particle are left out, as is fluorescence from one pixel to the next.
//
// Scenes are described in TOML; Demo is the scene that the program carries. All
// numbers in it are invented.
package scene

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"strings"

	_ "embed"

	"github.com/BurntSushi/toml"

	"example.org/fleck/maps"
	"example.org/fleck/quant"
	"example.org/fleck/quant/template"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

// Scene describes a set of fields of one specimen type under one set of
// conditions.
type Scene struct {
	Title     string
	Target    xray.Material
	Substrate xray.Material
	Coating   *xray.Material // nil = none
	Order     template.CoatingOrder
	Confusers []xray.Material

	BeamEnergy  xray.Energy
	TakeOff     xray.Angle
	Detector    spectra.Detector
	Calibration spectra.Calibration
	Channels    int

	Width, Height  int
	Pixel          maps.Pixel
	ProbeNM        float64 // full width at half maximum of the beam
	CountsPerPixel float64 // mean of the bare substrate
	Shading        float64 // relative fall of the signal across the field
	PileUp         float64 // probability that an event is the sum of two
	Specs          []FieldSpec
}

// FieldSpec is one field of a scene.
type FieldSpec struct {
	maps.Field
	Populations []Population
}

// Population is a set of particles of one compound on a field.
type Population struct {
	Compound xray.Material
	Number   int
	// Diameters are log-uniform between MinNM and MaxNM.
	MinNM, MaxNM float64
	// Region limits the centres to a part of the field, fractions of width and
	// height: x0, y0, x1, y1. Zero = everywhere.
	Region [4]float64
}

// the TOML form
type fileScene struct {
	Format         int         `toml:"fleck_format"`
	Title          string      `toml:"title"`
	Target         string      `toml:"target"`
	Substrate      string      `toml:"substrate"`
	Coating        string      `toml:"coating"`
	Order          string      `toml:"coating_order"`
	Confusers      []string    `toml:"confusers"`
	BeamKeV        float64     `toml:"beam_kev"`
	TakeOffDeg     float64     `toml:"takeoff_deg"`
	OffsetEV       float64     `toml:"offset_ev"`
	GainEV         float64     `toml:"gain_ev"`
	Channels       int         `toml:"channels"`
	FWHMMnEV       float64     `toml:"fwhm_mn_ev"`
	Width          int         `toml:"width"`
	Height         int         `toml:"height"`
	PixelUM        float64     `toml:"pixel_um"`
	ProbeNM        float64     `toml:"probe_nm"`
	CountsPerPixel float64     `toml:"counts_per_pixel"`
	Shading        float64     `toml:"shading"`
	PileUp         float64     `toml:"pile_up"`
	Fields         []fileField `toml:"field"`
}

type fileField struct {
	Name      string         `toml:"name"`
	Coupon    string         `toml:"coupon"`
	Role      string         `toml:"role"`
	Particles []filePopulate `toml:"particles"`
}

type filePopulate struct {
	Compound string    `toml:"compound"`
	Number   int       `toml:"number"`
	MinNM    float64   `toml:"min_nm"`
	MaxNM    float64   `toml:"max_nm"`
	Region   []float64 `toml:"region"`
}

// formatNumber is the fleck_format of scenes.
const formatNumber = 1

// maxPixels and maxChannels bound what a scene may ask for.
const (
	maxPixels   = 4096 * 4096
	maxChannels = 16384
)

//go:embed demo.toml
var demoTOML []byte

// Demo returns the scene that the program carries: a titania rinse on stainless
// steel, invented throughout.
func Demo() *Scene {
	s, err := Parse(bytes.NewReader(demoTOML))
	if err != nil {
		panic(err) // the embedded scene is checked by a test
	}
	return s
}

// DemoTOML returns the text of the embedded scene.
func DemoTOML() []byte { return bytes.Clone(demoTOML) }

// Parse reads a scene. Unknown keys are errors with their line.
func Parse(r io.Reader) (*Scene, error) {
	var f fileScene
	meta, err := toml.NewDecoder(r).Decode(&f)
	if err != nil {
		var pe toml.ParseError
		if asParse(err, &pe) {
			return nil, fmt.Errorf("scene: line %d: %s", pe.Position.Line, pe.Message)
		}
		return nil, fmt.Errorf("scene: %w", err)
	}
	if bad := meta.Undecoded(); len(bad) > 0 {
		return nil, fmt.Errorf("scene: unknown key %q", bad[0].String())
	}
	return f.scene()
}

func asParse(err error, pe *toml.ParseError) bool {
	p, ok := err.(toml.ParseError)
	if ok {
		*pe = p
	}
	return ok
}

func (f fileScene) scene() (*Scene, error) {
	if f.Format != formatNumber {
		return nil, fmt.Errorf("scene: fleck_format = %d; this version reads %d", f.Format, formatNumber)
	}
	s := &Scene{Title: f.Title, BeamEnergy: xray.Energy(f.BeamKeV * 1000), TakeOff: xray.Angle(f.TakeOffDeg) * xray.Degree,
		Calibration: spectra.Calibration{OffsetEV: f.OffsetEV, GainEV: f.GainEV}, Channels: f.Channels,
		Width: f.Width, Height: f.Height, ProbeNM: f.ProbeNM, CountsPerPixel: f.CountsPerPixel, Shading: f.Shading, PileUp: f.PileUp,
		Order: template.CoatingOrder(f.Order)}
	s.Pixel = maps.Pixel{X: maps.Length(f.PixelUM * 1e-6), Y: maps.Length(f.PixelUM * 1e-6)}
	s.Detector = spectra.DefaultDetector()
	if f.FWHMMnEV != 0 {
		n2 := f.FWHMMnEV*f.FWHMMnEV - s.Detector.FanoEV*5898.8
		if !(n2 > 0) {
			return nil, fmt.Errorf("scene: fwhm_mn_ev = %g; above %.0f eV is accepted, the limit of silicon", f.FWHMMnEV, math.Sqrt(s.Detector.FanoEV*5898.8))
		}
		s.Detector.NoiseEV = math.Sqrt(n2)
	}
	material := func(key, text string) (xray.Material, error) {
		m, err := xray.ParseMaterial(text)
		if err != nil {
			return m, fmt.Errorf("scene: %s: %w", key, err)
		}
		return m, nil
	}
	var err error
	if s.Target, err = material("target", f.Target); err != nil {
		return nil, err
	}
	if s.Substrate, err = material("substrate", f.Substrate); err != nil {
		return nil, err
	}
	if f.Coating != "" {
		c, err := material("coating", f.Coating)
		if err != nil {
			return nil, err
		}
		s.Coating = &c
	}
	for _, t := range f.Confusers {
		m, err := material("confusers", t)
		if err != nil {
			return nil, err
		}
		s.Confusers = append(s.Confusers, m)
	}
	switch {
	case f.BeamKeV <= 0 || s.BeamEnergy > quant.MaxBeamEnergy:
		return nil, fmt.Errorf("scene: beam_kev = %g; above 0 and up to %g is accepted", f.BeamKeV, quant.MaxBeamEnergy.KeV())
	case f.Width < 1 || f.Height < 1 || f.Width > maxPixels/f.Height:
		return nil, fmt.Errorf("scene: width × height = %d × %d; 1 to %d pixels are accepted", f.Width, f.Height, maxPixels)
	case f.Channels < 16 || f.Channels > maxChannels:
		return nil, fmt.Errorf("scene: channels = %d; 16 to %d are accepted", f.Channels, maxChannels)
	case !(f.GainEV > 0):
		return nil, fmt.Errorf("scene: gain_ev = %g; above 0 is accepted", f.GainEV)
	case !(f.PixelUM > 0):
		return nil, fmt.Errorf("scene: pixel_um = %g; above 0 is accepted", f.PixelUM)
	case !(f.CountsPerPixel > 0) || f.CountsPerPixel > 1e6:
		return nil, fmt.Errorf("scene: counts_per_pixel = %g; above 0 and up to 1e6 is accepted", f.CountsPerPixel)
	case f.Shading < 0 || f.Shading >= 1:
		return nil, fmt.Errorf("scene: shading = %g; 0 up to below 1 is accepted", f.Shading)
	case f.PileUp < 0 || f.PileUp > 0.2:
		return nil, fmt.Errorf("scene: pile_up = %g; 0 to 0.2 is accepted", f.PileUp)
	case f.ProbeNM < 0:
		return nil, fmt.Errorf("scene: probe_nm = %g; 0 or more is accepted", f.ProbeNM)
	case len(f.Fields) == 0:
		return nil, fmt.Errorf("scene: no [[field]]; at least one is needed")
	}
	seen := map[string]bool{}
	for i, ff := range f.Fields {
		spec := FieldSpec{Field: maps.Field{Name: ff.Name, Coupon: ff.Coupon, Role: maps.Role(ff.Role)}}
		if ff.Name == "" || seen[strings.ToLower(ff.Name)] {
			return nil, fmt.Errorf("scene: field %d: name %q is empty or used twice", i+1, ff.Name)
		}
		seen[strings.ToLower(ff.Name)] = true
		switch spec.Role {
		case maps.Treated, maps.Untreated, maps.VehicleOnly, maps.PositiveControl, maps.InstrumentBlank:
		default:
			return nil, fmt.Errorf("scene: field %q: role %q; accepted are treated, untreated, vehicle_only, positive_control, instrument_blank", ff.Name, ff.Role)
		}
		for _, p := range ff.Particles {
			m, err := material("field "+ff.Name, p.Compound)
			if err != nil {
				return nil, err
			}
			if err := m.RequireDensity(); err != nil {
				return nil, fmt.Errorf("scene: field %q: %w", ff.Name, err)
			}
			if p.Number < 0 || !(p.MinNM > 0) || p.MaxNM < p.MinNM {
				return nil, fmt.Errorf("scene: field %q: %s: number %d, diameters %g to %g nm; number 0 or more and 0 < min_nm ≤ max_nm are accepted", ff.Name, p.Compound, p.Number, p.MinNM, p.MaxNM)
			}
			pop := Population{Compound: m, Number: p.Number, MinNM: p.MinNM, MaxNM: p.MaxNM}
			if len(p.Region) != 0 {
				if len(p.Region) != 4 {
					return nil, fmt.Errorf("scene: field %q: region has %d numbers; four are accepted: x0, y0, x1, y1 as fractions of the field", ff.Name, len(p.Region))
				}
				pop.Region = [4]float64(p.Region)
			}
			spec.Populations = append(spec.Populations, pop)
		}
		s.Specs = append(s.Specs, spec)
	}
	if _, err := template.Substrate(s.Setup()); err != nil {
		return nil, fmt.Errorf("scene: %w", err)
	}
	return s, nil
}

// Setup returns the specimen and instrument of the scene for package template.
func (s *Scene) Setup() template.Setup {
	return template.Setup{Substrate: s.Substrate, Coating: s.Coating, Order: s.Order,
		Geometry: quant.Geometry{BeamEnergy: s.BeamEnergy, TakeOff: s.TakeOff},
		Detector: s.Detector, Calibration: s.Calibration, Channels: s.Channels, PileUp: s.PileUp}
}

// Fields returns names, coupons and roles of the fields in order.
func (s *Scene) Fields() []maps.Field {
	out := make([]maps.Field, len(s.Specs))
	for i, f := range s.Specs {
		out[i] = f.Field
	}
	return out
}
