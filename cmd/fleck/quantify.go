package main

import (
	"bytes"
	"context"
	"math"
	"slices"
	"strconv"
	"strings"

	"example.org/fleck/maps/record"
	"example.org/fleck/quant"
	"example.org/fleck/quant/analysis"
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
  fleck quantify --kratios k.csv --beam 15 --takeoff 40`,
		Flags: append([]cli.Flag{
			valueFlag(groupSpecimen, "elements", "elements of the specimen, `SYMBOLS` with commas; \"Ga L\" chooses the family to use"),
			valueFlag(groupSpecimen, "ignore", "elements that the spectrum shows but the specimen does not hold, `SYMBOLS` with commas"),
			valueFlag(groupSpecimen, "oxygen", "`HOW` oxygen is found: measured (default), stoichiometry or difference"),
			valueFlag(groupSpecimen, "valences", "valences for stoichiometry, `LIST` such as Fe=3,Cl=0 (default: those of common oxides)"),
			valueFlag(groupSpecimen, "form", "`FORM` of the specimen: flat (default), rough, particle or film; all but flat are refused"),
			valueFlag(groupSpecimen, "coating", "conductive layer on the specimen, a `MATERIAL` with thickness"),
			valueFlag(groupSpecimen, "standard-coating", "conductive layer on the standards, a `MATERIAL` with thickness"),
			listFlag("", "standard", "`MATERIAL=FILE`, the spectrum of a standard; with --kratios a material alone"),
			valueFlag("", "calibrate", "`MATERIAL=FILE`, a spectrum of known composition that corrects computed intensities"),
			valueFlag("", "kratios", "CSV `FILE` with the columns element, line, k_ratio and sigma, instead of a spectrum"),
			valueFlag("", "second", "`FILE` with a spectrum of the same place at another beam energy: a bulk must give the same"),
			valueFlag("", "dose", "charge on the specimen during the live time in `NAS` (nA s)"),
			&cli.BoolFlag{DisableDefaultText: true, Name: "same-current", Usage: "all spectra were measured at the same probe current"},
			&cli.BoolFlag{DisableDefaultText: true, Name: "normalise", Usage: "scale the result to total 1"},
			modelFlag(),
			valueFlag("", "low", "first energy used, in `EV` (default: 200)"),
			valueFlag("", "high", "last energy used, in `EV` (default: 5 % above the beam energy)"),
			detectorFlag(),
		}, append(conditionFlags(), cubeFlags()...)...),
		Action: e.action(func(ctx context.Context, c *cli.Context) error {
			opt, err := e.readQuantify(c)
			if err != nil {
				return err
			}
			if c.IsSet("kratios") {
				return e.quantifyKRatios(c, opt)
			}
			path, err := oneFile(c, "one spectrum or cube, or --kratios")
			if err != nil {
				return err
			}
			return e.quantify(ctx, c, path, opt)
		}),
	}
}

// readQuantify reads what a spectrum and k-ratios have in common.
func (e *env) readQuantify(c *cli.Context) (analysis.Options, error) {
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
	forms := []string{"flat", "rough", "particle", "film"}
	if s := c.String("form"); s != "" {
		i := slices.Index(forms, s)
		if i < 0 {
			return o, usage("--form %q: flat, rough, particle or film are accepted%s", s, didYouMean(nearest(s, forms)))
		}
		o.Form = []analysis.Form{analysis.Flat, analysis.Rough, analysis.Particle, analysis.Film}[i]
		e.setting("form", s, fromFlag)
	} else {
		e.setting("form", forms[0], fromDefault)
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
	o.Dose, o.SameCurrent, o.Normalise = quant.Dose(dose), c.Bool("same-current"), c.Bool("normalise")
	return o, nil
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

func (e *env) quantifyKRatios(c *cli.Context, opt analysis.Options) error {
	if err := noFiles(c); err != nil {
		return err
	}
	for _, name := range []string{"elements", "ignore", "calibrate", "second", "dose"} {
		if c.IsSet(name) {
			return usage("--%s belongs to a spectrum, not to --kratios", name)
		}
	}
	path := c.String("kratios")
	data, err := e.readText(path)
	if err != nil {
		return err
	}
	ks, err := quant.ReadKRatios(bytes.NewReader(data))
	if err != nil {
		return inFile(path, err)
	}
	beam, err := beamFlag(c)
	if err != nil {
		return err
	}
	if beam == 0 {
		return usage("--beam is missing; for example --beam 15, in keV")
	}
	e.setting("beam_kev", beam.KeV(), fromFlag)
	takeOff, err := e.takeOffFlag(c)
	if err != nil {
		return err
	}
	materials, err := materialList(c, "standard")
	if err != nil {
		return err
	}
	var peaks []quant.Peak
	for _, k := range ks {
		peaks = append(peaks, k.Peak)
	}
	if opt.Standards, err = analysis.StandardsFor(peaks, materials); err != nil {
		return usage("%w", err)
	}
	r, err := analysis.FromKRatios(ks, quant.Geometry{BeamEnergy: beam, TakeOff: takeOff}, opt)
	if err != nil {
		return inFile(path, err)
	}
	e.answerQuantify(r)
	e.printQuantify(path, r)
	return nil
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
	for _, s := range c.StringSlice("standard") {
		ref, err := e.readReference("standard", s, &m.s)
		if err != nil {
			return err
		}
		opt.References = append(opt.References, ref)
	}
	if s := c.String("calibrate"); s != "" {
		if len(opt.References) > 0 {
			return usage("--calibrate and --standard exclude each other; the first serves a standardless analysis")
		}
		ref, err := e.readReference("calibrate", s, &m.s)
		if err != nil {
			return err
		}
		if opt.Relative, err = analysis.Calibrate(ref, opt); err != nil {
			return failed(codeFailed, "", "%w", err)
		}
	}
	e.bar.say("quantifying")
	r, err := interruptible(ctx, func() (*analysis.Result, error) { return analysis.Quantify(&m.s, opt) })
	if err != nil {
		return inFile(path, err)
	}
	if other := c.String("second"); other != "" {
		s, err := e.readOther(other, &m.s)
		if err != nil {
			return err
		}
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
	spectrum, err := e.readOther(path, like)
	if err != nil {
		return analysis.Reference{}, err
	}
	return analysis.Reference{Name: m.Name, Material: m, Spectrum: spectrum}, nil
}

// readOther reads a second spectrum as its file states it; beam energy and
// take-off angle that it does not state are those of like.
func (e *env) readOther(path string, like *spectra.Spectrum) (*spectra.Spectrum, error) {
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
	return &m.s, e.checkCounts(path, &m.s)
}

func (e *env) answerQuantify(r *analysis.Result) {
	a := &e.answer
	rows := []record.Object{}
	for i, z := range r.Composition.Elements {
		o := record.Of("symbol", z.Symbol())
		mass, sigma, counting, atoms := float64(r.Composition.Mass[i]), r.Composition.Sigma(z), math.NaN(), math.NaN()
		if i < len(r.Counting) {
			counting = r.Counting[i]
		}
		if i < len(r.AtomFractions) {
			atoms = float64(r.AtomFractions[i])
		}
		why := "the k-ratios state no uncertainty"
		if r.Refused {
			// A number that is refused is not handed out.
			mass, sigma, counting, atoms, why = math.NaN(), math.NaN(), math.NaN(), math.NaN(), "refused"
		}
		o.Number("mass_fraction", mass, why)
		o.Number("sigma", sigma, why)
		o.Number("sigma_counting", counting, why)
		o.Number("atom_fraction", atoms, why)
		k := math.NaN()
		if row, ok := r.Row(z); ok {
			k = row.KRatio.Value
			o.Set("line", strings.TrimPrefix(row.KRatio.Peak.String(), z.Symbol()+" "))
			o.Set("standard", row.Standard)
			o.Number("k_ratio", k, "")
			o.Number("k_sigma", orNaN(row.KRatio.Sigma), "not stated")
			o.Number("overvoltage", row.Overvoltage, "")
			o.Number("z", row.Z, "")
			o.Number("a", row.A, "")
			o.Number("f", row.F, "")
		} else {
			o.Number("k_ratio", k, "not measured")
		}
		rows = append(rows, o)
	}
	a.Set("composition", rows)
	a.Number("total", r.Total, r.TotalReason)
	a.Number("total_sigma", r.TotalSigma, r.TotalReason)
	a.Set("normalised", r.Normalised)
	a.Set("method", string(r.Method))
	a.Set("model", r.Model)
	a.Set("status", r.Status.String())
	a.Set("refused", r.Refused)
	a.Set("reasons", nonNilStrings(r.Reasons))
	a.Set("remarks", nonNilStrings(r.Remarks))
	if r.Oxides != nil && !r.Refused {
		oxides := []record.Object{}
		for _, x := range r.Oxides {
			o := record.Of("formula", x.Formula, "cation", x.Cation.Symbol())
			o.Number("mass_fraction", float64(x.Mass), "")
			o.Number("sigma", x.Sigma, "the k-ratios state no uncertainty")
			oxides = append(oxides, o)
		}
		a.Set("oxides", oxides)
	}
	budget := []record.Object{}
	for _, t := range r.Budget.Terms {
		changes := record.Object{}
		for i, z := range r.Budget.Elements {
			changes.Number(z.Symbol(), t.Change[i], "")
		}
		budget = append(budget, record.Of("term", t.Name, "source", t.Source, "change", changes))
	}
	a.Set("budget", budget)
	a.Set("not_in_budget", nonNilStrings(r.Budget.Missing))
}

func orNaN(v float64) float64 {
	if v == 0 {
		return math.NaN()
	}
	return v
}

func nonNilStrings(s []string) []string {
	if s == nil {
		return []string{}
	}
	return s
}

// budgetLines is the number of terms printed; --json has all.
const budgetLines = 8

func (e *env) printQuantify(path string, r *analysis.Result) {
	if r.Refused {
		e.printf("%s: REFUSED as an analysis of a flat bulk\n", path)
		for _, s := range r.Reasons {
			e.printf("  %s\n", s)
		}
		e.printf("k-ratios (%s)\n", r.Method)
		for _, row := range r.Rows {
			e.printf("  %-9s %.5f  against %s\n", row.KRatio.Peak, row.KRatio.Value, row.Standard)
		}
	} else {
		e.printf("%s: %s, %s\n", path, r.Method, r.Model)
		e.printf("element  mass fraction      sigma  (counting)   atom fraction   k-ratio\n")
		for i, z := range r.Composition.Elements {
			k := "by rule"
			if row, ok := r.Row(z); ok {
				k = strconv.FormatFloat(row.KRatio.Value, 'f', 5, 64) + " " + row.KRatio.Peak.String()
			}
			e.printf("%-7s %14.5f %10s  %10s %15.5f   %s\n", z, float64(r.Composition.Mass[i]), sigmaText(r.Composition.Sigma(z)), sigmaText(r.Counting[i]), float64(r.AtomFractions[i]), k)
		}
		for _, x := range r.Oxides {
			e.printf("%-7s %14.5f %10s\n", x.Formula, float64(x.Mass), sigmaText(x.Sigma))
		}
		if math.IsNaN(r.Total) {
			e.printf("total: none (%s)\n", r.TotalReason)
		} else {
			e.printf("total before normalisation %.4f, sigma %s\n", r.Total, sigmaText(r.TotalSigma))
		}
		e.printBudget(r)
	}
	for _, s := range r.Remarks {
		e.printf("note: %s\n", s)
	}
}

func sigmaText(v float64) string {
	if math.IsNaN(v) {
		return "-"
	}
	return strconv.FormatFloat(v, 'f', 5, 64)
}

// printBudget prints the largest terms.
func (e *env) printBudget(r *analysis.Result) {
	terms := slices.Clone(r.Budget.Terms)
	size := func(change []float64) float64 {
		s := 0.0
		for _, v := range change {
			s = math.Max(s, math.Abs(v))
		}
		return s
	}
	if len(terms) == 0 {
		return
	}
	slices.SortStableFunc(terms, func(a, b quant.Term) int {
		switch x, y := size(a.Change), size(b.Change); {
		case x > y:
			return -1
		case x < y:
			return 1
		}
		return 0
	})
	e.printf("budget: change of the mass fractions for one standard uncertainty\n")
	e.printf("%-48s", "")
	for _, z := range r.Budget.Elements {
		e.printf(" %9s", z)
	}
	e.printf("\n")
	for _, t := range terms[:min(budgetLines, len(terms))] {
		e.printf("%-48s", t.Name)
		for _, v := range t.Change {
			e.printf(" %+9.5f", v)
		}
		e.printf("\n")
	}
	if n := len(terms) - budgetLines; n > 0 {
		e.printf("and %d smaller terms (--json lists all)\n", n)
	}
	for _, s := range r.Budget.Missing {
		e.printf("not in the budget: %s\n", s)
	}
}
