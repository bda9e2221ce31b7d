package study

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/BurntSushi/toml"

	"example.org/fleck/maps"
	"example.org/fleck/maps/cube"
	"example.org/fleck/quant"
	"example.org/fleck/quant/template"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

// wrong is an error about the value of a top-level key.
func (p *fileParser) wrong(key, format string, args ...any) error {
	line := p.line(func(_ fileStudy, m toml.MetaData, _ error) bool { return m.IsDefined(key) })
	return &FileError{line, fmt.Errorf("%s: "+format, append([]any{key}, args...)...)}
}

// file checks the values and returns the study.
func (p *fileParser) file() (*File, error) {
	t := p.form
	switch {
	case !p.meta.IsDefined("fleck_format"):
		return nil, &FileError{0, fmt.Errorf("no fleck_format; write fleck_format = %d", FormatNumber)}
	case t.Format > FormatNumber:
		return nil, p.wrong("fleck_format", "%d: %w; this version reads up to %d", t.Format, ErrNewerFormat, FormatNumber)
	case t.Format < 1:
		return nil, p.wrong("fleck_format", "%d; %d is accepted", t.Format, FormatNumber)
	}
	f := &File{Title: t.Title, Detector: t.Detector, Paired: t.Paired}
	for _, k := range p.meta.Keys() {
		if len(k) == 1 && k[0] != "field" {
			f.Keys = append(f.Keys, k[0])
		}
	}
	for _, step := range []func(*File) error{p.materials, p.cubes, p.beam, p.options, p.fields} {
		if err := step(f); err != nil {
			return nil, err
		}
	}
	return f, nil
}

func (p *fileParser) material(key, text, example string) (xray.Material, error) {
	if !p.meta.IsDefined(key) {
		return xray.Material{}, &FileError{0, fmt.Errorf("no %s; write for example %s = %q", key, key, example)}
	}
	m, err := xray.ParseMaterial(text)
	if err != nil {
		return m, p.wrong(key, "%w", err)
	}
	return m, nil
}

func (p *fileParser) materials(f *File) (err error) {
	t := p.form
	if f.Target, err = p.material("target", t.Target, "TiO2:4.23g/cm3"); err != nil {
		return err
	}
	if f.Substrate, err = p.material("substrate", t.Substrate, "Fe-18Cr:7.7g/cm3"); err != nil {
		return err
	}
	coated, ordered := p.meta.IsDefined("coating"), p.meta.IsDefined("coating_order")
	if coated {
		m, err := p.material("coating", t.Coating, "")
		if err != nil {
			return err
		}
		if m.MassDepth <= 0 {
			return p.wrong("coating", "%q states no thickness; write for example C:2.0g/cm3:8nm", t.Coating)
		}
		f.Coating = &m
	}
	f.Order = template.CoatingOrder(t.CoatingOrder)
	const orders = "under, over and both are accepted: where the coating lies relative to the particles"
	switch {
	case coated && !ordered:
		return p.wrong("coating", "a coating needs coating_order; %s", orders)
	case ordered && !coated:
		return p.wrong("coating_order", "without a coating")
	case ordered && f.Order != template.Under && f.Order != template.Over && f.Order != template.Both:
		return p.wrong("coating_order", "%q; %s", t.CoatingOrder, orders)
	}
	for _, text := range t.Confusers {
		m, err := xray.ParseMaterial(text)
		if err != nil {
			return p.wrong("confusers", "%w", err)
		}
		if m.Name == f.Target.Name {
			return p.wrong("confusers", "%q is the target itself", text)
		}
		f.Confusers = append(f.Confusers, m)
	}
	for _, text := range t.Elements {
		z, err := xray.ParseElement(text)
		if err != nil {
			return p.wrong("elements", "%w", err)
		}
		f.Elements = append(f.Elements, z)
	}
	if len(Distinct(f.Target, f.Substrate, f.Coating)) == 0 {
		return p.wrong("target", "%s cannot be told apart from what it lies on: substrate or coating hold every element of it that X-rays show", f.Target.Name)
	}
	return nil
}

