package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"example.org/fleck/quant"
	"example.org/fleck/quant/analysis"
	"example.org/fleck/quant/matrix"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
	"github.com/urfave/cli/v2"
)

func quantifyCommand(e *env) *cli.Command {
	return &cli.Command{
		Name:      "quantify",
		Usage:     "composition of a flat bulk specimen, with uncertainty or a refusal",
		UsageText: "fleck quantify SPECTRUM --elements SYMBOLS  or  fleck quantify --kratios FILE --beam KEV",
		Description: `Without --standard the analysis is standardless: computed intensities, scaled to
total 1. A refusal is an answer: the reasons stand with it.

Examples:
  fleck quantify glass.msa --elements Na,Mg,Al,Si,Ca,Fe,O --oxygen stoichiometry
  fleck quantify steel.msa --elements Cr,Fe,Ni --standard Cr=cr.msa --standard Fe=fe.msa --standard Ni=ni.msa
  fleck quantify --kratios k.csv --beam 15 --takeoff 40
  fleck quantify --kratios c.csv --beam 10 --film C:2.0g/cm3 --substrate SiO2`,
		Flags: slices.Concat([]cli.Flag{
			valueFlag(groupSpecimen, "elements", "elements of the specimen, `SYMBOLS` with commas; \"Ga L\" chooses the family to use"),
			valueFlag(groupSpecimen, "ignore", "elements that the spectrum shows but the specimen does not hold, `SYMBOLS` with commas"),
			valueFlag(groupSpecimen, "form", "`FORM` of the specimen: flat (default), rough, particle or film; all but flat are refused"),
			valueFlag(groupSpecimen, "extent", "smallest extent of what was measured in `UM`, thickness or width: refused where the beam excites more; needs --density"),
			valueFlag(groupSpecimen, "density", "density of what was measured in `G/CM3`, with --extent"),
			listFlag("", "standard", "`MATERIAL=FILE`, the spectrum of a standard; with --kratios a material alone"),
			valueFlag("", "kratios", "CSV `FILE` with the columns element, line, k_ratio and sigma, instead of a spectrum"),
			valueFlag("", "film", "`MATERIAL` of a film whose thickness is wanted, with --kratios and --substrate"),
			valueFlag("", "substrate", "`MATERIAL` below the film"),
			valueFlag("", "second", "`FILE` with a spectrum, or k-ratios, of the same place at another beam energy: a bulk must give the same"),
			valueFlag("", "second-beam", "landing energy in `KEV` of the k-ratios of --second"),
			&cli.BoolFlag{DisableDefaultText: true, Name: "normalise", Usage: "scale the result to total 1"},
			valueFlag("", "low", "first energy used, in `EV` (default: 200)"),
			valueFlag("", "high", "last energy used, in `EV` (default: 5 % above the beam energy)"),
			detectorFlag(),
		}, correctionFlags(), conditionFlags(), cubeFlags()),
		Action: e.action(func(ctx context.Context, c *cli.Context) error {
			opt, err := e.readCorrection(c)
			if err != nil {
				return err
			}
			if opt.Form, err = e.readForm(c); err != nil {
				return err
			}
			if err := e.readExtent(c, &opt); err != nil {
				return err
			}
			opt.Normalise = c.Bool("normalise")
			film, substrate, thin, err := e.readFilm(c)
			if err != nil {
				return err
			}
			if c.IsSet("kratios") {
				ks, g, err := e.readKRatios(c, &opt)
				if err != nil {
					return err
				}
				if thin {
					return e.thickness(c.String("kratios"), film, substrate, ks, g, matrix.Options{Standards: opt.Standards})
				}
				return e.quantifyKRatios(c, ks, g, opt)
			}
			if c.IsSet("second-beam") {
				return usage("--second-beam belongs to --kratios; a spectrum states its own")
			}
			path, err := oneFile(c, "one spectrum or cube, or --kratios")
			if err != nil {
				return err
			}
			return e.quantify(ctx, c, path, opt)
		}),
	}
}

// correctionFlags are the flags of an analysis, of one spectrum or of a map.
func correctionFlags() []cli.Flag {
	return []cli.Flag{
		valueFlag(groupSpecimen, "oxygen", "`HOW` oxygen is found: measured (default), stoichiometry or difference"),
		valueFlag(groupSpecimen, "valences", "valences for stoichiometry, `LIST` such as Fe=3,Cl=0 (default: those of common oxides)"),
		valueFlag(groupSpecimen, "coating", "conductive layer on the specimen, a `MATERIAL` with thickness"),
		valueFlag(groupSpecimen, "standard-coating", "conductive layer on the standards, a `MATERIAL` with thickness"),
		valueFlag("", "calibrate", "`MATERIAL=FILE`, a spectrum of known composition that corrects computed intensities"),
		valueFlag("", "dose", "charge on the specimen during the live time in `NAS` (nA s)"),
		&cli.BoolFlag{DisableDefaultText: true, Name: "same-current", Usage: "all spectra were measured at the same probe current"},
		modelFlag(),
	}
}

