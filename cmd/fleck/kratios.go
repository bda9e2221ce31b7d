package main

import (
	"bytes"

	"example.org/fleck/quant"
	"example.org/fleck/quant/analysis"
	"example.org/fleck/spectra/xray"
	"github.com/urfave/cli/v2"
)

// readKRatios reads --kratios with its conditions, and its standards into o.
func (e *env) readKRatios(c *cli.Context, o *analysis.Options) ([]quant.KRatio, quant.Geometry, error) {
	var g quant.Geometry
	if err := noFiles(c); err != nil {
		return nil, g, err
	}
	for _, name := range []string{"elements", "ignore", "calibrate", "dose"} {
		if c.IsSet(name) {
			return nil, g, usage("--%s belongs to a spectrum, not to --kratios", name)
		}
	}
	path := c.String("kratios")
	data, err := e.readText(path)
	if err != nil {
		return nil, g, err
	}
	ks, err := quant.ReadKRatios(bytes.NewReader(data))
	if err != nil {
		return nil, g, inFile(path, err)
	}
	if g.BeamEnergy, err = beamFlag(c); err != nil {
		return nil, g, err
	}
	if g.BeamEnergy == 0 {
		return nil, g, usage("--beam is missing; for example --beam 15, in keV")
	}
	e.setting("beam_kev", g.BeamEnergy.KeV(), fromFlag)
	if g.TakeOff, err = e.takeOffFlag(c); err != nil {
		return nil, g, err
	}
	materials, err := materialList(c, "standard")
	if err != nil {
		return nil, g, err
	}
	var peaks []quant.Peak
	for _, k := range ks {
		peaks = append(peaks, k.Peak)
	}
	if o.Standards, err = analysis.StandardsFor(peaks, materials); err != nil {
		return nil, g, usage("%w", err)
	}
	return ks, g, nil
}

func (e *env) quantifyKRatios(c *cli.Context, ks []quant.KRatio, g quant.Geometry, opt analysis.Options) error {
	path := c.String("kratios")
	r, err := analysis.FromKRatios(ks, g, opt)
	if err != nil {
		return inFile(path, err)
	}
	if other := c.String("second"); other != "" {
		beam, err := numberFlag(c, "second-beam", 0, 0.1, quant.MaxBeamEnergy.KeV())
		if err != nil {
			return err
		}
		if beam == 0 || xray.Energy(beam)*xray.KeV == g.BeamEnergy {
			return usage("--second needs --second-beam, in keV and other than --beam")
		}
		e.setting("second_beam_kev", beam, fromFlag)
		data, err := e.readText(other)
		if err != nil {
			return err
		}
		more, err := quant.ReadKRatios(bytes.NewReader(data))
		if err != nil {
			return inFile(other, err)
		}
		g.BeamEnergy = xray.Energy(beam) * xray.KeV
		q, err := analysis.FromKRatios(more, g, opt)
		if err != nil {
			return inFile(other, err)
		}
		analysis.CompareBeams(r, q)
	}
	e.answerQuantify(r)
	e.printQuantify(path, r)
	return nil
}
