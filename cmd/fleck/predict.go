package main

import (
	"cmp"
	"context"
	"math"
	"slices"
	"strconv"
	"strings"

	"example.org/fleck/maps/record"
	"example.org/fleck/quant"
	"example.org/fleck/quant/analysis"
	"example.org/fleck/quant/matrix"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
	"github.com/urfave/cli/v2"
)

func predictCommand(e *env) *cli.Command {
	return &cli.Command{
		Name:      "predict",
		Usage:     "k-ratios and intensities of a material from a model",
		UsageText: "fleck predict --material MATERIAL --beam KEV",
		Description: `The material is a flat bulk, or lies below the layers, or is a sphere on a
substrate. k-ratios are relative to the pure bulk elements unless --standard names
others. Spheres, and flat specimens with --model transport, are simulated.

Examples:
  fleck predict --material "SiO2" --lines "Si K,O K" --beam 5,15 --takeoff 35
  fleck predict --material "Al" --layer "SiO2:2.2g/cm3:100nm" --beam 5
  fleck predict --material "SiO2:2.2g/cm3" --sphere 100 --substrate Al --standard SiO2 --beam 5,15`,
		Flags: append([]cli.Flag{
			valueFlag(groupSpecimen, "material", "`MATERIAL` of the bulk, such as \"SiO2\""),
			listFlag(groupSpecimen, "layer", "`MATERIAL` of a layer with its thickness, the top one first"),
			valueFlag(groupSpecimen, "coating", "conductive layer on the specimen, a `MATERIAL` with thickness"),
			listFlag(groupSpecimen, "standard", "`MATERIAL` of a standard, for the elements it holds"),
			valueFlag("", "lines", "line families or lines, `LINES` with commas, such as \"Si K,O K\" (default: all that the beam excites well)"),
			valueFlag("", "model", "`NAME` of the model: pap (default), xpp, zaf, or transport, which follows electrons"),
			valueFlag(groupConditions, "beam", "landing energy of the electrons in `KEV`; several with commas"),
			valueFlag(groupConditions, "takeoff", "angle between specimen surface and detector in `DEG` (default: 35)"),
			detectorFlag(),
		}, transportFlags()...),
		Action: e.action(func(ctx context.Context, c *cli.Context) error {
			if err := noFiles(c); err != nil {
				return err
			}
			if byTransport(c) {
				return e.predictTransport(ctx, c)
			}
			for _, f := range transportFlags() {
				if name := f.Names()[0]; c.IsSet(name) {
					return usage("--%s is for --sphere or --model transport", name)
				}
			}
			return e.predict(c)
		}),
	}
}

// modelFlag chooses the matrix correction.
func modelFlag() cli.Flag {
	return valueFlag("", "model", "matrix correction `NAME`: pap (default), xpp or zaf")
}

// readModel reads --model.
func (e *env) readModel(c *cli.Context) (matrix.Model, error) {
	names := []string{"pap", "xpp", "zaf"}
	s := strings.ToLower(c.String("model"))
	if s == "" {
		e.setting("model", "pap", fromDefault)
		return matrix.ModelPAP, nil
	}
	i := slices.Index(names, s)
	if i < 0 {
		accepted := "pap, xpp or zaf"
		if c.Command.Name == "predict" {
			names, accepted = append(names, "transport"), "pap, xpp, zaf or transport"
		}
		return 0, usage("--model %q: %s are accepted%s", c.String("model"), accepted, didYouMean(nearest(s, names)))
	}
	e.setting("model", s, fromFlag)
	return []matrix.Model{matrix.ModelPAP, matrix.ModelXPP, matrix.ModelZAF}[i], nil
}

// layerList reads layers, which may repeat a material.
func layerList(c *cli.Context, name string) ([]xray.Material, error) {
	var out []xray.Material
	for _, s := range c.StringSlice(name) {
		m, err := parseMaterial(name, s)
		if err != nil {
			return nil, err
		}
		if m.MassDepth <= 0 {
			return nil, wrong(codeMaterial, "--%s %q states no %s; for example \"SiO2:2.2g/cm3:100nm\"", name, s, lacking(m))
		}
		out = append(out, m)
	}
	return out, nil
}

