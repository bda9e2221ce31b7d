package main

import (
	"context"
	"io"
	"math"
	"path/filepath"
	"strings"

	"example.org/fleck/maps/record"
	"example.org/fleck/maps/scene"
	"example.org/fleck/quant"
	"example.org/fleck/quant/template"
	"example.org/fleck/quant/transport"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/msa"
	"example.org/fleck/spectra/xray"
	"github.com/urfave/cli/v2"
)

const groupPoint = "One spectrum, without a scene"

// pointFlags describe one spectrum.
func pointFlags() []cli.Flag {
	return []cli.Flag{
		valueFlag(groupPoint, "substrate", "`MATERIAL` of the bulk, with its density"),
		listFlag(groupPoint, "layer", "`MATERIAL` of a film on it with its thickness, the top one first"),
		valueFlag(groupPoint, "target", "`MATERIAL` of a sphere on it, with its density"),
		valueFlag(groupPoint, "diameter", "diameter of the sphere in `NM`"),
		valueFlag(groupPoint, "coating", "conductive layer, a `MATERIAL` with thickness"),
		valueFlag(groupPoint, "coating-order", "`WHERE` the coating lies relative to sphere and films: under, over or both"),
		valueFlag(groupPoint, "beam", "landing energy of the electrons in `KEV`"),
		valueFlag(groupPoint, "takeoff", "angle between specimen surface and detector in `DEG` (default: 35)"),
		valueFlag(groupPoint, "pixel", "side of the square in `UM` that the beam covers, the sphere in its middle (default: the beam stands on the sphere)"),
		valueFlag(groupPoint, "probe", "diameter of the beam in `NM`"),
		valueFlag(groupPoint, "dose", "current times time in `NAS`"),
		valueFlag(groupPoint, "counts", "counts of the whole spectrum `N`, instead of the dose"),
		valueFlag(groupPoint, "energy-step", "width of a channel in `EV` (default: 10)"),
		valueFlag(groupPoint, "trajectories", "`N` electrons to follow (default: 10000)"),
		detectorFlag(),
	}
}

// readPoint reads pointFlags.
func (e *env) readPoint(c *cli.Context) (scene.Point, error) {
	p := scene.Point{Seed: e.seed, Options: template.SphereOptions{Seed: e.seed, Workers: e.workers}}
	s := &p.Setup
	var err error
	if s.Substrate, err = denseFlag(c, "substrate", "Al"); err != nil {
		return p, err
	}
	if p.View.Films, err = layerList(c, "layer"); err != nil {
		return p, err
	}
	if err := readSphere(c, &p.View); err != nil {
		return p, err
	}
	if s.Coating, s.Order, err = coatingFlags(c); err != nil {
		return p, err
	}
	if c.String("beam") == "" {
		return p, usage("--beam is missing; for example --beam 15, in keV")
	}
	kev, err := numberFlag(c, "beam", 0, 1, quant.MaxBeamEnergy.KeV())
	if err != nil {
		return p, err
	}
	takeOff, err := e.takeOffFlag(c)
	if err != nil {
		return p, err
	}
	s.Geometry = quant.Geometry{BeamEnergy: xray.Energy(kev) * xray.KeV, TakeOff: takeOff}
	for _, f := range []struct {
		name              string
		to                *float64
		absent, low, high float64
	}{{"dose", &p.DoseNAs, 0, 1e-9, 1e9}, {"counts", &p.Counts, 0, 1, 1e9}, {"energy-step", &s.Calibration.GainEV, 10, 1, 100}} {
		if *f.to, err = numberFlag(c, f.name, f.absent, f.low, f.high); err != nil {
			return p, err
		}
	}
	if (p.DoseNAs > 0) == (p.Counts > 0) {
		return p, usage("one of --dose and --counts is needed; for example --dose 100, in nA·s")
	}
	if p.Options.Trajectories, err = wholeFlag(c, "trajectories", 10000, 100, 10_000_000); err != nil {
		return p, err
	}
	s.Channels = int(math.Ceil(1100*kev/s.Calibration.GainEV)) + 1
	if s.Detector, err = e.readDetector(c); err != nil {
		return p, err
	}
	p.Title = pointTitle(p)
	return p, e.pointSettings(c, p)
}

// denseFlag reads a material that must state its density.
func denseFlag(c *cli.Context, name, example string) (xray.Material, error) {
	m, err := materialFlag(c, name, example)
	if err != nil {
		return m, err
	}
	if err := m.RequireDensity(); err != nil {
		return m, wrong(codeMaterial, "--%s: %w", name, err)
	}
	return m, nil
}

// readSphere reads the particle and where the beam stands.
func readSphere(c *cli.Context, v *template.View) error {
	pixel, err := numberFlag(c, "pixel", 0, 1e-3, 1e3)
	if err != nil {
		return err
	}
	probe, err := numberFlag(c, "probe", 0, 0.1, 1e5)
	if err != nil {
		return err
	}
	v.Beam = transport.Beam{PixelM: pixel * 1e-6, ProbeM: probe * 1e-9}
	nm, err := numberFlag(c, "diameter", 0, 1, 1e5)
	if err != nil {
		return err
	}
	switch {
	case c.String("target") == "" && nm == 0:
		return nil
	case c.String("target") == "":
		return usage("--diameter without --target, the material of the sphere")
	case nm == 0:
		return usage("--target needs --diameter, in nm")
	}
	m, err := denseFlag(c, "target", "SiO2:2.2g/cm3")
	if err != nil {
		return err
	}
	if pixel > 0 && nm > pixel*1e3 {
		return usage("--diameter %g: the sphere is larger than the pixel of %g nm; up to %g is accepted", nm, pixel*1e3, pixel*1e3)
	}
	v.Particle = &transport.Particle{Material: m, DiameterM: nm * 1e-9}
	return nil
}

