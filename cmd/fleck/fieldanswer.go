package main

import (
	"fmt"
	"io"
	"math"
	"path/filepath"
	"strings"

	"example.org/fleck/maps"
	"example.org/fleck/maps/cube"
	"example.org/fleck/maps/figure"
	"example.org/fleck/maps/record"
	"example.org/fleck/maps/spots"
	"example.org/fleck/maps/study"
)

// noPixelSize is the reason for lengths that are missing.
const noPixelSize = record.NoPixelSize + "; state --pixel"

// fieldObject is the verdict on a field.
func fieldObject(r *study.Result, i int, mode beamMode) record.Object {
	f := r.Fields[i]
	area := f.Header.Pixel.AreaUm2() * float64(f.Header.Pixels()) * 1e-6
	o := record.Of("name", f.Name, "coupon", f.Coupon, "role", string(f.Role))
	record.Search(&o, f.Spots)
	o.Set("frames", max(1, f.Header.Selected.Count()))
	o.Number("area_mm2", area, noPixelSize)
	o.Number("area_probed_mm2", area*mode.share(f.Header.Pixel), noPixelSize)
	return o
}

// answerField sets the keys of the command spots.
func (e *env) answerField(r *study.Result, i int, mode beamMode) {
	f := r.Fields[i]
	a := &e.answer
	a.Set("field", fieldObject(r, i, mode))
	a.Set("target", record.Of("material", r.Target.Material.String(), "own_family", r.Target.Own))
	a.Set("spots", record.Spots(nil, f.Spots.Spots, conditionOf(r)))
	a.Set("rejected", record.Spots(nil, f.Spots.Rejected, conditionOf(r)))
	a.Set("limit", record.Limit(f.Spots.Limit, nil, conditionOf(r)))
	record.Halves(a, f.Stability)
	a.Set("occurrences", record.Occurrences(r.Occurrences))
	a.Number("blank_counts", r.BlankCounts, "")
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
func (e *env) writeField(out *outputFolder, r *study.Result, i int, prefix string, names record.FileNames) error {
	f := r.Fields[i]
	name := func(s string) string {
		if prefix != "" {
			s = prefix + " " + s
		}
		return names.Of(s)
	}
	files := record.Object{}
	add := func(key, file string, write func(io.Writer) error) error {
		files.Set(key, file)
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
		e.answer.Set("files", files)
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

// writeSpotTable writes spots as CSV.
func writeSpotTable(w io.Writer, cond record.Object, list []maps.Spot) error {
	return record.SpotTable(w, format, nil, record.Spots(nil, list, cond))
}