// number refuses a stated number outside low ≤ v ≤ high; open excludes low.
func (p *fileParser) number(key string, v, low, high float64, open bool) error {
	if !p.meta.IsDefined(key) || v <= high && (v > low || v == low && !open) {
		return nil
	}
	text := fmt.Sprintf("%g to %g is accepted", low, high)
	switch {
	case math.IsInf(high, 1) && open:
		text = fmt.Sprintf("a number above %g is accepted", low)
	case open:
		text = fmt.Sprintf("above %g and up to %g is accepted", low, high)
	}
	return p.wrong(key, "%g; %s", v, text)
}

// Bounds of probe sizes (0.1 mm) and live times (about 3 years): larger numbers are
// slips of the unit.
const (
	maxProbeNM = 1e5
	maxTimeS   = 1e8
)

func (p *fileParser) cubes(f *File) error {
	t, o := p.form, &f.Cube
	for _, n := range []struct {
		key          string
		v, low, high float64
	}{
		{"beam_kev", t.BeamKeV, 0, quant.MaxBeamEnergy.KeV()}, {"takeoff_deg", t.TakeOffDeg, 0, 90},
		{"energy_step_ev", t.StepEV, 0, 1000}, {"live_time_s", t.LiveTimeS, 0, maxTimeS},
	} {
		if err := p.number(n.key, n.v, n.low, n.high, true); err != nil {
			return err
		}
	}
	o.BeamEnergy = xray.Energy(t.BeamKeV) * xray.KeV
	o.TakeOff = xray.Angle(t.TakeOffDeg) * xray.Degree
	o.Pixel = maps.Pixel{X: maps.Length(t.PixelUM) * maps.Micrometre, Y: maps.Length(t.PixelUM) * maps.Micrometre}
	if p.meta.IsDefined("pixel_um") {
		if err := cube.CheckPixel(o.Pixel); err != nil {
			return p.wrong("pixel_um", "%w", err)
		}
	}
	o.LiveTimeS = t.LiveTimeS
	first, step := p.meta.IsDefined("energy_first_ev"), p.meta.IsDefined("energy_step_ev")
	switch {
	case first && !step:
		return p.wrong("energy_first_ev", "without energy_step_ev, the width of a channel in eV")
	case step && !first:
		return p.wrong("energy_step_ev", "without energy_first_ev, the energy of the centre of the first channel in eV")
	}
	if err := p.number("energy_first_ev", t.FirstEV, -1e4, 1e5, false); err != nil {
		return err
	}
	o.Calibration = spectra.Calibration{OffsetEV: t.FirstEV, GainEV: t.StepEV}
	o.Shape, o.Axes, o.Offset = t.Shape, t.Axes, t.Offset
	for _, n := range t.Shape {
		if n < 1 {
			return p.wrong("shape", "%d; sizes above 0 are accepted", n)
		}
	}
	if t.Offset < 0 {
		return p.wrong("offset", "%d; 0 or more is accepted", t.Offset)
	}
	var err error
	if p.meta.IsDefined("frames") {
		if o.Frames, err = cube.ParseFrames(t.Frames); err != nil {
			return p.wrong("frames", "%w", err)
		}
	}
	if p.meta.IsDefined("type") {
		if o.Type, err = cube.ParseType(t.Type); err != nil {
			return p.wrong("type", "%w", err)
		}
	}
	if p.meta.IsDefined("endian") {
		if o.Endian, err = cube.ParseEndian(t.Endian); err != nil {
			return p.wrong("endian", "%w", err)
		}
	}
	return nil
}

func (p *fileParser) beam(f *File) error {
	t := p.form
	if err := p.number("probe_nm", t.ProbeNM, 0, maxProbeNM, true); err != nil {
		return err
	}
	mode, probe := p.meta.IsDefined("beam_mode"), p.meta.IsDefined("probe_nm")
	switch {
	case mode && t.BeamMode != "rastered" && t.BeamMode != "stationary" && t.BeamMode != "unknown":
		return p.wrong("beam_mode", "%q; rastered and stationary are accepted, and unknown", t.BeamMode)
	case mode && t.BeamMode != "rastered" && !probe:
		return p.wrong("beam_mode", "a beam that is not rastered, or may not be, needs probe_nm, its diameter")
	}
	f.Unknown = t.BeamMode == "unknown" || probe && !mode
	f.Stationary, f.ProbeNM = f.Unknown || t.BeamMode == "stationary", t.ProbeNM
	return nil
}

