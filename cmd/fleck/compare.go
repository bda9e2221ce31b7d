package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"slices"

	"example.org/fleck/maps"
	"example.org/fleck/maps/compare"
	"example.org/fleck/maps/figure"
	"example.org/fleck/maps/record"
	"example.org/fleck/maps/spots"
	"example.org/fleck/maps/study"
	"github.com/urfave/cli/v2"
)

func compareCommand(e *env) *cli.Command {
	flags := []cli.Flag{
		listFlag("", "treated", "treated `CUBE`"),
		listFlag("", "blank", "blank `CUBE` (untreated), recorded alike"),
		&cli.BoolFlag{DisableDefaultText: true, Name: "paired", Usage: "every coupon was measured before (blank) and after treatment; coupons are matched by folder name"},
		valueFlag("", "out", "output `DIR` for tables, maps and figures, new, empty or of an earlier run"),
		detectorFlag(),
	}
	return &cli.Command{
		Name:      "compare",
		Usage:     "treated fields against blank ones",
		UsageText: "fleck compare --target MATERIAL --substrate MATERIAL --treated CUBE… --blank CUBE…",
		Description: `Spots of the target are searched in all fields; their number, covered area and
signal per area are compared. The fields of one folder form one coupon; the coupon
is the replicate. With one coupon per side treatment and coupon cannot be told
apart, and the answer says so.

Example:
  fleck compare --treated a/t1.nrrd --treated b/t2.nrrd --blank d/b1.nrrd \
    --blank e/b2.nrrd --target "TiO2:4.23g/cm3" \
    --substrate "Fe-18Cr-0.5Nb-0.2Ti:7.7g/cm3" --out comparison`,
		Flags: append(append(append(append(flags, specimenFlags()...), searchFlags()...), conditionFlags()...), cubeFlags()...),
		Action: e.action(func(ctx context.Context, c *cli.Context) error {
			if err := noFiles(c); err != nil {
				return usage("%w; every cube follows --treated or --blank", err)
			}
			return e.compare(ctx, c)
		}),
	}
}

func (e *env) compare(ctx context.Context, c *cli.Context) error {
	treated, blank := c.StringSlice("treated"), c.StringSlice("blank")
	if len(treated) == 0 || len(blank) == 0 {
		return usage("at least one --treated and one --blank cube are needed")
	}
	if _, single, err := e.countMap(ctx, c, treated[0]); err != nil {
		return err
	} else if single {
		return e.compareCounts(ctx, c, treated, blank)
	}
	s, err := e.readSpecimen(c)
	if err != nil {
		return err
	}
	if err := e.readSearch(c, s); err != nil {
		return err
	}
	mode, err := e.readBeamMode(c)
	if err != nil {
		return err
	}
	if s.Detector, err = e.readDetector(c); err != nil {
		return err
	}
	if c.Bool("paired") {
		e.setting("paired", true, fromFlag)
	}
	s.Title = "comparison"
	for _, side := range []struct {
		files []string
		role  maps.Role
	}{{treated, maps.Treated}, {blank, maps.Untreated}} {
		for _, p := range side.files {
			if err := e.addField(c, s, p, side.role); err != nil {
				return err
			}
		}
	}
	defer closeFields(s)
	if c.Bool("paired") {
		if err := checkPairs(fieldsOf(s)); err != nil {
			return err
		}
	}
	out, complete, err := e.openFolder(c.String("out"))
	if err != nil {
		return err
	}
	if complete {
		return e.answerFromFolder(c.String("out"))
	}
	defer out.discard()
	r, err := e.runStudy(ctx, s)
	if err != nil {
		return err
	}
	cmp, err := e.comparison(r, mode, c.Bool("paired"))
	if err != nil {
		return err
	}
	e.answerStudy(r, cmp, mode)
	e.printStudy(r, cmp)
	if out == nil {
		return nil
	}
	if err := e.writeStudy(out, r, cmp); err != nil {
		return err
	}
	return e.finishFolder(out)
}

// checkPairs refuses a paired comparison of treated with untreated fields in which a
// coupon was not measured on both sides.
func checkPairs(fields []maps.Field) error {
	has := func(role maps.Role, coupon string) bool {
		return slices.ContainsFunc(fields, func(f maps.Field) bool { return f.Role == role && (f.Coupon == coupon || coupon == "") })
	}
	if !has(maps.Treated, "") || !has(maps.Untreated, "") {
		return nil
	}
	for _, f := range fields {
		for _, role := range []maps.Role{maps.Treated, maps.Untreated} {
			if (f.Role == maps.Treated || f.Role == maps.Untreated) && !has(role, f.Coupon) {
				return usage("paired comparison: coupon %q has no %s field; every coupon must have both", f.Coupon, role)
			}
		}
	}
	return nil
}

