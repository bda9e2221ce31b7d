package main

import (
	"context"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"example.org/fleck/maps/record"
	"example.org/fleck/quant/plan"
	"example.org/fleck/quant/transport"
	"example.org/fleck/spectra/xray"
	"github.com/urfave/cli/v2"
)

func planCommand(e *env) *cli.Command {
	const group = "Measurement"
	return &cli.Command{
		Name:      "plan",
		Usage:     "can the target be seen, at what dose, and what interferes",
		UsageText: "fleck plan --target MATERIAL --substrate MATERIAL [--coating L --coating-order WHERE]",
		Description: `Signal and background per nA·s of particles on a substrate, the dose at which one
is found, lines that overlap, and which substrate, coating and beam energy to
prefer. Without --pixel the beam stands on the middle of the particle.

Examples:
  fleck plan --target "SiO2:2.2g/cm3" --substrate Al --diameter 100,300
  fleck plan --target "TiO2:4.23g/cm3" --substrate "Fe-18Cr:7.7g/cm3" --confuser "BaSO4:4.5g/cm3" --beam 10,15
  fleck plan --target "SiO2:2.2g/cm3" --substrate Al --coating none --coating "Au:5nm" --coating-order over --diameter 100 --pixel 0.2
  fleck plan --target "SiO2:2.2g/cm3" --substrate Al --diameter 50,100,200 --pixel 0.5 --figure dose.png`,
		Flags: []cli.Flag{
			valueFlag(groupSpecimen, "target", "`MATERIAL` looked for, with its density"),
			listFlag(groupSpecimen, "substrate", "`MATERIAL` below"),
			listFlag(groupSpecimen, "confuser", "another `MATERIAL` that a spot may be"),
			listFlag(groupSpecimen, "coating", "conductive layer, a `MATERIAL` with thickness, or none"),
			valueFlag(groupSpecimen, "coating-order", "`WHERE` coatings lie relative to the particles: under, over or both"),
			valueFlag(groupSpecimen, "diameter", "diameters of particles in `NM`, with commas (default: 100,300,1000)"),
			valueFlag(group, "beam", "landing energies of the electrons in `KEV`, with commas (default: 5,10,15,20)"),
			valueFlag(group, "takeoff", "angle between specimen surface and detector in `DEG` (default: 35)"),
			valueFlag(group, "pixel", "side of a pixel in `UM`: of the square that a rastered beam covers, or the pitch of a stationary one"),
			valueFlag(group, "beam-mode", "`MODE` of the beam within a pixel: stationary or rastered (default)"),
			valueFlag(group, "probe", "diameter of the beam in `NM`"),
			valueFlag(group, "current", "probe current in `NA` (default: 1); sets time and pile-up"),
			valueFlag(group, "dose", "dose per pixel or point that is available, in `NAS` (default: 100)"),
			valueFlag(group, "alpha", "probability of a false alarm per pixel, a `SHARE` (default: 5e-7, 5 % in 100 000 pixels)"),
			valueFlag(group, "beta", "probability of missing a particle, a `SHARE` (default: 0.05)"),
			valueFlag(group, "trajectories", "`N` electrons per simulation (default: 3000)"),
			valueFlag(group, "cache", "keep simulations in the folder `DIR` and take them from there"),
			valueFlag("", "figure", "draw the dose against the diameter, a curve per beam energy, into `FILE` (png or svg)"),
			detectorFlag(),
		},
		Action: e.action(func(ctx context.Context, c *cli.Context) error {
			if err := noFiles(c); err != nil {
				return err
			}
			if err := e.checkFigure(c); err != nil {
				return err
			}
			r, err := e.planRequest(c)
			if err != nil {
				return err
			}
			r.Progress = e.bar.of("planning")
			got, err := plan.Run(ctx, r)
			if err != nil {
				return err
			}
			e.planSettings(c, got.Request)
			e.planAnswer(got)
			e.planText(got)
			ms := append(slices.Clone(got.Request.Substrates), got.Request.Target)
			for _, x := range got.Request.Coatings {
				ms = append(ms, x.Layer)
			}
			e.printf("%s", e.defaultDensities(ms...))
			return e.drawPlan(ctx, c, got.Request)
		}),
	}
}

