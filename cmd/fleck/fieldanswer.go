package main

import (
	"cmp"
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
	a.Set("limit", limitObject(r, i))
	share, _ := coveredShare(f.Spots)
	a.Set("share_above_threshold", share)
	a.Set("substrate_not_shown", notShown(r))
	record.Halves(a, f.Stability)
	a.Set("occurrences", record.Occurrences(r.Occurrences))
	a.Number("blank_counts", r.BlankCounts, "")
}

// limitObject is the detection limit of a field, with the sphere that reaches it.
func limitObject(r *study.Result, i int) record.Object {
	l := r.Fields[i].Spots.Limit
	nm, reason := r.SphereNM(i, l.ExcessCounts)
	if l.Reason != "" {
		reason = l.Reason
	}
	var more record.Object
	more.Number("sphere_nm", nm, reason)
	return record.Limit(l, more, conditionOf(r))
}

// notShown are the symbols of the elements of the stated substrate that the fields
// do not show.
func notShown(r *study.Result) []string {
	out := []string{}
	for _, z := range r.NotShown() {
		out = append(out, z.Symbol())
	}
	return out
}

// coverMost is the share of a field above the decision threshold from which the
// target covers much of it rather than lies in spots, as in the remark of the search;
// outlineLeast the share that the outlines of the spots take up then at least, since
// the statistic of a small spot in a small field reaches far beyond it (choices of
// this package).
const (
	coverMost    = 0.3
	outlineLeast = 0.1
)

// coveredShare is the share of the pixels above the decision threshold, and whether
// the target covers much of the field.
func coveredShare(res *spots.Result) (share float64, covered bool) {
	if math.IsNaN(res.Threshold) || len(res.LLR.V) == 0 {
		return 0, false
	}
	above, inside, all := 0.0, 0.0, float64(len(res.LLR.V))
	for _, v := range res.LLR.V {
		if v > res.Threshold {
			above++
		}
	}
	for _, s := range res.Spots {
		inside += s.AreaPx
	}
	share = above / all
	return share, share > coverMost && (inside > outlineLeast*all || len(res.Spots) == 0)
}

// printField writes the verdict and the spots of a field in words.
func (e *env) printField(r *study.Result, i int, mode beamMode) {
	f := r.Fields[i]
	if doubt := r.SubstrateDoubt(); doubt != "" {
		e.printf("%s\n", doubt)
	}
	name := r.Target.Material.Name
	share, covered := coveredShare(f.Spots)
	verdict := "no spot found that may be " + name
	switch {
	case f.Spots.Detected && covered:
		verdict = fmt.Sprintf("%s covers much of the field: %.0f %% of it lie above the decision threshold; a layer or a large particle is no spot, outlines and diameters do not describe it", name, 100*share)
	case f.Spots.Detected:
		verdict = fmt.Sprintf("spots found that show %s: %s", r.Target.Own, countVerdicts(f.Spots.Spots))
	case len(f.Spots.Spots) > 0:
		verdict += "; listed are " + countVerdicts(f.Spots.Spots)
	}
	if f.Header.Pixels() == 1 {
		e.printf("%s: a field of one pixel, in which no spots are searched for\n", f.Name)
	} else {
		e.printf("%s: %s (p = %.2g, alpha %g)\n", f.Name, verdict, f.Spots.PValue, f.Spots.Options.Alpha)
	}
	e.printSpots(f.Spots, f.Header.Pixel.Known(), r.Target.Own, true)
	nm, _ := r.SphereNM(i, f.Spots.Limit.ExcessCounts)
	e.printLimit(f.Spots.Limit, nm, f.Header.Pixel.AreaUm2()*float64(f.Header.Pixels())*1e-6*mode.share(f.Header.Pixel))
	if f.Spots.SubstrateFrom == spots.FromField {
		e.printf("  the substrate is that of the field itself: a deposit spread evenly over the field cannot be seen, only spots; a blank field would show it\n")
	} else if !math.IsNaN(f.Spots.LineExcess) {
		e.printf("  whole field against the blank: %.0f counts of %s in excess (sigma %.0f, counting alone)\n", f.Spots.LineExcess, r.Target.Own, f.Spots.LineExcessSigma)
	}
	e.printOccurrences(r.Occurrences)
}

// printOccurrences says which compounds are given to the substrate.
func (e *env) printOccurrences(list []spots.Occurrence) {
	for _, o := range list {
		if o.Marked {
			e.printf("%s occurs in blank fields as well (%d treated, %d blank): its spots are given to the substrate\n", o.Compound, o.Treated, o.Blank)
		}
	}
}

// printLimit writes the detection limit, as one sphere of nm where that is known, and
// the area in mm² that it holds for.
func (e *env) printLimit(l spots.Limit, nm, area float64) {
	probed := "area probed not known: " + noPixelSize
	if !math.IsNaN(area) {
		probed = fmt.Sprintf("area probed %.3g mm²", area)
	}
	sphere := ""
	if !math.IsNaN(nm) {
		sphere = fmt.Sprintf(", about one sphere of %.0f nm,", nm)
	}
	if math.IsNaN(l.ExcessCounts) {
		e.printf("  detection limit: none (%s); %s\n", l.Reason, probed)
		return
	}
	e.printf("  detection limit: a spot of %.0f counts in excess%s is found with probability %g; smaller ones may be there; %s\n", l.ExcessCounts, sphere, l.Probability, probed)
}

// printSpots writes the table of spots; own is the family that tells the target, ""
// if there is none. With why it gives the reason of every verdict "cannot tell".
func (e *env) printSpots(res *spots.Result, known bool, own string, why bool) {
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
		name := cmp.Or(string(s.Verdict), "no verdict")
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
	for _, s := range res.Spots {
		if why && s.Verdict == maps.CannotTell {
			e.printf("  %d cannot be told: %s\n", s.ID, s.Reason)
		}
	}
	switch n := len(res.Rejected); n {
	case 0:
	case 1:
		e.printf("  1 more place is as strong but without the target's own line (%s)\n", own)
	default:
		e.printf("  %d more places are as strong but without the target's own line (%s)\n", n, own)
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
