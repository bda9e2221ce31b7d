package main

import (
	"context"
	"io"
	"slices"

	"example.org/fleck/maps"
	"example.org/fleck/maps/composition"
	"example.org/fleck/maps/cube"
	"example.org/fleck/maps/peaks"
	"example.org/fleck/maps/record"
	"example.org/fleck/quant/analysis"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/fit"
	"example.org/fleck/spectra/xray"
	"github.com/urfave/cli/v2"
)

const groupComposition = "Composition maps"

// compositionFlags are those of map --composition.
func compositionFlags() []cli.Flag {
	return append([]cli.Flag{
		&cli.BoolFlag{DisableDefaultText: true, Name: "composition", Usage: "mass fraction maps as well, every pixel corrected as a flat bulk", Category: groupComposition},
		valueFlag(groupComposition, "ignore", "elements that the field shows but the specimen does not hold, `SYMBOLS` with commas"),
		listFlag(groupComposition, "standard", "`MATERIAL=FILE`, the spectrum of a standard; without one the maps are standardless, scaled to total 1"),
	}, correctionFlags()...)
}

// readComposition reads compositionFlags. ok is false when no composition is
// asked for, and then the other flags are refused.
func (e *env) readComposition(c *cli.Context, list elementList) (o analysis.Options, ok bool, err error) {
	if !c.Bool("composition") {
		for _, f := range compositionFlags() {
			if name := f.Names()[0]; c.IsSet(name) {
				return o, false, usage("--%s belongs to --composition", name)
			}
		}
		return o, false, nil
	}
	if len(list) == 0 {
		return o, false, usage("--composition needs --elements, all that the specimen holds")
	}
	if o, err = e.readCorrection(c); err != nil {
		return o, false, err
	}
	o.SkipBudget = true
	e.setting("composition", true, fromFlag)
	return o, true, e.readElements(c, &o)
}

// withShown adds what the field shows without being measured: ignored elements
// and oxygen that is found by rule.
func withShown(list elementList, o analysis.Options) elementList {
	for _, z := range o.Shown() {
		if !slices.Contains(list.all(), z) {
			list = append(list, listed{element: z})
		}
	}
	return list
}

// mapComposition writes composition maps of the fitted pixels: the sum spectrum,
// fitted as r, chooses the lines, gives their scale, and says whether a bulk
// analysis makes sense at all.
func (e *env) mapComposition(ctx context.Context, out *outputFolder, res *peaks.Result, r *fit.Result, sum *spectra.Spectrum, opt analysis.Options, names record.FileNames) error {
	q, err := analysis.FromFit(r, sum.Conditions, opt)
	if err != nil {
		return failed(codeFailed, "", "%w", err)
	}
	o := record.Of("method", string(q.Method), "model", q.Model, "refused", q.Refused, "reasons", record.List(q.Reasons))
	if q.Refused {
		e.printf("composition maps REFUSED: the sum spectrum shows no flat bulk\n")
		for _, s := range q.Reasons {
			e.printf("  %s\n", s)
		}
		o.Set("remarks", record.List(q.Remarks))
		e.answer.Set("composition", o)
		return nil
	}
	inputs, err := compositionInputs(res, q)
	if err != nil {
		return err
	}
	m, err := composition.Maps(ctx, inputs, composition.Options{
		Geometry: q.Geometry, Matrix: q.Matrix, Solve: opt.Solve, Relative: q.Method == analysis.Standardless,
		Workers: e.workers, Progress: e.bar.of("composition"),
	})
	if err != nil {
		return failed(codeFailed, "", "%w", err)
	}
	if err := e.writeComposition(out, &o, m, q, names); err != nil {
		return err
	}
	remarks := append(m.Remarks, q.Remarks...)
	o.Set("remarks", record.List(remarks))
	e.answer.Set("composition", o)
	for _, s := range remarks {
		e.printf("note: %s\n", s)
	}
	return nil
}

// compositionInputs pairs the rows of the sum's analysis with the maps of their
// families.
func compositionInputs(res *peaks.Result, q *analysis.Result) ([]composition.Input, error) {
	var out []composition.Input
	for _, row := range q.Rows {
		p := row.KRatio.Peak
		for i, f := range res.Families {
			if f.Element == p.Element && f.Family == p.Family {
				st := res.Stacks[i]
				out = append(out, composition.Input{Peak: p, Counts: st, Standard: row.Full / float64(st.Value.W*st.Value.H)})
			}
		}
	}
	if len(out) != len(q.Rows) {
		return nil, failed(codeFailed, "", "%d of the %d lines chosen have a map", len(out), len(q.Rows))
	}
	return out, nil
}

// writeComposition writes the maps of all elements, the total and the flags.
func (e *env) writeComposition(out *outputFolder, o *record.Object, m *composition.Result, q *analysis.Result, names record.FileNames) error {
	rows := []record.Object{}
	e.printf("mass fraction (%s, %s)\nelement   min      max    mean   of the sum  file\n", q.Method, q.Model)
	for i, z := range m.Elements {
		base := names.Of(z.Symbol() + " mass fraction")
		if err := writeStack(out, base, m.Stacks[i]); err != nil {
			return err
		}
		stats := m.Stacks[i].Value.Stats()
		row := record.Of("symbol", z.Symbol(), "line", lineOf(q, z), "file", base+".tif", "png", base+".png", "npy", base+".npy",
			"sigma_file", base+"_sigma.tif", "sigma_npy", base+"_sigma.npy", "unit", "mass fraction")
		row.Number("min", stats.Min, noPixel)
		row.Number("max", stats.Max, noPixel)
		row.Number("mean", stats.Mean, noPixel)
		whole := float64(q.Composition.Fraction(z))
		row.Number("of_sum", whole, "")
		rows = append(rows, row)
		e.printf("%-6s %8.4f %8.4f %8.4f %10.4f    %s.png\n", z, stats.Min, stats.Max, stats.Mean, whole, base)
	}
	o.Set("maps", rows)
	if q.Method == analysis.ByStandards && hasValues(m.Total) {
		if err := writeStack(out, names.Of("total"), maps.Stack{Value: m.Total}); err != nil {
			return err
		}
		o.Set("total_file", "total.tif")
	}
	flags := maps.New(m.Total.W, m.Total.H)
	flags.What, flags.Unit, flags.Pixel = "flag of the composition", "code", m.Total.Pixel
	for i, f := range m.Flags {
		flags.V[i] = float64(f)
	}
	counts := []record.Object{}
	e.printf("pixels:")
	for f := composition.OK; int(f) < len(m.Pixels); f++ {
		counts = append(counts, record.Of("code", int(f), "flag", f.String(), "pixels", m.Count(f)))
		if n := m.Count(f); n > 0 {
			e.printf(" %d %s;", n, f)
		}
	}
	e.printf(" codes in composition_flags.npy\n")
	o.Set("flags", counts)
	o.Set("flags_file", "composition_flags.npy")
	return out.write("composition_flags.npy", func(w io.Writer) error { return cube.WriteMapNPY(w, flags) })
}

// hasValues reports whether a map has any.
func hasValues(m maps.Map) bool {
	_, ok := m.Range()
	return ok
}

// lineOf names the line that an element was measured with.
func lineOf(q *analysis.Result, z xray.Element) string {
	if row, ok := q.Row(z); ok {
		return row.KRatio.Peak.String()
	}
	return "by rule"
}
