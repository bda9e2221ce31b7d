package main

import (
	"io"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"example.org/fleck/maps"
	"example.org/fleck/maps/cube"
	"example.org/fleck/maps/record"
	"example.org/fleck/maps/study"
	"github.com/urfave/cli/v2"
)

// readSpecimen reads the flags of specimenFlags into a study.
func (e *env) readSpecimen(c *cli.Context) (*study.Study, error) {
	s := &study.Study{}
	var err error
	if s.Target, err = materialFlag(c, "target", "TiO2:4.23g/cm3"); err != nil {
		return nil, err
	}
	if s.Substrate, err = materialFlag(c, "substrate", "Fe-18Cr-0.5Nb-0.2Ti:7.7g/cm3"); err != nil {
		return nil, err
	}
	if s.Confusers, err = materialList(c, "confuser"); err != nil {
		return nil, err
	}
	for _, m := range s.Confusers {
		if m.Name == s.Target.Name {
			return nil, usage("--confuser %q is the target itself", m.String())
		}
	}
	if err := readCoating(c, s); err != nil {
		return nil, err
	}
	e.setting("target", s.Target.String(), fromFlag)
	e.setting("substrate", s.Substrate.String(), fromFlag)
	e.setting("confusers", materialNames(s.Confusers), fromFlag)
	if s.Coating != nil {
		e.setting("coating", s.Coating.String(), fromFlag)
		e.setting("coating_order", string(s.Order), fromFlag)
	} else {
		e.setting("coating", nil, fromDefault)
	}
	return s, checkSeparable(s)
}

// readCoating reads coating and order, which belong together.
func readCoating(c *cli.Context, s *study.Study) (err error) {
	s.Coating, s.Order, err = coatingFlags(c)
	return err
}

// checkSeparable refuses a target without an element of its own.
func checkSeparable(s *study.Study) error {
	if len(study.Distinct(s.Target, s.Substrate, s.Coating)) > 0 {
		return nil
	}
	below := "the substrate " + s.Substrate.Name
	if s.Coating != nil {
		below += " or its coating " + s.Coating.Name
	}
	var names []string
	for _, x := range s.Target.Components {
		names = append(names, x.Element.Symbol())
	}
	return failed(codeInseparable, "", "target %s cannot be told apart: %s holds every element of it that X-rays show (%s)", s.Target.Name, below, strings.Join(names, ", "))
}

// readSearch reads the flags of searchFlags.
func (e *env) readSearch(c *cli.Context, s *study.Study) error {
	o := &s.Options
	var err error
	if o.Q, err = numberFlag(c, "q", 0, 1e-6, 0.5); err != nil {
		return err
	}
	if o.Alpha, err = numberFlag(c, "alpha", 0, 1e-6, 0.5); err != nil {
		return err
	}
	if o.Bootstrap, err = wholeFlag(c, "replicas", 0, 19, 100000); err != nil {
		return err
	}
	o.NoLimit, o.Seed, o.Workers = c.Bool("no-limit"), e.seed, e.workers
	e.settingOr("q", o.Q, 0.05)
	e.settingOr("alpha", o.Alpha, 0.05)
	e.settingOr("replicas", float64(o.Bootstrap), 199)
	if o.NoLimit {
		e.setting("limit", false, fromFlag)
	}
	return nil
}

// beamMode is how the beam covers a pixel.
type beamMode struct {
	stationary bool // or unknown: the case that probes less counts
	probe      maps.Length
}

// beamModes are the values of --beam-mode.
var beamModes = []string{"stationary", "rastered", "unknown"}

// readBeamMode reads --beam-mode and --probe. Where the mode is not stated but the
// probe is, it is unknown.
func (e *env) readBeamMode(c *cli.Context) (beamMode, error) {
	var b beamMode
	nm, err := numberFlag(c, "probe", 0, 0.1, 1e5)
	if err != nil {
		return b, err
	}
	mode := c.String("beam-mode")
	from := originOf(c, "beam-mode")
	switch {
	case mode == "" && nm > 0:
		mode = "unknown"
	case mode == "":
		mode = "rastered"
		e.warnRastered()
	case !slices.Contains(beamModes, mode):
		return b, usage("--beam-mode %q: stationary, rastered or unknown are accepted%s", mode, didYouMean(nearest(mode, beamModes)))
	case mode != "rastered" && nm == 0:
		return b, usage("--beam-mode %s needs --probe, in nm", mode)
	}
	e.setting("beam_mode", mode, from)
	if mode != "rastered" {
		b.stationary, b.probe = true, maps.Length(nm)*maps.Nanometre
		e.setting("probe_nm", nm, fromFlag)
	}
	if mode == "unknown" {
		e.warnUnknownMode()
	}
	return b, nil
}