// numberList reads numbers separated by commas, nil when the flag is not given.
func numberList(c *cli.Context, name string, low, high float64) ([]float64, error) {
	s := c.String(name)
	if s == "" {
		return nil, nil
	}
	var out []float64
	for _, f := range strings.Split(s, ",") {
		v, err := strconv.ParseFloat(strings.TrimSpace(f), 64)
		if err != nil || !(v >= low && v <= high) {
			return nil, usage("--%s %s: numbers from %g to %g with commas between them are accepted%s", name, s, low, high, unitHint(name, f, high))
		}
		out = append(out, v)
	}
	return out, nil
}

// planRequest reads the flags.
func (e *env) planRequest(c *cli.Context) (plan.Request, error) {
	r := plan.Request{Seed: e.seed, Workers: e.workers}
	var err error
	if r.Target, err = materialFlag(c, "target", "SiO2:2.2g/cm3"); err != nil {
		return r, err
	}
	if r.Substrates, err = materialList(c, "substrate"); err != nil {
		return r, err
	}
	if len(r.Substrates) == 0 {
		return r, usage("--substrate is missing; for example --substrate Al")
	}
	for _, m := range append([]xray.Material{r.Target}, r.Substrates...) {
		if err := m.RequireDensity(); err != nil {
			return r, wrong(codeMaterial, "%w", err)
		}
	}
	if r.Confusers, err = materialList(c, "confuser"); err != nil {
		return r, err
	}
	if r.Coatings, err = planCoatings(c); err != nil {
		return r, err
	}
	nm, err := numberList(c, "diameter", 1, 1e5)
	if err != nil {
		return r, err
	}
	for _, d := range nm {
		r.Diameters = append(r.Diameters, d*1e-9)
	}
	beams, err := numberList(c, "beam", 1, 50)
	if err != nil {
		return r, err
	}
	for _, b := range beams {
		r.Beams = append(r.Beams, xray.Energy(b)*xray.KeV)
	}
	deg, err := numberFlag(c, "takeoff", 0, 0.1, 90)
	if err != nil {
		return r, err
	}
	r.TakeOff = xray.Angle(deg) * xray.Degree
	for _, f := range []struct {
		name      string
		to        *float64
		low, high float64
	}{{"current", &r.CurrentNA, 1e-6, 1e6}, {"dose", &r.DoseNAs, 1e-9, 1e9}, {"alpha", &r.Alpha, 1e-15, 0.49}, {"beta", &r.Beta, 1e-9, 0.49}} {
		if *f.to, err = numberFlag(c, f.name, 0, f.low, f.high); err != nil {
			return r, err
		}
	}
	if r.Trajectories, err = wholeFlag(c, "trajectories", 0, 100, 10_000_000); err != nil {
		return r, err
	}
	if err := planBeam(c, &r); err != nil {
		return r, err
	}
	if r.Detector, err = e.readDetector(c); err != nil {
		return r, err
	}
	if dir := c.String("cache"); dir != "" {
		if err := os.MkdirAll(dir, 0o755); err != nil {
			return r, failed(codeNotWritable, dir, "%w", bare(err))
		}
		r.Store = folderStore(dir)
	}
	return r, nil
}

// planCoatings reads the coatings, which share one order.
func planCoatings(c *cli.Context) ([]plan.Coating, error) {
	order := transport.NoOrder
	if s := c.String("coating-order"); s != "" {
		var err error
		if order, err = transport.ParseOrder(s); err != nil {
			return nil, usage("--coating-order %q: under, over or both are accepted (relative to the particles)%s", s, didYouMean(nearest(s, []string{"under", "over", "both"})))
		}
	}
	var out []plan.Coating
	layers := 0
	for _, s := range c.StringSlice("coating") {
		if s == "none" {
			out = append(out, plan.Coating{})
			continue
		}
		m, err := parseMaterial("coating", s)
		if err != nil {
			return nil, err
		}
		if m.MassDepth <= 0 {
			return nil, wrong(codeMaterial, "--coating %q states no %s; for example \"C:2.0g/cm3:8nm\", or none", s, lacking(m))
		}
		if order == transport.NoOrder {
			return nil, usage("--coating needs --coating-order: under, over or both (relative to the particles)")
		}
		layers++
		out = append(out, plan.Coating{Layer: m, Order: order})
	}
	if order != transport.NoOrder && layers == 0 {
		return nil, usage("--coating-order without --coating")
	}
	return out, nil
}

