package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
	"github.com/urfave/cli/v2"
)

const detectorTopic = `--detector names a JSON file. All keys are optional; what is missing is that of
a silicon drift detector with a polymer window.

  {
    "fleck_format": 1,
    "name": "SDD 30 mm2",
    "fwhm_mn_ev": 129,                 resolution at Mn K-L3, eV
    "fano_ev": 2.33,                   FWHM^2 = noise^2 + fano_ev * E, all in eV
    "window": ["C22H10N2O5:1.42g/cm3:300nm", "Al:40nm"],
    "grid_open": 0.77, "grid_um": 380, open share and thickness of the silicon grid
    "dead_layer_nm": 50, "active_um": 450,
    "loss_fraction": 0.2, "loss_depth_nm": 20,
    "pulse_pair_s": 3e-7,
    "solid_angle_sr": 0.01
  }

The resolution is refined on every spectrum that is strong enough.
`

// detectorFile is the text of a detector. Pointers tell "not stated" from 0.
type detectorFile struct {
	Format       int      `json:"fleck_format"`
	Name         string   `json:"name"`
	FWHMMnEV     *float64 `json:"fwhm_mn_ev"`
	NoiseEV      *float64 `json:"noise_ev"`
	FanoEV       *float64 `json:"fano_ev"`
	LossFraction *float64 `json:"loss_fraction"`
	LossDepthNM  *float64 `json:"loss_depth_nm"`
	Window       []string `json:"window"`
	GridOpen     *float64 `json:"grid_open"`
	GridUM       *float64 `json:"grid_um"`
	DeadLayerNM  *float64 `json:"dead_layer_nm"`
	ActiveUM     *float64 `json:"active_um"`
	PulsePairS   *float64 `json:"pulse_pair_s"`
	SolidAngleSr *float64 `json:"solid_angle_sr"`
}

// mnK is the energy of Mn K-L3, at which resolutions are stated: 5898.8 eV
// (Deslattes et al. 2003).
const mnK = 5898.8

// readDetector reads the file of --detector; without it the zero value, which
// stands for the default detector.
func (e *env) readDetector(c *cli.Context) (spectra.Detector, error) {
	path := c.String("detector")
	if path == "" {
		e.setting("detector", "default", fromDefault)
		return spectra.Detector{}, nil
	}
	return e.detectorFrom(path, fromFlag)
}

// detectorFrom reads a detector file.
func (e *env) detectorFrom(path string, from origin) (spectra.Detector, error) {
	data, err := e.readText(path)
	if err != nil {
		return spectra.Detector{}, err
	}
	d, err := parseDetector(data)
	if err != nil {
		f := *classify(err)
		f.file = path
		return spectra.Detector{}, &f
	}
	name := d.Name
	if name == "" {
		name = path
	}
	e.setting("detector", name, from)
	return d, nil
}

// parseDetector reads the text of a detector file.
func parseDetector(data []byte) (spectra.Detector, error) {
	bad := func(line int, format string, args ...any) error {
		return &failure{code: codeBadFile, exit: exitFailed, line: line, err: fmt.Errorf("detector: "+format, args...)}
	}
	dec := json.NewDecoder(bytes.NewReader(data))
	dec.DisallowUnknownFields()
	var t detectorFile
	if err := dec.Decode(&t); err != nil {
		line := 1 + bytes.Count(data[:min(int(dec.InputOffset()), len(data))], []byte("\n"))
		var syntax *json.SyntaxError
		var kind *json.UnmarshalTypeError
		switch {
		case errors.As(err, &syntax):
			line = 1 + bytes.Count(data[:min(int(syntax.Offset), len(data))], []byte("\n"))
		case errors.As(err, &kind):
			line = 1 + bytes.Count(data[:min(int(kind.Offset), len(data))], []byte("\n"))
		}
		return spectra.Detector{}, bad(line, "line %d: %w; see: fleck help detector", line, err)
	}
	if _, err := dec.Token(); err != io.EOF {
		return spectra.Detector{}, bad(0, "text after the closing brace")
	}
	if t.Format > format {
		return spectra.Detector{}, failed(codeNewerFormat, "", "detector: fleck_format %d; this program reads up to %d", t.Format, format)
	}
	d := spectra.Detector{Name: t.Name}
	for _, n := range []struct {
		key       string
		v         *float64
		dst       *float64
		low, high float64
	}{
		{"noise_ev", t.NoiseEV, &d.NoiseEV, 1, 1000},
		{"fano_ev", t.FanoEV, &d.FanoEV, 0.1, 100},
		{"loss_fraction", t.LossFraction, &d.LossFraction, 0, 1},
		{"loss_depth_nm", t.LossDepthNM, &d.LossDepthNM, 1e-3, 1e4},
		{"grid_open", t.GridOpen, &d.GridOpen, 0.01, 1},
		{"grid_um", t.GridUM, &d.GridUM, 1e-3, 1e4},
		{"dead_layer_nm", t.DeadLayerNM, &d.DeadLayerNM, 1e-3, 1e4},
		{"active_um", t.ActiveUM, &d.ActiveUM, 1, 1e5},
		{"pulse_pair_s", t.PulsePairS, &d.PulsePairS, 1e-12, 1},
		{"solid_angle_sr", t.SolidAngleSr, &d.SolidAngleSr, 1e-9, 4 * math.Pi},
	} {
		if n.v == nil {
			continue
		}
		if !(*n.v >= n.low && *n.v <= n.high) {
			return d, bad(0, "%s is %g; %g to %g is accepted", n.key, *n.v, n.low, n.high)
		}
		*n.dst = *n.v
	}
	if t.LossFraction != nil && *t.LossFraction == 0 {
		d.LossFraction = -1 // none at all; 0 would be the default
	}
	for i, s := range t.Window {
		m, err := xray.ParseMaterial(s)
		if err == nil && m.MassDepth <= 0 {
			err = fmt.Errorf("%q states no %s; write for example Al:40nm or C22H10N2O5:1.42g/cm3:300nm", s, lacking(m))
		}
		if err != nil {
			return d, bad(0, "window layer %d: %w", i+1, err)
		}
		d.Window = append(d.Window, m)
	}
	if t.FWHMMnEV != nil {
		if t.NoiseEV != nil {
			return d, bad(0, "fwhm_mn_ev and noise_ev say the same; state one of them")
		}
		full := d.WithDefaults()
		noise := *t.FWHMMnEV**t.FWHMMnEV - full.FanoEV*mnK
		if !(noise > 0) || *t.FWHMMnEV > 1000 {
			return d, bad(0, "fwhm_mn_ev is %g; more than %.1f is needed with fano_ev %g", *t.FWHMMnEV, math.Sqrt(full.FanoEV*mnK), full.FanoEV)
		}
		d.NoiseEV = math.Sqrt(noise)
	}
	return d, nil
}
