package main

import (
	"context"
	"strings"

	"example.org/fleck/maps/record"
	"example.org/fleck/quant/analysis"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/fit"
	"example.org/fleck/spectra/xray"
	"github.com/urfave/cli/v2"
)

func identifyCommand(e *env) *cli.Command {
	return &cli.Command{
		Name:      "identify",
		Usage:     "which elements a spectrum shows",
		UsageText: "fleck identify SPECTRUM",
		Description: `SPECTRUM is a spectrum file, or a cube, whose sum spectrum is taken. The share of
false discoveries among the elements listed is held at --q. Sum peaks, escape
peaks, silicon of the detector and what a --coating holds are named as
artefacts. Of a cube the maximum-pixel spectrum is screened for lines that only
few pixels show.

Example:
  fleck identify spectrum.msa --json`,
		Flags: append(append([]cli.Flag{
			valueFlag("", "elements", "look for these elements only, `SYMBOLS` with commas (default: Be to Am)"),
			valueFlag("", "q", "false discovery rate, a `SHARE` (default: 0.01)"),
			valueFlag("", "low", "first energy used, in `EV` (default: 200)"),
			valueFlag("", "high", "last energy used, in `EV` (default: 5 % above the beam energy)"),
			valueFlag("", "figure", "draw the spectrum with the elements found into `FILE` (png or svg)"),
			valueFlag("", "coating", "conductive layer, a `MATERIAL` such as \"C:2.0g/cm3:8nm\": its elements are named as artefacts"),
			detectorFlag(),
		}, conditionFlags()...), cubeFlags()...),
		Action: e.action(func(ctx context.Context, c *cli.Context) error {
			path, err := oneFile(c, "one spectrum or cube")
			if err != nil {
				return err
			}
			return e.identify(ctx, c, path)
		}),
	}
}

func (e *env) identify(ctx context.Context, c *cli.Context, path string) error {
	list, err := elementsFlag(c, "elements")
	if err != nil {
		return err
	}
	if len(list.whole()) < len(list) {
		return usage("--elements %q: whole elements are accepted here", c.String("elements"))
	}
	opt := fit.IdentifyOptions{Candidates: list.whole()}
	if opt.Q, err = numberFlag(c, "q", 0, 1e-9, 0.5); err != nil {
		return err
	}
	if opt.LowEV, opt.HighEV, err = rangeFlags(c); err != nil {
		return err
	}
	if opt.Detector, err = e.readDetector(c); err != nil {
		return err
	}
	if text := c.String("coating"); text != "" {
		m, err := parseMaterial("coating", text)
		if err != nil {
			return err
		}
		for _, x := range m.Components {
			opt.Coating = append(opt.Coating, x.Element)
		}
		e.setting("coating", m.String(), fromFlag)
	}
	if err := e.checkFigure(c); err != nil {
		return err
	}
	m, err := e.readSpectrum(ctx, c, path)
	if err != nil {
		return err
	}
	if err := needScale(path, &m.s, false); err != nil {
		return err
	}
	if err := e.checkCounts(path, &m.s); err != nil {
		return err
	}
	e.beamFromCounts(path, &m.s)
	e.settingOr("q", opt.Q, 0.01)
	id, err := e.identifySpectrum(ctx, &m.s, opt)
	if err != nil {
		return inFile(path, err)
	}
	e.doubts(id.Fit.Warnings)
	e.answerIdentification(id)
	e.printIdentification(path, id)
	if m.sums != nil {
		if err := e.screenRare(m, id); err != nil {
			return inFile(path, err)
		}
	}
	return e.drawFit(c, &m.s, id.Fit, significantFamilies(id.Fit))
}

// identifySpectrum runs the identification, with the specimen's absorption
// where the beam energy is known.
func (e *env) identifySpectrum(ctx context.Context, s *spectra.Spectrum, opt fit.IdentifyOptions) (*fit.Identification, error) {
	e.bar.say("identifying")
	return interruptible(ctx, func() (*fit.Identification, error) { return analysis.Identify(s, opt) })
}