// readCorrection reads correctionFlags.
func (e *env) readCorrection(c *cli.Context) (analysis.Options, error) {
	var o analysis.Options
	var err error
	rules := []string{"measured", "stoichiometry", "difference"}
	if s := c.String("oxygen"); s != "" {
		i := slices.Index(rules, s)
		if i < 0 {
			return o, usage("--oxygen %q: measured, stoichiometry or difference are accepted%s", s, didYouMean(nearest(s, rules)))
		}
		o.Solve.Rule = []quant.Rule{quant.NoRule, quant.ByStoichiometry, quant.ByDifference}[i]
		e.setting("oxygen", s, fromFlag)
	} else {
		e.setting("oxygen", rules[0], fromDefault)
	}
	if o.Solve.Valences, err = valencesFlag(c); err != nil {
		return o, err
	}
	if o.Coat, err = e.readCoat(c, "coating"); err != nil {
		return o, err
	}
	if o.StandardCoat, err = e.readCoat(c, "standard-coating"); err != nil {
		return o, err
	}
	if o.Model, err = e.readModel(c); err != nil {
		return o, err
	}
	dose, err := numberFlag(c, "dose", 0, 1e-9, 1e9)
	if err != nil {
		return o, err
	}
	o.Dose, o.SameCurrent = quant.Dose(dose), c.Bool("same-current")
	return o, nil
}

// readForm reads the form of the specimen.
func (e *env) readForm(c *cli.Context) (analysis.Form, error) {
	forms := []string{"flat", "rough", "particle", "film"}
	s := c.String("form")
	if s == "" {
		e.setting("form", forms[0], fromDefault)
		return analysis.Flat, nil
	}
	i := slices.Index(forms, s)
	if i < 0 {
		return 0, usage("--form %q: flat, rough, particle or film are accepted%s", s, didYouMean(nearest(s, forms)))
	}
	e.setting("form", s, fromFlag)
	return []analysis.Form{analysis.Flat, analysis.Rough, analysis.Particle, analysis.Film}[i], nil
}

// readExtent reads the size of the object.
func (e *env) readExtent(c *cli.Context, o *analysis.Options) error {
	um, err := numberFlag(c, "extent", 0, 1e-3, 1e6)
	if err != nil {
		return err
	}
	density, err := numberFlag(c, "density", 0, 0.01, 25)
	if err != nil {
		return err
	}
	if (um > 0) != (density > 0) {
		return usage("--extent and --density belong together; for example --extent 0.8 --density 2.2")
	}
	if um > 0 {
		e.setting("extent_um", um, fromFlag)
		e.setting("density_g_cm3", density, fromFlag)
		o.ExtentM, o.DensityGCm3 = um*1e-6, density
	}
	return nil
}

// valencesFlag reads a list such as Fe=3,Cl=0.
func valencesFlag(c *cli.Context) (map[xray.Element]int, error) {
	s := c.String("valences")
	if s == "" {
		return nil, nil
	}
	out := map[xray.Element]int{}
	for _, part := range strings.Split(s, ",") {
		symbol, number, ok := strings.Cut(strings.TrimSpace(part), "=")
		n, err := strconv.Atoi(number)
		if !ok || err != nil || n < 0 || n > 8 {
			return nil, usage("--valences %q: entries such as Fe=3, from 0 to 8, with commas between them are accepted", part)
		}
		z, err := parseElement(symbol)
		if err != nil {
			return nil, err
		}
		out[z] = n
	}
	return out, nil
}