// fieldsOf returns the fields of a study.
func fieldsOf(s *study.Study) []maps.Field {
	var out []maps.Field
	for _, f := range s.Fields {
		out = append(out, f.Field)
	}
	return out
}

// comparison returns the comparison of a study, made anew where the beam does
// not cover the pixels or coupons are paired.
func (e *env) comparison(r *study.Result, mode beamMode, paired bool) (*compare.Result, error) {
	if r.Comparison == nil || !mode.stationary && !paired {
		return r.Comparison, nil
	}
	var sides [2][]compare.Observation
	for i := range r.Fields {
		f := &r.Fields[i]
		o := &f.Observation // the figure takes its points from there
		o.AreaMm2 *= mode.share(f.Header.Pixel)
		o.SpotAreaMm2 *= mode.share(f.Header.Pixel)
		switch f.Role {
		case maps.Treated:
			sides[0] = append(sides[0], *o)
		case maps.Untreated:
			sides[1] = append(sides[1], *o)
		}
	}
	return compare.Fields(sides[0], sides[1], compare.Options{Alpha: r.Study.Options.Alpha, Seed: r.Study.Options.Seed, Paired: paired})
}

// answerComparison puts a comparison into the answer; cond are the conditions
// that its rows carry.
func (e *env) answerComparison(c *compare.Result, scaled bool, cond record.Object) {
	a := &e.answer
	for _, w := range c.Remarks {
		e.warn("%s", w)
	}
	record.Comparison(a, c, scaled, cond)
}

// answerStudy sets the keys of all fields.
func (e *env) answerStudy(r *study.Result, c *compare.Result, mode beamMode) {
	a := &e.answer
	if c != nil {
		a.Set("verdict", areaText(r, r.Verdict(c)))
		said := *c
		said.Above.Statement = areaText(r, said.Above.Statement)
		e.answerComparison(&said, scaledFields(r), conditionOf(r))
	} else {
		a.Set("verdict", nil)
		a.Set("verdict_reason", "a comparison needs treated and blank fields")
	}
	if r.Mean != nil {
		a.Set("field_mean", record.Mean(r.Mean))
	}
	rows := []record.Object{}
	for i, f := range r.Fields {
		o := record.Of("field", fieldObject(r, i, mode))
		o.Set("spots", record.Spots(nil, f.Spots.Spots, conditionOf(r)))
		o.Set("rejected", record.Spots(nil, f.Spots.Rejected, conditionOf(r)))
		o.Set("limit", limitObject(r, i))
		record.Halves(&o, f.Stability)
		rows = append(rows, o)
	}
	a.Set("fields", rows)
	a.Set("occurrences", record.Occurrences(r.Occurrences))
	a.Set("target", record.Of("material", r.Target.Material.String(), "own_family", r.Target.Own))
}

// scaledFields reports whether the pixel size of all fields is known.
func scaledFields(r *study.Result) bool {
	return !slices.ContainsFunc(r.Fields, func(f study.FieldResult) bool { return !f.Header.Pixel.Known() })
}

// areaText says what a text says of areas in pixels where their size is not known.
func areaText(r *study.Result, text string) string {
	if scaledFields(r) {
		return text
	}
	return perPixels(text)
}

// printStudy writes verdict and fields in words.
func (e *env) printStudy(r *study.Result, c *compare.Result) {
	switch doubt := r.SubstrateDoubt(); {
	case c == nil && doubt != "":
		e.printf("%s\n\n", doubt)
	case c != nil:
		e.printf("%s\n\n", areaText(r, r.Verdict(c)))
		e.printf(areaText(r, "density of %s spots  treated %.4g, blank %.4g per mm²; p = %.2g (%s)\n"), r.Target.Material.Name, c.Density.TreatedPerMm2, c.Density.BlankPerMm2, c.Density.PValue, c.Density.Method)
		e.printDensity(r, c)
		e.printf("coupons              %d treated, %d blank; replicate: %s; smallest p that exchanging them can give: %.2g\n", c.Coupons[0], c.Coupons[1], c.Unit, c.SmallestP)
		e.printf("%s\n\n", areaText(r, c.Above.Statement))
	}
	e.printMean(r.Mean)
	e.printf("field                 coupon        role              spots  target  detected  p\n")
	for _, f := range r.Fields {
		e.printf("%-21s %-13s %-16s %6d %7d  %-8v  %.2g\n", f.Name, f.Coupon, f.Role, len(f.Spots.Spots), f.Observation.Spots, f.Spots.Detected, f.Spots.PValue)
	}
	e.printOccurrences(r.Occurrences)
	if arms, err := r.Arms(); err == nil {
		for _, a := range arms {
			e.printf("%s: %s\n", a.Name(), a.Sentence)
		}
	}
}

