package main

import (
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"example.org/fleck/maps"
	"example.org/fleck/maps/cube"
	"example.org/fleck/maps/figure"
	"example.org/fleck/maps/spots"
	"example.org/fleck/maps/study"
)

// noPixelSize is the reason for lengths that are missing.
const noPixelSize = "the pixel size is not known; state --pixel"

// fieldObject is the verdict on a field.
func fieldObject(r *study.Result, i int, mode beamMode) object {
	f := r.Fields[i]
	area := f.Header.Pixel.AreaUm2() * float64(f.Header.Pixels()) * 1e-6
	o := object{{"name", f.Name}, {"coupon", f.Coupon}, {"role", string(f.Role)}}
	o.number("p_value", f.Spots.PValue, "")
	o.set("detected", f.Spots.Detected)
	o.number("threshold", f.Spots.Threshold, "the field holds no counts")
	o.number("list_threshold", f.Spots.ListThreshold, "no spot was listed")
	o.number("expected_false", f.Spots.ExpectedFalse, "")
	o.number("area_mm2", area, noPixelSize)
	o.number("area_probed_mm2", area*mode.share(f.Header.Pixel), noPixelSize)
	return o
}

// spotObject is a spot with its condition.
func spotObject(cond object, s maps.Spot) object {
	o := object{{"id", s.ID}}
	o.number("x_px", s.XPx, "")
	o.number("y_px", s.YPx, "")
	o.number("x_sigma_px", s.SigmaXPx, "not known")
	o.number("y_sigma_px", s.SigmaYPx, "not known")
	o.number("x_um", s.XUm, noPixelSize)
	o.number("y_um", s.YUm, noPixelSize)
	size := noPixelSize
	if s.Unresolved {
		size = "not wider than the smallest profile searched: the size is not resolved"
	}
	o.number("area_px", s.AreaPx, size)
	o.number("area_um2", s.AreaUm2, size)
	o.number("diameter_um", s.DiameterUm, size)
	o.set("unresolved", s.Unresolved)
	o.set("touches_edge", s.Touches)
	o.number("excess_counts", s.ExcessCounts, "")
	o.number("sigma", s.ExcessSigma, "not known")
	o.number("line_counts", s.LineCounts, "not known")
	o.number("line_sigma", s.LineSigma, "not known")
	o.number("log_likelihood", s.LogLikelihood, "")
	o.number("p_value", s.PValue, "not known")
	o.number("q_value", s.QValue, "not known")
	o.set("verdict", string(s.Verdict))
	if s.Compound != "" {
		o.set("compound", s.Compound)
	} else {
		o.set("compound", nil)
	}
	o.set("reason", s.Reason)
	var names []string
	for n := range s.Evidence {
		names = append(names, n)
	}
	slices.Sort(names)
	evidence := object{}
	for _, n := range names {
		evidence.number(n, s.Evidence[n], "not possible")
	}
	o.set("evidence", evidence)
	return append(o, cond...)
}

func spotObjects(cond object, list []maps.Spot) []object {
	out := []object{}
	for _, s := range list {
		out = append(out, spotObject(cond, s))
	}
	return out
}

// limitObject is the detection limit of a field.
func limitObject(cond object, l spots.Limit) object {
	o := object{}
	reason := l.Reason
	if reason == "" {
		reason = "no limit was found"
	}
	o.number("excess_counts", l.ExcessCounts, reason)
	o.number("probability", l.Probability, reason)
	o.number("width_px", l.WidthPx, reason)
	curve := []object{}
	for _, p := range l.Curve {
		c := object{}
		c.number("excess_counts", p.ExcessCounts, "")
		c.set("put", p.Put)
		c.set("found", p.Found)
		curve = append(curve, c)
	}
	o.set("curve", curve)
	return append(o, cond...)
}

// answerField sets the keys of the command spots.
func (e *env) answerField(r *study.Result, i int, mode beamMode) {
	f := r.Fields[i]
	a := &e.answer
	a.set("field", fieldObject(r, i, mode))
	a.set("target", object{{"material", r.Target.Material.String()}, {"own_family", r.Target.Own}})
	a.set("spots", spotObjects(conditionOf(r), f.Spots.Spots))
	a.set("rejected", spotObjects(conditionOf(r), f.Spots.Rejected))
	a.set("limit", limitObject(conditionOf(r), f.Spots.Limit))
	a.set("occurrences", occurrenceObjects(r))
	a.number("blank_counts", r.BlankCounts, "")
}

func occurrenceObjects(r *study.Result) []object {
	rows := []object{}
	for _, c := range r.Occurrences {
		o := object{{"compound", c.Compound}, {"treated", c.Treated}, {"blank", c.Blank}}
		o.number("p_value", c.PValue, "not known")
		o.set("substrate", c.Marked)
		rows = append(rows, o)
	}
	return rows
}

// printField writes the verdict and the spots of a field in words.
func (e *env) printField(r *study.Result, i int) {
	f := r.Fields[i]
	verdict := "nothing found that shows " + r.Target.Own + " of " + r.Target.Material.Name
	if f.Spots.Detected {
		verdict = fmt.Sprintf("spots found that show %s: %s", r.Target.Own, countVerdicts(f.Spots.Spots))
	}
	e.printf("%s: %s (p = %.2g, alpha %g)\n", f.Name, verdict, f.Spots.PValue, f.Spots.Options.Alpha)
	e.printSpots(f.Spots, f.Header.Pixel.Known(), r.Target.Own)
}