func (p *fileParser) options(f *File) error {
	t := p.form
	replicas, key := t.Bootstrap, "bootstrap"
	if p.meta.IsDefined("replicas") {
		if p.meta.IsDefined("bootstrap") {
			return p.wrong("replicas", "bootstrap is stated too; both mean the same: leave one out")
		}
		replicas, key = t.Replicas, "replicas"
	}
	for _, n := range []struct {
		key          string
		v, low, high float64
	}{
		{"q", t.Q, 1e-6, 0.5}, {"alpha", t.Alpha, 1e-6, 0.5}, {key, float64(replicas), 39, 1e5},
		{"low_ev", t.LowEV, 50, 1e5}, {"high_ev", t.HighEV, 50, 1e5},
	} {
		if err := p.number(n.key, n.v, n.low, n.high, false); err != nil {
			return err
		}
	}
	if t.Seed < 0 {
		return p.wrong("seed", "%d; 0 or more is accepted", t.Seed)
	}
	if p.meta.IsDefined("high_ev") && t.HighEV <= t.LowEV {
		return p.wrong("high_ev", "%g; above low_ev = %g is accepted", t.HighEV, t.LowEV)
	}
	f.Options = Options{Q: t.Q, Alpha: t.Alpha, Bootstrap: replicas, Seed: uint64(t.Seed), LowEV: t.LowEV, HighEV: t.HighEV,
		NoLimit: p.meta.IsDefined("limit") && !t.Limit}
	return nil
}

// roles that a field can have, in the order of messages.
var roles = []maps.Role{maps.Treated, maps.Untreated, maps.VehicleOnly, maps.PositiveControl, maps.InstrumentBlank}

func (p *fileParser) fields(f *File) error {
	if len(p.form.Fields) == 0 {
		return &FileError{0, fmt.Errorf("no [[field]]; at least one is needed")}
	}
	seen := map[string]bool{}
	for i, row := range p.form.Fields {
		// at returns the line of a key of this field, or of its heading.
		at := func(stated func(fileRow) bool) int {
			return p.line(func(t fileStudy, _ toml.MetaData, err error) bool {
				return err == nil && len(t.Fields) > i && stated(t.Fields[i])
			})
		}
		head := at(func(fileRow) bool { return true })
		role := maps.Role(row.Role)
		known := false
		names := make([]string, len(roles))
		for k, r := range roles {
			names[k] = string(r)
			known = known || r == role
		}
		accepted := strings.Join(names, ", ") + " are accepted"
		if row.Role == "blank" {
			accepted += "; a blank field is untreated"
		}
		key := strings.ToLower(row.Name)
		switch {
		case row.Name == "":
			return &FileError{head, fmt.Errorf("field %d has no name", i+1)}
		case seen[key]:
			return &FileError{at(func(r fileRow) bool { return r.Name != "" }), fmt.Errorf("field %d: name %q is used twice", i+1, row.Name)}
		case row.Role == "":
			return &FileError{head, fmt.Errorf("field %q has no role; %s", row.Name, accepted)}
		case !known:
			return &FileError{at(func(r fileRow) bool { return r.Role != "" }), fmt.Errorf("field %q: role %q; %s", row.Name, row.Role, accepted)}
		case row.Cube == "":
			return &FileError{head, fmt.Errorf("field %q has no cube; write cube = and the name of its file", row.Name)}
		}
		for k, name := range row.Later {
			if name == "" || name == row.Cube || slices.Contains(row.Later[:k], name) {
				return &FileError{at(func(r fileRow) bool { return len(r.Later) > 0 }), fmt.Errorf("field %q: later %q; names of other cubes of the same field are accepted, in order of time", row.Name, name)}
			}
		}
		seen[key] = true
		ff := FileField{Field: maps.Field{Name: row.Name, Coupon: row.Coupon, Role: role}, Cube: row.Cube, Later: row.Later, Line: head}
		if ff.Coupon == "" {
			ff.Coupon = ff.Name
		}
		f.Fields = append(f.Fields, ff)
	}
	return nil
}