// warnRastered says what is assumed where neither mode nor probe are stated.
func (e *env) warnRastered() {
	e.warn("the beam mode is not stated: a rastered beam, which probes whole pixels, was assumed; a stationary one probes less, so that densities and their limits per area would be higher")
}

// warnUnknownMode says what is taken for an unknown mode.
func (e *env) warnUnknownMode() {
	e.warn("the beam mode is unknown: areas, densities and limits per area are those of a stationary beam, which probes less; with a rastered one they would be lower")
}

// share returns the part of a pixel that the beam really probes, 0 to 1.
func (b beamMode) share(p maps.Pixel) float64 {
	if !b.stationary || !p.Known() {
		return 1
	}
	spot := math.Pi / 4 * b.probe.Um() * b.probe.Um()
	return math.Min(1, spot/p.AreaUm2())
}

// addField opens a cube as a field of the study, with those that were recorded after
// it; its folder is the coupon.
func (e *env) addField(c *cli.Context, s *study.Study, path string, role maps.Role, later ...string) error {
	for i, p := range append([]string{path}, later...) {
		twice := i > 0 && (p == path || slices.Contains(later[:i-1], p))
		for _, f := range s.Fields {
			twice = twice || f.Input == p
		}
		if twice {
			return usage("%s is given twice", p)
		}
	}
	opt, err := cubeOptions(c)
	if err != nil {
		return err
	}
	f, err := e.openSeries(c, path, later, e.framesOf(path, role, opt))
	if err != nil {
		return err
	}
	coupon := filepath.Dir(path)
	if abs, err := filepath.Abs(coupon); err == nil {
		coupon = filepath.Base(abs)
	}
	s.Fields = append(s.Fields, study.FieldInput{Field: maps.Field{Name: path, Coupon: coupon, Role: role}, Source: f, Input: path})
	return nil
}

// framesOf takes the selection of frames off the options for a cube without frames to
// compare with: of a blank the spectrum counts, not the time.
func (e *env) framesOf(path string, role maps.Role, opt cube.Options) cube.Options {
	if opt.Frames == (cube.FrameRange{}) || role == maps.Treated {
		return opt
	}
	whole := opt
	whole.Frames, whole.DecodeSpectrum = cube.FrameRange{}, decodeSpectrum
	fsys, name := newRecorder(path)
	f, err := cube.Open(fsys, name, whole)
	if err != nil {
		return opt // its opening will say why
	}
	defer f.Close()
	if f.Header().Frames > 1 {
		return opt
	}
	e.warn("%s: a cube without frames, read whole; frames %v are those of the cubes that have some", path, opt.Frames)
	return whole
}

// openSeries opens a cube and those of the same field that were recorded after it.
func (e *env) openSeries(c *cli.Context, path string, later []string, opt cube.Options) (cube.Source, error) {
	if len(later) == 0 {
		return e.openField(c, path, opt)
	}
	var parts []cube.Source
	for _, p := range append([]string{path}, later...) {
		f, err := e.openField(c, p, opt)
		if err != nil {
			closeAll(parts)
			return nil, err
		}
		parts = append(parts, f)
	}
	s, err := cube.NewSeries(parts...)
	if err != nil {
		closeAll(parts)
		return nil, inFile(path, err)
	}
	return s, nil
}

// closeAll closes cubes.
func closeAll(parts []cube.Source) {
	for _, p := range parts {
		if c, ok := p.(io.Closer); ok {
			c.Close()
		}
	}
}

// openField opens a cube that must know its energy axis and beam energy.
func (e *env) openField(c *cli.Context, path string, opt cube.Options) (*cube.File, error) {
	f, err := e.openCubeAs(c, path, opt)
	if err != nil {
		return nil, err
	}
	if err := e.addMeasurement(path); err != nil {
		f.Close()
		return nil, err
	}
	h := f.Header()
	if !h.CalibrationKnown {
		f.Close()
		return nil, failed(codeNoEnergyAxis, path, "the file states no energy axis; state --energy-first and --energy-step, both in eV")
	}
	if h.Conditions.BeamEnergy <= 0 {
		f.Close()
		return nil, failed(codeNoBeamEnergy, path, "the file states no beam energy; state --beam, in keV")
	}
	return f, nil
}

// conditionOf is what result rows carry.
func conditionOf(r *study.Result) record.Object {
	s := r.Study
	o := record.Of("beam_kev", r.Sum.BeamEnergy.KeV(), "substrate", s.Substrate.String())
	coating := ""
	if s.Coating != nil {
		coating = s.Coating.String()
	}
	o.Text("coating", coating, record.NoneGiven)
	return o
}