func (e *env) quantify(ctx context.Context, c *cli.Context, path string, opt analysis.Options) error {
	if err := e.readElements(c, &opt); err != nil {
		return err
	}
	var err error
	if opt.Fit.LowEV, opt.Fit.HighEV, err = rangeFlags(c); err != nil {
		return err
	}
	if opt.Fit.Detector, err = e.readDetector(c); err != nil {
		return err
	}
	m, err := e.readSpectrum(ctx, c, path)
	if err != nil {
		return err
	}
	if err := needScale(path, &m.s, true); err != nil {
		return err
	}
	if err := e.checkCounts(path, &m.s); err != nil {
		return err
	}
	if err := e.readStandards(c, &m.s, &opt); err != nil {
		return err
	}
	e.bar.say("quantifying")
	r, err := interruptible(ctx, func() (*analysis.Result, error) { return analysis.Quantify(&m.s, opt) })
	if dose := (*analysis.DoseError)(nil); errors.As(err, &dose) {
		return inFile(path, fmt.Errorf("%w (--dose, --same-current)", err))
	}
	if err != nil {
		return inFile(path, err)
	}
	if other := c.String("second"); other != "" {
		o, err := e.readOther(other, &m.s)
		if err != nil {
			return err
		}
		s := &o.s
		if s.BeamEnergy == m.s.BeamEnergy {
			return failed(codeFailed, other, "its beam energy, %g keV, is that of %s; another one is needed", s.BeamEnergy.KeV(), path)
		}
		second := opt
		second.References, second.Relative, second.Peaks, second.Dose = nil, nil, nil, 0
		q, err := interruptible(ctx, func() (*analysis.Result, error) { return analysis.Quantify(s, second) })
		if err != nil {
			return inFile(other, err)
		}
		analysis.CompareBeams(r, q)
	}
	e.answerQuantify(r)
	e.printQuantify(path, r)
	return nil
}

// readElements reads --elements and --ignore; a family chooses the peak.
func (e *env) readElements(c *cli.Context, opt *analysis.Options) error {
	list, err := elementsFlag(c, "elements")
	if err != nil {
		return err
	}
	if len(list) == 0 {
		return usage("--elements is missing; for example --elements Al,Si,O (fleck identify finds them)")
	}
	for _, x := range list {
		opt.Elements = append(opt.Elements, x.element)
		if x.family != nil {
			opt.Peaks = append(opt.Peaks, quant.Peak{Element: x.element, Family: x.family.Family})
		}
	}
	ignored, err := elementsFlag(c, "ignore")
	if err != nil {
		return err
	}
	opt.Ignore = ignored.all()
	return nil
}

// readStandards reads --standard and --calibrate; like states the conditions that
// their files do not.
func (e *env) readStandards(c *cli.Context, like *spectra.Spectrum, o *analysis.Options) error {
	for _, s := range c.StringSlice("standard") {
		ref, err := e.readReference("standard", s, like)
		if err != nil {
			return err
		}
		o.References = append(o.References, ref)
	}
	if s := c.String("calibrate"); s != "" {
		if len(o.References) > 0 {
			return usage("--calibrate and --standard exclude each other; the first serves a standardless analysis")
		}
		ref, err := e.readReference("calibrate", s, like)
		if err != nil {
			return err
		}
		if o.Relative, err = analysis.Calibrate(ref, *o); err != nil {
			return failed(codeFailed, "", "%w", err)
		}
		e.answerCalibration(ref.Name, o.Relative)
	}
	return nil
}

// readReference reads MATERIAL=FILE.
func (e *env) readReference(flag, s string, like *spectra.Spectrum) (analysis.Reference, error) {
	name, path, ok := strings.Cut(s, "=")
	if !ok || name == "" || path == "" {
		return analysis.Reference{}, usage("--%s %q: a material and its spectrum are accepted, such as Fe=iron.msa", flag, s)
	}
	m, err := parseMaterial(flag, name)
	if err != nil {
		return analysis.Reference{}, err
	}
	other, err := e.readOther(path, like)
	if err != nil {
		return analysis.Reference{}, err
	}
	ref := analysis.Reference{Name: m.Name, Material: m, Spectrum: &other.s}
	if other.file != nil {
		if when, ok := other.file.Recorded(); ok {
			ref.Measured = when.Format("2006-01-02 15:04")
		}
	}
	return ref, nil
}

// readOther reads a second spectrum as its file states it; beam energy and
// take-off angle that it does not state are those of like.
func (e *env) readOther(path string, like *spectra.Spectrum) (*measured, error) {
	data, err := e.readText(path)
	if err != nil {
		return nil, err
	}
	m, err := parseSpectrum(data)
	if err != nil {
		return nil, inFile(path, err)
	}
	if m.s.BeamEnergy == 0 {
		m.s.BeamEnergy = like.BeamEnergy
		e.warn("%s states no beam energy; that of the specimen's spectrum is taken", path)
	}
	if m.s.TakeOff == 0 {
		m.s.TakeOff = like.TakeOff
	}
	if err := needScale(path, &m.s, true); err != nil {
		return nil, err
	}
	return m, e.checkCounts(path, &m.s)
}
