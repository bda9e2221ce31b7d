package study

import (
	"maps"
	"slices"
	"strings"

	fields "example.org/fleck/maps"
	"example.org/fleck/maps/compare"
	"example.org/fleck/maps/spots"
	"example.org/fleck/spectra/xray"
)

// noPixelSize is the reason for lengths and areas that are missing.
const noPixelSize = "the pixel size is not known"

// condition is what every row carries.
func (w *writer) condition() object {
	o := object{{"beam_kev", w.r.Sum.BeamEnergy.KeV()}, {"substrate", w.r.Study.Substrate.String()}}
	if c := w.r.Study.Coating; c != nil {
		o.set("coating", c.String())
	} else {
		o.set("coating", nil)
	}
	return o
}

// spot is one spot with its field and its condition.
func (w *writer) spot(f *FieldResult, s fields.Spot) object {
	o := object{{"field", f.Name}, {"coupon", f.Coupon}, {"role", string(f.Role)}, {"id", s.ID}}
	o.number("x_px", s.XPx, "")
	o.number("y_px", s.YPx, "")
	o.number("x_sigma_px", s.SigmaXPx, "")
	o.number("y_sigma_px", s.SigmaYPx, "")
	o.number("x_um", s.XUm, noPixelSize)
	o.number("y_um", s.YUm, noPixelSize)
	o.number("area_px", s.AreaPx, "")
	o.number("area_um2", s.AreaUm2, noPixelSize)
	why := noPixelSize
	if f.Header.Pixel.Known() {
		why = "the size is not resolved"
	}
	o.number("diameter_um", s.DiameterUm, why)
	o.set("unresolved", s.Unresolved)
	o.set("touches_edge", s.Touches)
	o.number("excess_counts", s.ExcessCounts, "")
	o.number("sigma", s.ExcessSigma, "")
	o.number("line_counts", s.LineCounts, "")
	o.number("line_sigma", s.LineSigma, "")
	o.number("log_likelihood", s.LogLikelihood, "")
	o.number("p_value", s.PValue, "")
	o.number("q_value", s.QValue, "")
	o.set("verdict", string(s.Verdict))
	if s.Compound != "" {
		o.set("compound", s.Compound)
	} else {
		o.set("compound", nil)
	}
	o.set("reason", s.Reason)
	evidence := object{}
	for _, name := range slices.Sorted(maps.Keys(s.Evidence)) {
		evidence.number(name, s.Evidence[name], "not possible")
	}
	o.set("evidence", evidence)
	return append(o, w.condition()...)
}

func (w *writer) spotList(f *FieldResult, list []fields.Spot) []object {
	out := []object{}
	for _, s := range list {
		out = append(out, w.spot(f, s))
	}
	return out
}

// field is the verdict on a field.
func (w *writer) field(f *FieldResult) object {
	o := object{{"name", f.Name}, {"coupon", f.Coupon}, {"role", string(f.Role)}}
	o.set("width", f.Header.Width)
	o.set("height", f.Header.Height)
	o.number("counts_total", float64(f.Sums.Total), "")
	o.number("area_mm2", areaMm2(f), noPixelSize)
	o.number("area_probed_mm2", w.probedMm2(f), noPixelSize)
	o.number("p_value", f.Spots.PValue, "")
	o.set("detected", f.Spots.Detected)
	o.number("threshold", f.Spots.Threshold, "the field holds no counts")
	o.number("list_threshold", f.Spots.ListThreshold, "no spot was listed")
	o.number("expected_false", f.Spots.ExpectedFalse, "")
	const noBlank = "no blank spectrum was used"
	o.set("substrate_from", f.Spots.SubstrateFrom)
	o.number("blank_p_value", f.Spots.BlankP, noBlank)
	o.number("excess_counts", f.Spots.Excess, noBlank)
	o.number("excess_sigma", f.Spots.ExcessSigma, noBlank)
	o.number("line_excess_counts", f.Spots.LineExcess, noBlank)
	o.number("line_excess_sigma", f.Spots.LineExcessSigma, noBlank)
	o.set("pixels_empty", f.Maps.Empty)
	o.set("pixels_not_fitted", f.Maps.NotFitted)
	return o
}

// areaMm2 returns the area of a field, NaN when the pixel size is unknown.
func areaMm2(f *FieldResult) float64 {
	return f.Header.Pixel.AreaUm2() * 1e-6 * float64(f.Header.Pixels())
}

