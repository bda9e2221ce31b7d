package scene

import (
	"bytes"
	_ "embed"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"

	"github.com/BurntSushi/toml"

	"example.org/fleck/maps"
	"example.org/fleck/quant/template"
	"example.org/fleck/quant/transport"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

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
	AzimuthDeg     float64     `toml:"detector_azimuth_deg"`
	OffsetEV       float64     `toml:"offset_ev"`
	GainEV         float64     `toml:"gain_ev"`
	Channels       int         `toml:"channels"`
	FWHMMnEV       float64     `toml:"fwhm_mn_ev"`
	SolidAngleSr   float64     `toml:"solid_angle_sr"`
	Elastic        string      `toml:"elastic"`
	Trajectories   int         `toml:"trajectories"`
	Width          int         `toml:"width"`
	Height         int         `toml:"height"`
	PixelUM        float64     `toml:"pixel_um"`
	ProbeNM        float64     `toml:"probe_nm"`
	CountsPerPixel float64     `toml:"counts_per_pixel"`
	CurrentNA      float64     `toml:"current_na"`
	DwellMS        float64     `toml:"dwell_ms"`
	RateCPS        float64     `toml:"count_rate_cps"`
	PulsePairUS    float64     `toml:"pulse_pair_us"`
	DeadTimeUS     float64     `toml:"dead_time_us"`
	PileUp         float64     `toml:"pile_up"`
	Shading        float64     `toml:"shading"`
	CurrentDrift   float64     `toml:"current_drift"`
	DriftUM        []float64   `toml:"drift_um"`
	TargetLoss     float64     `toml:"target_loss"`
	CarbonGrowth   float64     `toml:"carbon_growth"`
	Fields         []fileField `toml:"field"`
}

type fileField struct {
	Name      string         `toml:"name"`
	Coupon    string         `toml:"coupon"`
	Role      string         `toml:"role"`
	Particles []filePopulate `toml:"particles"`
	Films     []fileFilm     `toml:"films"`
	Scratches []fileScratch  `toml:"scratches"`
}

type filePopulate struct {
	Compound  string    `toml:"compound"`
	Number    int       `toml:"number"`
	MinNM     float64   `toml:"min_nm"`
	MaxNM     float64   `toml:"max_nm"`
	Region    []float64 `toml:"region"`
	Sunk      float64   `toml:"sunk"`
	Truncated bool      `toml:"truncated"`
}

type fileFilm struct {
	Material string    `toml:"material"`
	Region   []float64 `toml:"region"`
}

type fileScratch struct {
	From     []float64 `toml:"from"`
	To       []float64 `toml:"to"`
	WidthUM  float64   `toml:"width_um"`
	SlopeDeg float64   `toml:"slope_deg"`
}

// formatNumber is the fleck_format of scenes.
const formatNumber = 1

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

// maxText bounds the length of a scene file.
const maxText = 4 << 20

// Parse reads a scene; the demo scene explains the keys. Unknown keys are errors with
// their line.
func Parse(r io.Reader) (*Scene, error) {
	b, err := io.ReadAll(io.LimitReader(r, maxText+1))
	if err != nil {
		return nil, fmt.Errorf("scene: %w", err)
	}
	if len(b) > maxText {
		return nil, fmt.Errorf("scene: more than %d bytes of text", maxText)
	}
	text := string(b)
	var f fileScene
	meta, err := toml.Decode(text, &f)
	if err != nil {
		var pe toml.ParseError
		if errors.As(err, &pe) {
			return nil, fmt.Errorf("scene: line %d: %s", pe.Position.Line, pe.Message)
		}
		return nil, fmt.Errorf("scene: %s", strings.TrimPrefix(err.Error(), "toml: "))
	}
	if bad := meta.Undecoded(); len(bad) > 0 {
		return nil, fmt.Errorf("scene: line %d: unknown key %q", lineOfKey(text, bad[0]), bad[0].String())
	}
	s, err := f.scene()
	if err != nil {
		return nil, fmt.Errorf("scene: %w", err)
	}
	return s, nil
}

// lineOfKey returns the line of the first unknown key, counted from 1. The decoder
// keeps no positions, so the text is decoded up to ever more lines; a key within a
// value of several lines is then looked for by its name.
func lineOfKey(text string, key toml.Key) int {
	lines := strings.SplitAfter(text, "\n")
	whole := 0 // lines up to which all keys are known
	for n := 1; n <= len(lines); n++ {
		var f fileScene
		meta, err := toml.Decode(strings.Join(lines[:n], ""), &f)
		if err != nil {
			continue
		}
		if len(meta.Undecoded()) == 0 {
			whole = n
			continue
		}
		name := key[len(key)-1]
		for i := whole; i < n; i++ {
			if at := strings.Index(lines[i], name); at >= 0 && strings.HasPrefix(strings.TrimLeft(lines[i][at+len(name):], `"' `), "=") {
				return i + 1
			}
		}
		return n
	}
	return whole + 1
}

// material reads a material; what names the key.
func material(what, text string) (xray.Material, error) {
	m, err := xray.ParseMaterial(text)
	if err != nil {
		return m, fmt.Errorf("%s: %w", what, err)
	}
	return m, nil
}