// readCoat reads a coating without order: it lies on a bulk.
func (e *env) readCoat(c *cli.Context, name string) (xray.Material, error) {
	s := c.String(name)
	if s == "" {
		return xray.Material{}, nil
	}
	m, err := parseMaterial(name, s)
	if err != nil {
		return m, err
	}
	if m.MassDepth <= 0 {
		return m, wrong(codeMaterial, "--%s %q states no %s; for example \"C:2.0g/cm3:8nm\"", name, s, lacking(m))
	}
	e.setting(strings.ReplaceAll(name, "-", "_"), m.String(), fromFlag)
	return m, nil
}

// beamList reads one beam energy or several.
func beamList(c *cli.Context) ([]xray.Energy, error) {
	s := c.String("beam")
	if s == "" {
		return nil, usage("--beam is missing; for example --beam 15, in keV")
	}
	var out []xray.Energy
	for _, part := range strings.Split(s, ",") {
		v, err := strconv.ParseFloat(strings.TrimSpace(part), 64)
		switch {
		case err != nil || !(v > 0):
			return nil, usage("--beam %s: numbers above 0 with commas between them are accepted, in keV", s)
		case xray.Energy(v)*xray.KeV > quant.MaxBeamEnergy:
			return nil, usage("--beam %s: at most %g keV is accepted here", s, quant.MaxBeamEnergy.KeV())
		}
		out = append(out, xray.Energy(v)*xray.KeV)
	}
	return out, nil
}

// takeOffFlag reads the take-off angle.
func (e *env) takeOffFlag(c *cli.Context) (xray.Angle, error) {
	deg, err := numberFlag(c, "takeoff", 0, math.Inf(-1), math.Inf(1))
	if err != nil {
		return 0, err
	}
	if !c.IsSet("takeoff") {
		e.setting("takeoff_deg", round(analysis.DefaultTakeOff.Degrees(), 1e-9), fromDefault)
		return analysis.DefaultTakeOff, nil
	}
	if !(deg > 0 && deg < 90) {
		return 0, usage("--takeoff %s: an angle above 0 and below 90 is accepted", c.String("takeoff"))
	}
	e.setting("takeoff_deg", deg, fromFlag)
	return xray.Angle(deg) * xray.Degree, nil
}

// peakList reads --lines.
func peakList(c *cli.Context) ([]quant.Peak, error) {
	s := c.String("lines")
	if s == "" {
		return nil, nil
	}
	var out []quant.Peak
	for _, part := range strings.Split(s, ",") {
		part = strings.TrimSpace(part)
		symbol, _, ok := strings.Cut(part, " ")
		if _, err := parseElement(symbol); err != nil {
			return nil, err
		}
		p, err := quant.ParsePeak(part)
		if err != nil || !ok {
			return nil, wrong(codeLine, "--lines %q: a line family or a line is accepted, such as \"Si K\" or \"Si K-L3\"", part)
		}
		if slices.Contains(out, p) {
			return nil, usage("--lines names %s twice", p)
		}
		out = append(out, p)
	}
	return out, nil
}

