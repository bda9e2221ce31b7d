package main

import (
	"math"
	"strconv"
	"strings"

	"example.org/fleck/maps"
	"example.org/fleck/maps/cube"
	"example.org/fleck/quant/analysis"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
	"github.com/urfave/cli/v2"
)

// maxBeamKeV is the highest beam energy accepted: above it the tables end for
// most lines, and a value in eV was meant.
const maxBeamKeV = 400

// conditions are what flags state about a measurement; zero is "not stated".
type conditions struct {
	beam      xray.Energy
	takeOff   xray.Angle
	liveTimeS float64
	scale     spectra.Calibration
	scaled    bool
}

// readConditions reads the flags of conditionFlags.
func readConditions(c *cli.Context) (conditions, error) {
	var k conditions
	beam, err := beamFlag(c)
	if err != nil {
		return k, err
	}
	k.beam = beam
	deg, err := numberFlag(c, "takeoff", 0, 0.1, 90)
	if err != nil {
		return k, err
	}
	k.takeOff = xray.Angle(deg) * xray.Degree
	if k.liveTimeS, err = numberFlag(c, "live-time", 0, 0, 1e9); err != nil {
		return k, err
	}
	if c.IsSet("energy-step") != c.IsSet("energy-first") {
		return k, usage("--energy-first and --energy-step belong together: both in eV")
	}
	k.scaled = c.IsSet("energy-step")
	if k.scale.OffsetEV, err = numberFlag(c, "energy-first", 0, -1e5, 1e6); err != nil {
		return k, err
	}
	if k.scale.GainEV, err = numberFlag(c, "energy-step", 0, 1e-3, 1e5); err != nil {
		return k, err
	}
	return k, nil
}

// beamFlag reads the beam energy, 0 when it is not given.
func beamFlag(c *cli.Context) (xray.Energy, error) {
	s := c.String("beam")
	if s == "" {
		return 0, nil
	}
	v, err := strconv.ParseFloat(s, 64)
	switch {
	case err != nil && strings.HasSuffix(strings.ToLower(s), "kev"):
		return 0, usage("--beam %s: the number alone is accepted, in keV", s)
	case err != nil || !(v > 0):
		return 0, usage("--beam %s: a number above 0 is accepted, in keV", s)
	case v > maxBeamKeV:
		return 0, usage("--beam %s: the beam energy is in keV, at most %d; did you mean %g?", s, maxBeamKeV, v/1000)
	}
	return xray.Energy(v) * xray.KeV, nil
}

// applyConditions overrides the conditions of s by flags and records all of
// them with their origin.
func (e *env) applyConditions(c *cli.Context, s *spectra.Spectrum) error {
	k, err := readConditions(c)
	if err != nil {
		return err
	}
	if k.beam > 0 {
		if s.BeamEnergy > 0 && math.Abs(float64(k.beam/s.BeamEnergy-1)) > 0.02 {
			e.warn("--beam %g keV replaces the %g keV of the file", k.beam.KeV(), s.BeamEnergy.KeV())
		}
		s.BeamEnergy = k.beam
	}
	if k.takeOff > 0 {
		s.TakeOff = k.takeOff
	}
	if k.liveTimeS > 0 {
		s.LiveTimeS = k.liveTimeS
	}
	if k.scaled {
		s.Calibration = k.scale
	}
	e.recordConditions(c, s.Conditions, s.Calibration, s.Calibration.Valid())
	return nil
}

// recordConditions puts the conditions into the settings.
func (e *env) recordConditions(c *cli.Context, s spectra.Conditions, cal spectra.Calibration, calibrated bool) {
	from := func(flag string) origin {
		if c.IsSet(flag) {
			return fromFlag
		}
		return fromFile
	}
	if s.BeamEnergy > 0 {
		e.setting("beam_kev", s.BeamEnergy.KeV(), from("beam"))
	}
	if s.TakeOff > 0 {
		e.setting("takeoff_deg", round(s.TakeOff.Degrees(), 1e-9), from("takeoff"))
	} else {
		e.setting("takeoff_deg", round(analysis.DefaultTakeOff.Degrees(), 1e-9), fromDefault)
	}
	if s.LiveTimeS > 0 {
		e.setting("live_time_s", s.LiveTimeS, from("live-time"))
	}
	if calibrated {
		e.setting("energy_first_ev", cal.OffsetEV, from("energy-first"))
		e.setting("energy_step_ev", cal.GainEV, from("energy-step"))
	}
}

// round rounds v to a multiple of unit, so that a change of units does not
// show as 34.99999999999999.
func round(v, unit float64) float64 {
	return math.Round(v/unit) / math.Round(1/unit)
}

// cubeOptions reads the flags that describe cubes.
func cubeOptions(c *cli.Context) (cube.Options, error) {
	var o cube.Options
	k, err := readConditions(c)
	if err != nil {
		return o, err
	}
	o.BeamEnergy, o.TakeOff, o.LiveTimeS = k.beam, k.takeOff, k.liveTimeS
	if k.scaled {
		o.Calibration = k.scale
	}
	if o.Shape, err = wholeList(c, "shape"); err != nil {
		return o, err
	}
	if s := c.String("type"); s != "" {
		if o.Type, err = cube.ParseType(s); err != nil {
			return o, usage("--type: %w", err)
		}
	}
	if s := c.String("endian"); s != "" {
		if o.Endian, err = cube.ParseEndian(s); err != nil {
			return o, usage("--endian: %w", err)
		}
	}
	o.Axes = c.String("axes")
	if s := c.String("offset"); s != "" {
		if o.Offset, err = strconv.ParseInt(s, 10, 64); err != nil || o.Offset < 0 {
			return o, usage("--offset %s: a whole number of bytes is accepted", s)
		}
	}
	if s := c.String("frames"); s != "" {
		if o.Frames, err = cube.ParseFrames(s); err != nil {
			return o, usage("--frames: %w", err)
		}
	}
	o.Pixel, err = pixelFlag(c)
	return o, err
}

// pixelFlag reads the pixel size, in µm.
func pixelFlag(c *cli.Context) (maps.Pixel, error) {
	s := c.String("pixel")
	if s == "" {
		return maps.Pixel{}, nil
	}
	var v []float64
	for _, f := range strings.Split(s, ",") {
		x, err := strconv.ParseFloat(strings.TrimSpace(f), 64)
		if err != nil || len(v) == 2 {
			return maps.Pixel{}, usage("--pixel %s: the side of a pixel in µm is accepted, or width,height", s)
		}
		v = append(v, x)
	}
	y := v[0]
	if len(v) == 2 {
		y = v[1]
	}
	p := maps.Pixel{X: maps.Length(v[0]) * maps.Micrometre, Y: maps.Length(y) * maps.Micrometre}
	if err := cube.CheckPixel(p); err != nil {
		return maps.Pixel{}, usage("--pixel %s: %w", s, err)
	}
	return p, nil
}