// probedMm2 returns the area that the comparison takes for a field, less than
// its area where the beam does not cover the pixels; NaN when the pixel size is
// unknown.
func (w *writer) probedMm2(f *FieldResult) float64 {
	if !f.Header.Pixel.Known() {
		return nan
	}
	return f.Observation.AreaMm2
}

// limit is the detection limit of a field.
func (w *writer) limit(f *FieldResult) object {
	l := f.Spots.Limit
	o := object{}
	o.number("excess_counts", l.ExcessCounts, l.Reason)
	o.number("probability", l.Probability, l.Reason)
	o.number("width_px", l.WidthPx, l.Reason)
	sphere, why := w.sphereNM(f, l.ExcessCounts)
	if l.Reason != "" {
		why = l.Reason
	}
	o.number("sphere_nm", sphere, why)
	curve := []object{}
	for _, p := range l.Curve {
		c := object{}
		c.number("excess_counts", p.ExcessCounts, "")
		c.set("put", p.Put)
		c.set("found", p.Found)
		curve = append(curve, c)
	}
	o.set("curve", curve)
	return append(o, w.condition()...)
}

func occurrenceObjects(list []spots.Occurrence) []object {
	rows := []object{}
	for _, c := range list {
		o := object{{"compound", c.Compound}, {"treated", c.Treated}, {"blank", c.Blank}}
		o.number("p_value", c.PValue, "")
		o.set("substrate", c.Marked)
		rows = append(rows, o)
	}
	return rows
}

// comparison sets the keys of the comparison.
func (w *writer) comparison(o *object) {
	c := w.r.Comparison
	if c == nil {
		o.set("verdict", nil)
		o.set("verdict_reason", "a comparison needs treated and blank fields")
		return
	}
	o.set("verdict", w.verdictText())
	o.set("higher", c.Higher)
	o.set("density", w.density(c.Density))
	o.set("area_fraction", comparisonObject(c.AreaFraction, true))
	o.set("signal_per_mm2", comparisonObject(c.Signal, w.scaled))
	l := object{}
	perMm2, why := c.Limit.PerMm2, c.Limit.Reason
	if !w.scaled {
		perMm2, why = nan, noPixelSize
	}
	l.number("per_mm2", perMm2, why)
	l.number("efficiency", c.Limit.Efficiency, c.Limit.Reason)
	if c.Limit.Reason != "" {
		l.set("remark", c.Limit.Reason)
	}
	o.set("limit", append(l, w.condition()...))
	d := object{}
	d.number("fields_p_value", c.Dispersion.Fields, "too few spots or fields")
	d.number("coupons_p_value", c.Dispersion.Coupons, "too few spots or coupons")
	d.number("ratio", c.Dispersion.Ratio, "too few spots or fields")
	d.set("clustered", c.Dispersion.Clustered)
	o.set("dispersion", d)
	o.set("replicate", c.Unit)
	o.set("spots_treated", c.Spots[0])
	o.set("spots_blank", c.Spots[1])
	o.set("coupons_treated", c.Coupons[0])
	o.set("coupons_blank", c.Coupons[1])
	area := object{}
	for side, key := range []string{"treated", "blank"} {
		v := c.AreaMm2[side]
		if !w.scaled {
			v = nan
		}
		area.number(key, v, noPixelSize)
	}
	o.set("area_mm2", area)
	o.set("level", c.Options.Level)
	o.set("alpha", c.Options.Alpha)
	o.set("remarks", nonNil(c.Remarks))
}

// numbered is a number with its key; absolute ones need the pixel size.
type numbered struct {
	key      string
	v        float64
	absolute bool
}

func numbers(list []numbered, scaled bool, reason, method string) object {
	o := object{}
	for _, n := range list {
		if n.absolute && !scaled {
			o.number(n.key, nan, noPixelSize)
			continue
		}
		o.number(n.key, n.v, reason)
	}
	o.set("method", method)
	return o
}

func (w *writer) density(d compare.Density) object {
	return numbers([]numbered{
		{"treated_per_mm2", d.TreatedPerMm2, true}, {"treated_low", d.TreatedLow, true}, {"treated_high", d.TreatedHigh, true},
		{"blank_per_mm2", d.BlankPerMm2, true}, {"blank_low", d.BlankLow, true}, {"blank_high", d.BlankHigh, true},
		{"ratio", d.Ratio, false}, {"low", d.Low, false}, {"high", d.High, false},
		{"p_value", d.PValue, false}, {"p_value_two_sided", d.PTwoSided, false}, {"p_value_permutation", d.Permutation, false},
	}, w.scaled, d.Reason, d.Method)
}