func (e *env) predict(c *cli.Context) error {
	m, err := materialFlag(c, "material", "SiO2")
	if err != nil {
		return err
	}
	layers, err := layerList(c, "layer")
	if err != nil {
		return err
	}
	named, err := peakList(c)
	if err != nil {
		return err
	}
	beams, err := beamList(c)
	if err != nil {
		return err
	}
	takeOff, err := e.takeOffFlag(c)
	if err != nil {
		return err
	}
	standards, err := materialList(c, "standard")
	if err != nil {
		return err
	}
	var opt analysis.PredictOptions
	if opt.Matrix.Model, err = e.readModel(c); err != nil {
		return err
	}
	if opt.Matrix.Coat, err = e.readCoat(c, "coating"); err != nil {
		return err
	}
	if opt.Detector, err = e.readDetector(c); err != nil {
		return err
	}
	e.setting("material", m.String(), fromFlag)
	e.setting("layers", materialNames(layers), fromFlag)
	e.setting("standards", materialNames(standards), fromFlag)
	var elements []xray.Element
	for _, x := range append(slices.Clone(layers), m) {
		for _, comp := range x.Components {
			elements = append(elements, comp.Element)
		}
	}
	slices.Sort(elements)
	elements = slices.Compact(elements)
	rows := []record.Object{}
	e.printf("line      beam/keV   k-ratio        Z       A       F   counts per nA s\n")
	for _, beam := range beams {
		peaks := named
		if peaks == nil {
			peaks = analysis.PeaksOf(elements, beam)
		}
		if opt.Matrix.Standards, err = analysis.StandardsFor(peaks, standards); err != nil {
			return usage("%w", err)
		}
		list, err := analysis.Predict(layers, m, peaks, quant.Geometry{BeamEnergy: beam, TakeOff: takeOff}, opt)
		if err != nil {
			return failed(codeFailed, "", "%w", err)
		}
		for _, p := range list {
			none := holdsNo(p.Peak.Element, elements, len(layers) > 0)
			if none != "" {
				p.Remarks = append(p.Remarks, none)
				p.Z = 0
			}
			rows = append(rows, predictRow(p, beam, none))
			e.printf("%-9s %8.4g  %.6f  %s  %12.4g\n", p.Peak, beam.KeV(), p.KRatio, factorText(p), p.Counts)
			for _, r := range p.Remarks {
				e.warn("%s at %g keV: %s", p.Peak, beam.KeV(), r)
			}
		}
	}
	e.answer.Set("lines", rows)
	e.solidAngle(c, opt.Detector)
	return nil
}

// solidAngle says what the counts are for.
func (e *env) solidAngle(c *cli.Context, d spectra.Detector) {
	d = d.WithDefaults()
	e.setting("solid_angle_sr", d.SolidAngleSr, originOf(c, "detector"))
	e.printf("\nThe counts are those of a detector with a solid angle of %.3g sr (solid_angle_sr of --detector).\n", d.SolidAngleSr)
}

// holdsNo says that a specimen lacks an element, "" if it holds it.
func holdsNo(z xray.Element, held []xray.Element, several bool) string {
	switch {
	case slices.Contains(held, z):
		return ""
	case several:
		return "nothing in the specimen holds " + z.Symbol()
	}
	return "the material holds no " + z.Symbol()
}

// factorText writes the factors of a bulk; layers have none.
func factorText(p analysis.Prediction) string {
	if p.Z == 0 {
		return "     -       -       -"
	}
	return strconv.FormatFloat(p.Z, 'f', 4, 64) + "  " + strconv.FormatFloat(p.A, 'f', 4, 64) + "  " + strconv.FormatFloat(p.F, 'f', 4, 64)
}

func predictRow(p analysis.Prediction, beam xray.Energy, none string) record.Object {
	name := p.Peak.String()
	_, line, _ := strings.Cut(name, " ")
	o := record.Of("element", p.Peak.Element.Symbol(), "line", line, "beam_kev", beam.KeV())
	o.Number("k_ratio", p.KRatio, "")
	for _, f := range []struct {
		key string
		v   float64
	}{{"z", p.Z}, {"a", p.A}, {"f", p.F}, {"escape", p.Escape}} {
		if p.Z == 0 {
			f.v = math.NaN()
		}
		o.Number(f.key, f.v, cmp.Or(none, "layers have no factors"))
	}
	o.Set("standard", p.Standard)
	o.Number("overvoltage", p.Overvoltage, "")
	photons, counts := p.Photons, p.Counts
	if photons == 0 && p.KRatio > 0 {
		photons, counts = math.NaN(), math.NaN()
	}
	o.Number("photons_per_electron", photons, "the model gives ratios only")
	o.Number("counts_per_na_s", counts, "the model gives ratios only")
	o.Set("per_layer", p.PerLayer)
	remarks := p.Remarks
	if remarks == nil {
		remarks = []string{}
	}
	o.Set("remarks", remarks)
	return o
}