func (e *env) answerIdentification(id *fit.Identification) {
	rows := []record.Object{}
	for _, el := range id.Elements {
		o := record.Of("symbol", el.Element.Symbol(), "family", el.Element.Symbol()+" "+el.Family.String())
		o.Number("net_counts", el.NetCounts, "")
		o.Number("sigma", el.Sigma, "")
		o.Number("q_value", el.QValue, "")
		o.Set("status", string(el.Status))
		o.Set("lines_seen", el.LinesSeen)
		o.Set("group", symbols(el.Group))
		rows = append(rows, o)
	}
	e.answer.Set("elements", rows)
	artefacts := []record.Object{}
	for _, a := range id.Artefacts {
		o := record.Of("kind", string(a.Kind))
		o.Number("energy_ev", a.EnergyEV, "")
		o.Number("counts", a.Counts, "")
		o.Set("of", a.Of)
		artefacts = append(artefacts, o)
	}
	e.answer.Set("artefacts", artefacts)
	e.answer.Set("tested", id.Tested)
	e.answerFit(id.Fit)
}

// screenRare looks in the maximum-pixel spectrum of a cube for lines that few
// pixels show.
func (e *env) screenRare(m *measured, id *fit.Identification) error {
	s := m.s
	s.Calibration = id.Fit.Calibration
	stats := m.sums.PixelTotals.Stats()
	found, err := fit.Rare(&s, m.sums.MaxPixel, m.sums.Pixels, stats.Max/stats.Mean, id.Fit.Detector, 0.01)
	if err != nil {
		return err
	}
	rows := []record.Object{}
	for _, f := range found {
		o := record.Object{}
		o.Number("energy_ev", f.EnergyEV, "")
		o.Number("counts", f.Counts, "")
		o.Number("expected", f.Expected, "")
		o.Number("p_value", f.PValue, "")
		o.Set("candidates", familyNames(f.Candidates))
		rows = append(rows, o)
	}
	e.answer.Set("rare", rows)
	if len(found) > 0 {
		e.printf("in single pixels (maximum-pixel spectrum; a place to look, not an element found):\n")
	}
	for _, f := range found {
		e.printf("  %7.0f eV  %.0f counts in one pixel, %.2g expected, p = %.1g; near %s\n", f.EnergyEV, f.Counts, f.Expected, f.PValue, strings.Join(familyNames(f.Candidates), ", "))
	}
	return nil
}

func familyNames(fs []fit.Family) []string {
	out := []string{}
	for _, f := range fs {
		out = append(out, f.String())
	}
	return out
}

func symbols(zs []xray.Element) []string {
	out := []string{}
	for _, z := range zs {
		out = append(out, z.Symbol())
	}
	return out
}

func (e *env) printIdentification(path string, id *fit.Identification) {
	e.printf("%s: elements found %d, tested %d\n", path, len(id.Elements), id.Tested)
	if len(id.Elements) > 0 {
		e.printf("element  family  net counts    sigma   q-value  lines  status\n")
	}
	for _, el := range id.Elements {
		status := string(el.Status)
		if len(el.Group) > 0 {
			status += " (or " + strings.Join(symbols(el.Group), ", ") + ")"
		}
		if el.LinesSeen == 1 {
			status += ", single line"
		}
		e.printf("%-8s %-6s %11.0f %8.0f  %8.1g  %5d  %s\n", el.Element, el.Family, el.NetCounts, el.Sigma, el.QValue, el.LinesSeen, status)
	}
	if len(id.Artefacts) > 0 {
		e.printf("artefacts (no lines of the specimen):\n")
	}
	for _, a := range id.Artefacts {
		e.printf("  %-16s %7.0f eV  about %.0f counts, %s\n", a.Kind, a.EnergyEV, a.Counts, a.Of)
	}
}

// rangeFlags reads the energy range of a fit.
func rangeFlags(c *cli.Context) (low, high float64, err error) {
	if low, err = numberFlag(c, "low", 0, 0, 1e6); err != nil {
		return 0, 0, err
	}
	if high, err = numberFlag(c, "high", 0, 0, 1e6); err != nil {
		return 0, 0, err
	}
	if high > 0 && high <= low {
		return 0, 0, usage("--low %g --high %g: the energy range is empty", low, high)
	}
	return low, high, nil
}

// settingOr records a setting whose zero value stands for a default.
func (e *env) settingOr(key string, v, absent float64) {
	if v == 0 {
		e.setting(key, absent, fromDefault)
	} else {
		e.setting(key, v, fromFlag)
	}
}