// printDensity writes ratio and difference of the densities, each end in words where
// it is missing.
func (e *env) printDensity(r *study.Result, c *compare.Result) {
	d, level := c.Density, 100*c.Options.Level
	switch {
	case !math.IsNaN(d.Low) && !math.IsNaN(d.High):
		e.printf("ratio of densities   %g %% interval %.3g to %.3g\n", level, d.Low, d.High)
	case !math.IsNaN(d.Low):
		e.printf("ratio of densities   at least %.3g (lower end of the %g %% interval; %s)\n", d.Low, level, d.Reason)
	default:
		e.printf("ratio of densities   none (%s)\n", d.Reason)
	}
	e.printf(areaText(r, "difference           %.4g per mm², %g %% interval %.4g to %.4g\n"), d.Difference, level, d.DifferenceLow, d.DifferenceHigh)
}

// printMean writes the comparison of field means in words.
func (e *env) printMean(m *spots.Mean) {
	switch {
	case m == nil:
	case math.IsNaN(m.Share):
		e.printf("field means          %s\n\n", m.Reason)
	default:
		p := fmt.Sprintf("p = %.2g", m.PValue)
		if m.PValue < 1e-12 { // the far tail of the normal law is nothing to name
			p = "p < 1e-12"
		}
		e.printf("field means          target %.3g of all counts above the blank fields (95 %% interval %.3g to %.3g; %s; at most %.3g)\n", m.Share, m.Low, m.High, p, m.Limit)
		if m.Reason != "" {
			e.printf("                     %s\n", m.Reason)
		}
		e.printf("\n")
	}
}

// writeStudy writes what belongs to every field and to all of them.
func (e *env) writeStudy(out *outputFolder, r *study.Result, c *compare.Result) error {
	names := record.FileNames{}
	var own []maps.Map
	var labels []string
	for i, f := range r.Fields {
		if err := e.writeField(out, r, i, shortName(f), names); err != nil {
			return err
		}
		own = append(own, ownMap(r, i))
		labels = append(labels, f.Coupon+" / "+shortName(f))
	}
	if err := writeSum(out, r.Sum, r.Fit, "all fields"); err != nil {
		return err
	}
	if len(own) > 1 {
		err := out.write("maps.png", func(w io.Writer) error {
			return figure.Panel(w, own, figure.PanelOptions{Title: own[0].What, Labels: labels, WidthMM: pageWidthMM})
		})
		if err != nil {
			return err
		}
	}
	if c != nil {
		d := comparisonData(r, c)
		err := out.write("comparison.png", func(w io.Writer) error {
			return figure.Comparison(w, d, figure.ComparisonOptions{Title: "Spots of " + r.Target.Material.Name})
		})
		if err != nil {
			return err
		}
	}
	e.answer.Set("out", out.dir)
	e.printf("\nwritten to %s\n", out.dir)
	return nil
}

// comparisonData is the density of every field with the estimates of both
// sides.
func comparisonData(r *study.Result, c *compare.Result) figure.ComparisonData {
	d := figure.ComparisonData{Groups: []figure.ComparisonGroup{
		{Label: "treated", Estimate: c.Density.TreatedPerMm2, Low: c.Density.TreatedLow, High: c.Density.TreatedHigh},
		{Label: "blank", Estimate: c.Density.BlankPerMm2, Low: c.Density.BlankLow, High: c.Density.BlankHigh},
	}}
	for _, f := range r.Fields {
		p := figure.ComparisonPoint{Coupon: f.Coupon, Value: math.NaN()}
		if f.Observation.AreaMm2 > 0 {
			p.Value = float64(f.Observation.Spots) / f.Observation.AreaMm2
		}
		g := &d.Groups[0]
		if f.Role == maps.Untreated {
			g = &d.Groups[1]
		}
		g.Points = append(g.Points, p)
	}
	return d
}