// planBeam reads how the beam covers a pixel.
func planBeam(c *cli.Context, r *plan.Request) error {
	p, err := pixelFlag(c)
	if err != nil {
		return err
	}
	if p.X != p.Y {
		return usage("--pixel %s: a square pixel is accepted here, by its side in µm", c.String("pixel"))
	}
	nm, err := numberFlag(c, "probe", 0, 0.1, 1e5)
	if err != nil {
		return err
	}
	r.ProbeM = nm * 1e-9
	switch mode := c.String("beam-mode"); mode {
	case "", "rastered":
		r.PixelM = p.X.Um() * 1e-6
	case "stationary":
		r.PitchM = p.X.Um() * 1e-6
	default:
		return usage("--beam-mode %q: stationary or rastered are accepted%s", mode, didYouMean(nearest(mode, []string{"stationary", "rastered"})))
	}
	return nil
}

// folderStore keeps values as files of a folder.
type folderStore string

func (s folderStore) path(key string) string {
	return filepath.Join(string(s), key+"-"+version+".json")
}

func (s folderStore) Get(key string) ([]byte, bool) {
	b, err := os.ReadFile(s.path(key))
	return b, err == nil
}

// Put writes through a temporary file, so that a reader never sees half of one;
// what cannot be kept is computed again.
func (s folderStore) Put(key string, value []byte) {
	f, err := os.CreateTemp(string(s), ".partial-*")
	if err != nil {
		return
	}
	_, err = f.Write(value)
	if e := f.Close(); err == nil {
		err = e
	}
	if err == nil {
		err = os.Rename(f.Name(), s.path(key))
	}
	if err != nil {
		os.Remove(f.Name())
	}
}

// planSettings records what was resolved.
func (e *env) planSettings(c *cli.Context, r plan.Request) {
	from := func(flag string) origin {
		if c.IsSet(flag) {
			return fromFlag
		}
		return fromDefault
	}
	coatings := []string{}
	for _, x := range r.Coatings {
		coatings = append(coatings, x.String())
	}
	var beams, diameters []float64
	for _, b := range r.Beams {
		beams = append(beams, b.KeV())
	}
	for _, d := range r.Diameters {
		diameters = append(diameters, round(d*1e9, 1e-6))
	}
	e.setting("target", r.Target.String(), fromFlag)
	e.setting("substrates", materialNames(r.Substrates), fromFlag)
	e.setting("coatings", coatings, from("coating"))
	e.setting("confusers", materialNames(r.Confusers), from("confuser"))
	e.setting("beam_kev", beams, from("beam"))
	e.setting("diameter_nm", diameters, from("diameter"))
	e.setting("takeoff_deg", round(r.TakeOff.Degrees(), 1e-9), from("takeoff"))
	e.setting("pixel_um", round(math.Max(r.PixelM, r.PitchM)*1e6, 1e-9), from("pixel"))
	e.setting("probe_nm", round(r.ProbeM*1e9, 1e-6), from("probe"))
	e.setting("current_na", r.CurrentNA, from("current"))
	e.setting("dose_na_s", r.DoseNAs, from("dose"))
	e.setting("alpha", r.Alpha, from("alpha"))
	e.setting("beta", r.Beta, from("beta"))
	e.setting("systematic", r.Systematic, fromDefault)
	e.setting("trajectories", r.Trajectories, from("trajectories"))
	e.setting("solid_angle_sr", r.Detector.SolidAngleSr, from("detector"))
}