func (f fileScene) scene() (*Scene, error) {
	if f.Format != formatNumber {
		return nil, fmt.Errorf("fleck_format = %d; this version reads %d", f.Format, formatNumber)
	}
	s := &Scene{
		Title: f.Title, BeamEnergy: xray.Energy(f.BeamKeV * 1000), TakeOff: xray.Angle(f.TakeOffDeg) * xray.Degree, Azimuth: xray.Angle(f.AzimuthDeg) * xray.Degree,
		Calibration: spectra.Calibration{OffsetEV: f.OffsetEV, GainEV: f.GainEV}, Channels: f.Channels, Trajectories: f.Trajectories,
		Width: f.Width, Height: f.Height, ProbeNM: f.ProbeNM,
		CountsPerPixel: f.CountsPerPixel, CurrentNA: f.CurrentNA, DwellS: f.DwellMS * 1e-3, RateCPS: f.RateCPS,
		PulsePairS: f.PulsePairUS * 1e-6, DeadTimeS: f.DeadTimeUS * 1e-6, PileUp: f.PileUp,
		Shading: f.Shading, CurrentDrift: f.CurrentDrift, TargetLoss: f.TargetLoss, CarbonGrowth: f.CarbonGrowth, Order: template.CoatingOrder(f.Order),
	}
	s.Pixel = maps.Pixel{X: maps.Length(f.PixelUM * 1e-6), Y: maps.Length(f.PixelUM * 1e-6)}
	switch f.Elastic {
	case "", "browning":
	case "rutherford":
		s.Elastic = transport.Rutherford
	default:
		return nil, fmt.Errorf("elastic = %q; accepted are browning and rutherford", f.Elastic)
	}
	if len(f.DriftUM) != 0 && len(f.DriftUM) != 2 {
		return nil, fmt.Errorf("drift_um has %d numbers; two are accepted, x and y", len(f.DriftUM))
	}
	copy(s.DriftUM[:], f.DriftUM)
	if err := f.detector(s); err != nil {
		return nil, err
	}
	if err := f.specimen(s); err != nil {
		return nil, err
	}
	for i, ff := range f.Fields {
		spec, err := ff.spec()
		if err != nil {
			return nil, fmt.Errorf("field %d %q: %w", i+1, ff.Name, err)
		}
		s.Specs = append(s.Specs, spec)
	}
	return s, s.check()
}

func (f fileScene) detector(s *Scene) error {
	s.Detector = spectra.DefaultDetector()
	if f.FWHMMnEV != 0 {
		const manganese = 5898.8 // Mn K-L3, eV, Deslattes et al. 2003
		n2 := f.FWHMMnEV*f.FWHMMnEV - s.Detector.FanoEV*manganese
		if !(n2 > 0) {
			return fmt.Errorf("fwhm_mn_ev = %g; above %.0f eV is accepted, the limit of silicon", f.FWHMMnEV, math.Sqrt(s.Detector.FanoEV*manganese))
		}
		s.Detector.NoiseEV = math.Sqrt(n2)
	}
	if f.SolidAngleSr != 0 {
		if !(f.SolidAngleSr > 0 && f.SolidAngleSr < 2*math.Pi) {
			return fmt.Errorf("solid_angle_sr = %g; above 0 and below 2π is accepted", f.SolidAngleSr)
		}
		s.Detector.SolidAngleSr = f.SolidAngleSr
	}
	return nil
}

func (f fileScene) specimen(s *Scene) error {
	var err error
	if s.Target, err = material("target", f.Target); err != nil {
		return err
	}
	if s.Substrate, err = material("substrate", f.Substrate); err != nil {
		return err
	}
	if f.Coating != "" {
		c, err := material("coating", f.Coating)
		if err != nil {
			return err
		}
		s.Coating = &c
	}
	for _, t := range f.Confusers {
		m, err := material("confusers", t)
		if err != nil {
			return err
		}
		s.Confusers = append(s.Confusers, m)
	}
	return nil
}

func (f fileField) spec() (FieldSpec, error) {
	spec := FieldSpec{Field: maps.Field{Name: f.Name, Coupon: f.Coupon, Role: maps.Role(f.Role)}}
	for _, p := range f.Particles {
		m, err := material("particles", p.Compound)
		if err != nil {
			return spec, err
		}
		pop := Population{Compound: m, Number: p.Number, MinNM: p.MinNM, MaxNM: p.MaxNM, Sunk: p.Sunk, Truncated: p.Truncated}
		if pop.Region, err = region(p.Region); err != nil {
			return spec, err
		}
		spec.Populations = append(spec.Populations, pop)
	}
	for _, x := range f.Films {
		m, err := material("films", x.Material)
		if err != nil {
			return spec, err
		}
		film := Film{Material: m}
		if film.Region, err = region(x.Region); err != nil {
			return spec, err
		}
		spec.Films = append(spec.Films, film)
	}
	for _, x := range f.Scratches {
		if len(x.From) != 2 || len(x.To) != 2 {
			return spec, fmt.Errorf("scratches: from and to have %d and %d numbers; two each are accepted, fractions of width and height", len(x.From), len(x.To))
		}
		spec.Scratches = append(spec.Scratches, Scratch{From: [2]float64(x.From), To: [2]float64(x.To), WidthUM: x.WidthUM, SlopeDeg: x.SlopeDeg})
	}
	return spec, nil
}

func region(v []float64) (r [4]float64, err error) {
	if len(v) != 0 && len(v) != 4 {
		return r, fmt.Errorf("region has %d numbers; four are accepted: x0, y0, x1, y1 as fractions of the field", len(v))
	}
	copy(r[:], v)
	return r, nil
}