// printSpots writes the table of spots and the limit; own is the family that
// tells the target, "" if there is none.
func (e *env) printSpots(res *spots.Result, known bool, own string) {
	unit := "µm"
	if !known {
		unit = "px"
	}
	if len(res.Spots) > 0 {
		e.printf("  id     x/%s     y/%s  diameter/%s    excess   sigma  q-value  verdict\n", unit, unit, unit)
	}
	for _, s := range res.Spots {
		x, y, d := s.XUm, s.YUm, s.DiameterUm
		if unit == "px" {
			x, y, d = s.XPx, s.YPx, 2*math.Sqrt(s.AreaPx/math.Pi)
		}
		name := string(s.Verdict)
		if s.Compound != "" && s.Verdict != maps.TargetVerdict {
			name += " " + s.Compound
		}
		if s.Unresolved {
			name += " (size not resolved)"
		}
		width := "-"
		if !math.IsNaN(d) {
			width = fmt.Sprintf("%.3f", d)
		}
		e.printf("%4d %8.2f %8.2f %12s %9.0f %7.0f %8.1g  %s\n", s.ID, x, y, width, s.ExcessCounts, s.ExcessSigma, s.QValue, name)
	}
	if n := len(res.Rejected); n > 0 {
		e.printf("  %d more places are as strong but without the target's own line (%s)\n", n, own)
	}
	if l := res.Limit; math.IsNaN(l.ExcessCounts) {
		e.printf("  detection limit: none (%s)\n", l.Reason)
	} else {
		e.printf("  detection limit: a spot of %.0f counts in excess is found with probability %g\n", l.ExcessCounts, l.Probability)
	}
}

// countVerdicts says how many spots got which verdict.
func countVerdicts(list []maps.Spot) string {
	var parts []string
	for _, v := range []maps.Verdict{maps.TargetVerdict, maps.OtherCompound, maps.Artefact, maps.SubstrateSpot, maps.CannotTell} {
		n := 0
		for _, s := range list {
			if s.Verdict == v {
				n++
			}
		}
		if n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n, v))
		}
	}
	if parts == nil {
		return "none above the level of the list"
	}
	return strings.Join(parts, ", ")
}

// writeField writes table, map and figure of a field; prefix is "" where the
// folder holds a single field.
func (e *env) writeField(out *outputFolder, r *study.Result, i int, prefix string, names slugs) error {
	f := r.Fields[i]
	name := func(s string) string {
		if prefix != "" {
			s = prefix + " " + s
		}
		return names.of(s)
	}
	files := object{}
	add := func(key, file string, write func(io.Writer) error) error {
		files.set(key, file)
		if err := out.write(file, write); err != nil {
			return fmt.Errorf("%s: %w", file, err)
		}
		return nil
	}
	err := add("table", name("spots")+".csv", func(w io.Writer) error { return writeSpotTable(w, conditionOf(r), f.Spots.Spots) })
	if err == nil {
		m := ownMap(r, i)
		err = add("figure", name("spots figure")+".png", func(w io.Writer) error {
			opt := figure.SpotMapOptions{Title: shortName(f), Caption: m.What, WidthMM: pageWidthMM}
			if v, ok := m.Range(); !ok || v.Low == v.High {
				opt.Scale = &maps.Scale{Low: 0, High: 1}
			}
			return figure.SpotMap(w, m, f.Spots.Spots, opt)
		})
		if err == nil {
			base := name(r.Target.Own)
			err = add("own_map", base+".tif", func(w io.Writer) error { return figure.FloatTIFF(w, m) })
		}
	}
	if err == nil {
		err = add("likelihood", name("likelihood")+".npy", func(w io.Writer) error { return cube.WriteMapNPY(w, f.Spots.LLR) })
	}
	if prefix == "" {
		e.answer.set("files", files)
	}
	return err
}

// shortName is the name of a field for figures and files: of a path its last
// part.
func shortName(f study.FieldResult) string {
	if f.Name == f.Input {
		return filepath.Base(f.Name)
	}
	return f.Name
}

// ownMap returns the net-count map of the family that tells the target, the
// counts of every pixel where that family was not fitted.
func ownMap(r *study.Result, i int) maps.Map {
	for k, fam := range r.Families {
		if fam.String() == r.Target.Own {
			return r.Fields[i].Maps.Stacks[k].Value
		}
	}
	return r.Fields[i].Sums.PixelTotals
}

// spotColumns are the columns of spots.csv.
var spotColumns = []string{"id", "x_px", "y_px", "x_um", "y_um", "area_um2", "diameter_um", "excess_counts", "sigma", "line_counts", "line_sigma", "q_value", "verdict", "compound", "beam_kev", "substrate", "coating"}

// writeSpotTable writes spots as CSV; missing numbers are empty.
func writeSpotTable(w io.Writer, cond object, list []maps.Spot) error {
	if _, err := fmt.Fprintf(w, "# fleck_format: %d\n", format); err != nil {
		return err
	}
	t := csv.NewWriter(w)
	if err := t.Write(spotColumns); err != nil {
		return err
	}
	for _, s := range list {
		o := spotObject(cond, s)
		row := make([]string, len(spotColumns))
		for k, col := range spotColumns {
			for _, m := range o {
				if m.key == col {
					row[k] = cell(m.value)
				}
			}
		}
		if err := t.Write(row); err != nil {
			return err
		}
	}
	t.Flush()
	return t.Error()
}

func cell(v any) string {
	switch v := v.(type) {
	case nil:
		return ""
	case float64:
		return strconv.FormatFloat(v, 'g', -1, 64)
	}
	return fmt.Sprint(v)
}