// planAnswer fills the answer for --json.
func (e *env) planAnswer(r *plan.Result) {
	e.answer.Set("separable", r.Separable)
	e.answer.Set("reason", r.Reason)
	rows := []record.Object{}
	for _, c := range r.Cases {
		rows = append(rows, planCase(c))
	}
	e.answer.Set("cases", rows)
	rows = []record.Object{}
	for _, x := range r.Recommendations {
		o := record.Of("substrate", x.Substrate, "coating", x.Coating, "beam_kev", x.Beam.KeV(), "visible_diameters", x.Visible, "reasons", texts(x.Reasons))
		o.Number("smallest_visible_nm", x.Smallest*1e9, "none or all of the diameters are visible")
		rows = append(rows, o)
	}
	e.answer.Set("recommendations", rows)
	advice := func(list []plan.Advice) []record.Object {
		out := []record.Object{}
		for _, a := range list {
			out = append(out, record.Of("material", a.Material, "verdict", a.Verdict.String(), "reasons", texts(a.Reasons)))
		}
		return out
	}
	e.answer.Set("coatings", advice(r.Coatings))
	e.answer.Set("substrates", advice(r.Substrates))
	rows = []record.Object{}
	for _, d := range r.Distinctions {
		rows = append(rows, record.Of(
			"confuser", d.Confuser, "beam_kev", d.Beam.KeV(), "separable", d.Separable, "shared", texts(d.Shared),
			"evidence", texts(d.Evidence), "reason", d.Reason, "overlaps", planOverlaps(d.Overlaps),
		))
	}
	e.answer.Set("confusers", rows)
	e.answer.Set("residues", texts(r.Residues))
	e.answer.Set("cautions", texts(r.Cautions))
	e.answer.Set("handling", texts(r.Handling))
}

// texts returns the list, empty instead of null.
func texts(list []string) []string {
	if list == nil {
		return []string{}
	}
	return list
}

func planCase(c plan.Case) record.Object {
	o := record.Of("beam_kev", c.Beam.KeV(), "diameter_nm", round(c.Diameter*1e9, 1e-6), "substrate", c.Substrate, "coating", c.Coating, "visible", c.Visible, "reason", c.Reason, "family", c.Family, "method", c.Method)
	if c.Family == "" {
		o.Number("counts_per_na_s", math.NaN(), c.Reason)
		o.Number("background_per_na_s", math.NaN(), c.Reason)
	} else {
		o.Number("counts_per_na_s", c.Signal, "")
		o.Number("background_per_na_s", c.Background, "")
	}
	o.Number("dose_na_s", c.Dose, c.Reason)
	o.Number("time_s", c.TimeS, c.Reason)
	fs := []record.Object{}
	for _, f := range c.Families {
		x := record.Of(
			"family", f.Family, "line_ev", f.LineEV, "overvoltage", f.Overvoltage, "usable", f.Usable, "specific", f.Specific, "reason", f.Reason,
			"counts_per_na_s", f.Signal, "continuum_per_na_s", f.Continuum, "lines_per_na_s", f.Lines,
		)
		x.Number("dose_na_s", f.Dose, f.Reason)
		fs = append(fs, x)
	}
	o.Set("families", fs)
	o.Set("overlaps", planOverlaps(c.Overlaps))
	o.Set("cautions", texts(c.Cautions))
	return o
}

func planOverlaps(list []plan.Overlap) []record.Object {
	out := []record.Object{}
	for _, x := range list {
		o := record.Of("family", x.Family, "line", x.Line, "with", x.With, "kind", x.Kind.String(), "energy_ev", round(x.EnergyEV, 0.01), "separation_ev", round(x.SeparationEV, 0.01), "fwhm_ev", round(x.FWHMEV, 0.01))
		o.Number("per_signal", x.PerSignal, "no amount is known")
		out = append(out, o)
	}
	return out
}

func appendNew(list []string, s string) []string {
	for _, x := range list {
		if x == s {
			return list
		}
	}
	return append(list, s)
}