func comparisonObject(c compare.Comparison, scaled bool) object {
	return numbers([]numbered{
		{"treated", c.Treated, true}, {"treated_low", c.TreatedLow, true}, {"treated_high", c.TreatedHigh, true},
		{"blank", c.Blank, true}, {"blank_low", c.BlankLow, true}, {"blank_high", c.BlankHigh, true},
		{"ratio", c.Ratio, false}, {"low", c.Low, false}, {"high", c.High, false},
		{"difference", c.Difference, true}, {"difference_low", c.DifferenceLow, true}, {"difference_high", c.DifferenceHigh, true},
		{"p_value", c.PValue, false}, {"p_value_two_sided", c.PTwoSided, false},
	}, scaled, c.Reason, c.Method)
}

// head is what every JSON output begins with.
func (w *writer) head() object {
	o := object{{"fleck_format", FormatNumber}}
	if w.opt.Command != "" {
		o.set("command", w.opt.Command)
	}
	o.set("version", w.opt.Version)
	o.set("platform", w.opt.Platform)
	o.set("table_checksum", xray.TableChecksum())
	o.set("seed", w.r.Study.Options.Seed)
	if w.opt.Invented != "" {
		o.set("invented", w.opt.Invented)
	}
	return o
}

// result is the whole answer.
func (w *writer) result() object {
	r := w.r
	o := w.head()
	o.set("title", r.Study.Title)
	settings := object{}
	for _, s := range w.settings {
		settings.set(s.Key, object{{"value", s.Value}, {"origin", string(s.Origin)}})
	}
	o.set("settings", settings)
	inputs := []object{}
	for _, f := range r.Fields {
		in := object{{"field", f.Name}, {"file", f.Input}}
		if f.SHA256 != "" {
			in.set("sha256", f.SHA256)
		} else {
			in.set("sha256", nil)
			in.set("sha256_reason", "not a file or not stated")
		}
		inputs = append(inputs, in)
	}
	o.set("inputs", inputs)
	o.set("warnings", nonNil(w.remarks))
	w.comparison(&o)
	o.set("target", object{{"material", r.Target.Material.String()}, {"own_family", r.Target.Own}})
	confusers := []object{}
	for _, c := range r.Confusers {
		confusers = append(confusers, object{{"material", c.Material.String()}, {"own_family", c.Own}})
	}
	o.set("confusers", confusers)
	rows := []object{}
	for i := range r.Fields {
		f := &r.Fields[i]
		rows = append(rows, object{{"field", w.field(f)}, {"spots", w.spotList(f, f.Spots.Spots)},
			{"rejected", w.spotList(f, f.Spots.Rejected)}, {"limit", w.limit(f)}, {"files", w.fieldFiles[i]}})
	}
	o.set("fields", rows)
	o.set("occurrences", occurrenceObjects(r.Occurrences))
	o.number("blank_counts", r.BlankCounts, "")
	o.set("fit", w.fit())
	o.set("files", append(nonNil(w.files), "index.html", "result.json"))
	return o
}

// fit is the fit of the pooled sum spectrum.
func (w *writer) fit() object {
	r := w.r.Fit
	o := object{{"status", r.Status.String()}}
	o.number("deviance", r.Deviance, "")
	o.number("expected_deviance", r.ExpectedDeviance, "")
	o.set("degrees_of_freedom", r.DegreesOfFreedom)
	cal := object{}
	cal.number("offset_ev", r.Calibration.OffsetEV, "")
	cal.number("gain_ev", r.Calibration.GainEV, "")
	cal.number("fwhm_mn_ev", r.FWHMManganese(), "")
	o.set("calibration", cal)
	families := []object{}
	for _, f := range r.Families {
		row := object{{"symbol", f.Element.Symbol()}, {"family", f.Family.String()}}
		row.number("net_counts", f.NetCounts, "")
		row.number("sigma", f.Sigma, "")
		row.set("at_zero", f.AtZero)
		families = append(families, row)
	}
	o.set("families", families)
	return o
}

// counted says how many spots got which verdict, in words.
func counted(list []fields.Spot) string {
	var parts []string
	for _, v := range []struct {
		verdict fields.Verdict
		words   string
	}{{fields.TargetVerdict, "target"}, {fields.OtherCompound, "other compound"}, {fields.Artefact, "artefact"},
		{fields.SubstrateSpot, "substrate"}, {fields.CannotTell, "cannot tell"}} {
		n := 0
		for _, s := range list {
			if s.Verdict == v.verdict {
				n++
			}
		}
		if n > 0 {
			parts = append(parts, itoa(n)+" “"+v.words+"”")
		}
	}
	return strings.Join(parts, ", ")
}
