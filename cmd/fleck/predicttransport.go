package main

import (
	"context"
	"math"
	"strings"

	"example.org/fleck/maps/record"
	"example.org/fleck/quant/analysis"
	"example.org/fleck/quant/transport"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
	"github.com/urfave/cli/v2"
)

const groupSphere = "Spheres, and --model transport"

// transportFlags are those of predict beyond the flat specimen.
func transportFlags() []cli.Flag {
	return []cli.Flag{
		valueFlag(groupSphere, "sphere", "the material is a sphere of this diameter in `NM`, on --substrate"),
		valueFlag(groupSphere, "substrate", "`MATERIAL` below the sphere, and below the layers"),
		valueFlag(groupSphere, "coating-order", "`WHERE` the coating lies relative to the sphere: under, over or both"),
		valueFlag(groupSphere, "pixel", "side of the square in `UM` that the beam covers, the sphere in its middle (default: the beam stands on the sphere)"),
		valueFlag(groupSphere, "probe", "diameter of the beam in `NM`"),
		valueFlag(groupSphere, "trajectories", "`N` electrons to follow (default: 20000)"),
	}
}

// byTransport reports whether electrons are to be followed.
func byTransport(c *cli.Context) bool {
	return c.String("sphere") != "" || strings.EqualFold(c.String("model"), "transport")
}

// specimenOf reads the specimen of a transport prediction.
func (e *env) specimenOf(c *cli.Context) (transport.Config, error) {
	cfg := transport.Config{Seed: e.seed, Workers: e.workers}
	m, err := denseFlag(c, "material", "SiO2:2.2g/cm3")
	if err != nil {
		return cfg, err
	}
	if cfg.Layers, err = layerList(c, "layer"); err != nil {
		return cfg, err
	}
	for _, l := range cfg.Layers {
		if err := l.RequireDensity(); err != nil {
			return cfg, wrong(codeMaterial, "--layer: %w", err)
		}
	}
	nm, err := numberFlag(c, "sphere", 0, 1, 1e5)
	if err != nil {
		return cfg, err
	}
	pixel, err := numberFlag(c, "pixel", 0, 1e-3, 1e3)
	if err != nil {
		return cfg, err
	}
	probe, err := numberFlag(c, "probe", 0, 0.1, 1e5)
	if err != nil {
		return cfg, err
	}
	cfg.Beam = transport.Beam{PixelM: pixel * 1e-6, ProbeM: probe * 1e-9}
	cfg.Substrate = m
	switch {
	case nm == 0 && c.String("substrate") != "":
		return cfg, usage("--substrate is for --sphere; without one --material is the bulk below the layers")
	case nm == 0:
	case c.String("substrate") == "":
		return cfg, usage("--sphere needs --substrate, what it rests on; for example --substrate Al")
	case pixel > 0 && nm > pixel*1e3:
		return cfg, usage("--sphere %g: larger than the pixel of %g nm; up to %g is accepted", nm, pixel*1e3, pixel*1e3)
	default:
		if cfg.Substrate, err = denseFlag(c, "substrate", "Al"); err != nil {
			return cfg, err
		}
		cfg.Particle = &transport.Particle{Material: m, DiameterM: nm * 1e-9}
		e.setting("sphere_nm", nm, fromFlag)
		e.setting("substrate", cfg.Substrate.String(), fromFlag)
	}
	if err := e.coatTransport(c, &cfg); err != nil {
		return cfg, err
	}
	e.setting("material", m.String(), fromFlag)
	e.setting("layers", materialNames(cfg.Layers), fromFlag)
	e.setting("pixel_um", pixel, originOf(c, "pixel"))
	e.setting("probe_nm", probe, originOf(c, "probe"))
	if cfg.Trajectories, err = wholeFlag(c, "trajectories", 20000, 100, 10_000_000); err != nil {
		return cfg, err
	}
	e.setting("trajectories", cfg.Trajectories, originOf(c, "trajectories"))
	return cfg, nil
}

// coatTransport reads the coating; on a flat specimen it lies on top.
func (e *env) coatTransport(c *cli.Context, cfg *transport.Config) error {
	if cfg.Particle == nil && c.String("coating") != "" && c.String("coating-order") == "" {
		coat, err := e.readCoat(c, "coating")
		cfg.Coating, cfg.Order = &coat, transport.Over
		return err
	}
	coat, order, err := coatingFlags(c)
	if err != nil || coat == nil {
		return err
	}
	cfg.Coating = coat
	cfg.Order, err = transport.ParseOrder(string(order))
	e.setting("coating", coat.String(), fromFlag)
	e.setting("coating_order", string(order), fromFlag)
	return err
}