// coatingFlags reads a coating and its order, which belong together.
func coatingFlags(c *cli.Context) (*xray.Material, template.CoatingOrder, error) {
	var none template.CoatingOrder
	coating, order := c.String("coating"), c.String("coating-order")
	switch {
	case coating == "" && order == "":
		return nil, none, nil
	case coating == "":
		return nil, none, usage("--coating-order without --coating")
	case order == "":
		return nil, none, usage("--coating needs --coating-order: under, over or both (relative to the particles)")
	}
	m, err := parseMaterial("coating", coating)
	if err != nil {
		return nil, none, err
	}
	if m.MassDepth <= 0 {
		return nil, none, wrong(codeMaterial, "--coating %q states no %s; for example \"C:2.0g/cm3:8nm\"", coating, lacking(m))
	}
	o, err := transport.ParseOrder(order)
	if err != nil {
		return nil, none, usage("--coating-order %q: under, over or both are accepted (relative to the particles)%s", order, didYouMean(nearest(order, []string{"under", "over", "both"})))
	}
	return &m, template.CoatingOrder(o.String()), nil
}

// pointTitle says what the spectrum is of.
func pointTitle(p scene.Point) string {
	t := p.Setup.Substrate.Name
	for i := len(p.View.Films) - 1; i >= 0; i-- {
		t = p.View.Films[i].Name + " on " + t
	}
	if p.View.Particle != nil {
		t = p.View.Particle.Material.Name + " sphere on " + t
	}
	return t + " (simulated)"
}

func (e *env) pointSettings(c *cli.Context, p scene.Point) error {
	e.setting("substrate", p.Setup.Substrate.String(), fromFlag)
	e.setting("layers", materialNames(p.View.Films), fromFlag)
	if x := p.View.Particle; x != nil {
		e.setting("target", x.Material.String(), fromFlag)
		e.setting("diameter_nm", round(x.DiameterM*1e9, 1e-6), fromFlag)
	}
	if p.Setup.Coating != nil {
		e.setting("coating", p.Setup.Coating.String(), fromFlag)
		e.setting("coating_order", string(p.Setup.Order), fromFlag)
	}
	e.setting("beam_kev", p.Setup.Geometry.BeamEnergy.KeV(), fromFlag)
	e.setting("pixel_um", round(p.View.Beam.PixelM*1e6, 1e-9), fromFlag)
	e.setting("trajectories", p.Options.Trajectories, originOf(c, "trajectories"))
	e.setting("energy_step_ev", p.Setup.Calibration.GainEV, originOf(c, "energy-step"))
	return nil
}

func originOf(c *cli.Context, flag string) origin {
	if c.IsSet(flag) {
		return fromFlag
	}
	return fromDefault
}

// simulatePoint writes one spectrum and its truth.
func (e *env) simulatePoint(ctx context.Context, c *cli.Context) error {
	out := c.String("out")
	ext := strings.ToLower(filepath.Ext(out))
	switch {
	case out == "":
		return usage("--out is missing; for example --out spectrum.msa")
	case ext != ".msa" && ext != ".csv":
		return usage("--out %s: a name ending in .msa or .csv is accepted for a spectrum", out)
	}
	p, err := e.readPoint(c)
	if err != nil {
		return err
	}
	truthFile := strings.TrimSuffix(out, filepath.Ext(out)) + "-truth.json"
	for _, path := range []string{out, truthFile} {
		if err := e.checkOutput(path); err != nil {
			return err
		}
	}
	p.Options.Progress = e.bar.of("following electrons")
	s, truth, err := p.Spectrum(ctx)
	if err != nil {
		return failed(codeFailed, "", "%w", err)
	}
	if err := e.writeFile(out, func(w io.Writer) error { return writePoint(w, s, ext) }); err != nil {
		return err
	}
	o := record.Of("title", s.Title, "seed", p.Seed, "dose_na_s", truth.DoseNAs, "counts", truth.Counts)
	rows := []record.Object{}
	e.printf("family  expected counts  of the sphere  error\n")
	for _, f := range truth.Families {
		x := record.Of("family", f.Family, "counts", f.Counts, "own_counts", f.OwnCounts)
		x.Number("relative_error", f.RelativeErr, "no trajectory reached it")
		rows = append(rows, x)
		e.printf("%-6s  %15.5g  %13.5g  %4.1f %%\n", f.Family, f.Counts, f.OwnCounts, 100*f.RelativeErr)
	}
	o.Set("families", rows)
	o.Set("file", out)
	o.Set("truth_file", truthFile)
	if err := e.writeTruth(truthFile, o); err != nil {
		return err
	}
	e.answer = append(e.answer, o...)
	ms := append([]xray.Material{p.Setup.Substrate}, p.View.Films...)
	if p.Setup.Coating != nil {
		ms = append(ms, *p.Setup.Coating)
	}
	if p.View.Particle != nil {
		ms = append(ms, p.View.Particle.Material)
	}
	e.printf("%s", e.defaultDensities(ms...))
	e.printf("%.5g counts expected at %.4g nA·s, written to %s\n", truth.Counts, truth.DoseNAs, out)
	return nil
}

func writePoint(w io.Writer, s *spectra.Spectrum, ext string) error {
	if ext == ".csv" {
		return msa.WriteCSV(w, *s)
	}
	return msa.Write(w, msa.FromSpectrum(*s), msa.WriteOptions{})
}