// predictTransport follows electrons through the specimen.
func (e *env) predictTransport(ctx context.Context, c *cli.Context) error {
	if m := c.String("model"); m != "" && !strings.EqualFold(m, "transport") {
		return usage("--model %s is for flat specimens; a sphere takes transport", m)
	}
	e.setting("model", "transport", originOf(c, "model"))
	cfg, err := e.specimenOf(c)
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
	if cfg.Geometry.TakeOff, err = e.takeOffFlag(c); err != nil {
		return err
	}
	standards, err := materialList(c, "standard")
	if err != nil {
		return err
	}
	e.setting("standards", materialNames(standards), fromFlag)
	d, err := e.readDetector(c)
	if err != nil {
		return err
	}
	d = d.WithDefaults()
	cfg.Progress = e.bar.of("following electrons")
	rows := []record.Object{}
	e.printf("line      beam/keV   k-ratio     error     of the sphere  counts per nA s\n")
	for _, beam := range beams {
		if beam < xray.KeV {
			return usage("--beam %g: at least 1 keV is accepted here", beam.KeV())
		}
		x := cfg
		x.Geometry.BeamEnergy = beam
		x.Peaks = named
		if named == nil {
			x.Peaks = analysis.PeaksOf(elementsOf(x), beam)
		}
		got, err := transport.KRatios(ctx, x, standards)
		if err != nil {
			return failed(codeFailed, "", "%w", err)
		}
		for _, r := range got {
			counts := countsPerNAs(r.Intensity, d)
			none := holdsNo(r.Peak.Element, elementsOf(x), len(materialsOf(x)) > 1)
			if none != "" {
				e.warn("%s at %g keV: %s", r.Peak, beam.KeV(), none)
			}
			rows = append(rows, transportRow(r, beam, counts, none))
			if !(r.K >= 0) {
				e.printf("%-9s %8.4g  not excited\n", r.Peak, beam.KeV())
				continue
			}
			e.printf("%-9s %8.4g  %9.6f  %8.2g  %12.1f %%  %12.4g\n", r.Peak, beam.KeV(), r.K, r.KErr, 100*sphereShare(r), counts)
		}
	}
	e.answer.Set("lines", rows)
	e.printf("\nErrors are those of %d electrons. Secondary fluorescence is left out; L and M lines are good to 20 to 40 %% in counts.\n", cfg.Trajectories)
	e.solidAngle(c, d)
	e.printf("%s", e.defaultDensities(materialsOf(cfg)...))
	return nil
}

func sphereShare(r transport.Ratio) float64 {
	if !(r.Emitted > 0) {
		return 0
	}
	return r.FromParticle / r.Emitted
}

// materialsOf returns the materials of a specimen.
func materialsOf(c transport.Config) []xray.Material {
	ms := append([]xray.Material{c.Substrate}, c.Layers...)
	if c.Coating != nil {
		ms = append(ms, *c.Coating)
	}
	if c.Particle != nil {
		ms = append(ms, c.Particle.Material)
	}
	return ms
}

// elementsOf returns the elements of a specimen, each once.
func elementsOf(c transport.Config) []xray.Element {
	ms := materialsOf(c)
	seen := map[xray.Element]bool{}
	for _, m := range ms {
		for _, k := range m.Components {
			seen[k.Element] = true
		}
	}
	var out []xray.Element
	for z := xray.Element(1); z <= xray.MaxElement; z++ {
		if seen[z] {
			out = append(out, z)
		}
	}
	return out
}

// countsPerNAs returns what the detector counts of a peak.
func countsPerNAs(x transport.Intensity, d spectra.Detector) float64 {
	const electrons = 1e-9 / 1.602176634e-19 // per nA·s, SI 2019
	n := 0.0
	for _, l := range x.Lines {
		n += l.Emitted * d.Efficiency(l.Line.Energy)
	}
	return n * electrons * d.SolidAngleSr / (4 * math.Pi)
}

func transportRow(r transport.Ratio, beam xray.Energy, counts float64, none string) record.Object {
	name := r.Peak.String()
	_, line, _ := strings.Cut(name, " ")
	o := record.Of("element", r.Peak.Element.Symbol(), "line", line, "beam_kev", beam.KeV())
	o.Number("k_ratio", r.K, "the beam does not excite it")
	o.Number("k_ratio_error", r.KErr, "the beam does not excite it")
	for _, key := range []string{"z", "a", "f"} {
		o.Number(key, math.NaN(), "transport has no factors")
	}
	o.Set("standard", r.Standard)
	o.Number("overvoltage", r.Overvoltage, "")
	o.Number("photons_per_electron", r.Emitted, "")
	o.Number("counts_per_na_s", counts, "")
	o.Number("sphere_share", sphereShare(r), "")
	remarks := []string{}
	if none != "" {
		remarks = append(remarks, none)
	}
	o.Set("remarks", remarks)
	return o
}
