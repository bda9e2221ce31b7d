package study

import (
	"strings"

	fields "example.org/fleck/maps"
	"example.org/fleck/maps/record"
	"example.org/fleck/spectra/xray"
)

// condition is what every row carries.
func (w *writer) condition() record.Object {
	o := record.Of("beam_kev", w.r.Sum.BeamEnergy.KeV(), "substrate", w.r.Study.Substrate.String())
	coating := ""
	if c := w.r.Study.Coating; c != nil {
		coating = c.String()
	}
	o.Text("coating", coating, record.NoneGiven)
	return o
}

func (w *writer) spotList(f *FieldResult, list []fields.Spot) []record.Object {
	which := record.Of("field", f.Name, "coupon", f.Coupon, "role", string(f.Role))
	return record.Spots(which, list, w.condition())
}

// field is the verdict on a field.
func (w *writer) field(f *FieldResult) record.Object {
	o := record.Of("name", f.Name, "coupon", f.Coupon, "role", string(f.Role))
	o.Set("width", f.Header.Width)
	o.Set("height", f.Header.Height)
	o.Set("frames", f.frames())
	o.Number("counts_total", float64(f.Sums.Total), "")
	o.Number("area_mm2", areaMm2(f), record.NoPixelSize)
	o.Number("area_probed_mm2", w.probedMm2(f), record.NoPixelSize)
	record.Search(&o, f.Spots)
	o.Set("pixels_empty", f.Maps.Empty)
	o.Set("pixels_not_fitted", f.Maps.NotFitted)
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
func (w *writer) limit(f *FieldResult) record.Object {
	l := f.Spots.Limit
	sphere, why := w.sphereNM(f, l.ExcessCounts)
	if l.Reason != "" {
		why = l.Reason
	}
	var more record.Object
	more.Number("sphere_nm", sphere, why)
	return record.Limit(l, more, w.condition())
}

// comparison sets the keys of the comparison.
func (w *writer) comparison(o *record.Object) {
	c := w.r.Comparison
	if c == nil {
		o.Set("verdict", nil)
		o.Set("verdict_reason", "a comparison needs treated and blank fields")
		return
	}
	o.Set("verdict", w.verdictText())
	said := *c
	said.Above.Statement = w.inPixels(said.Above.Statement)
	record.Comparison(o, &said, w.scaled, w.condition())
}

// head is what every JSON output begins with.
func (w *writer) head() record.Object {
	o := record.Of("fleck_format", FormatNumber)
	if w.opt.Command != "" {
		o.Set("command", w.opt.Command)
	}
	o.Set("version", w.opt.Version)
	o.Set("platform", w.opt.Platform)
	o.Set("table_checksum", xray.TableChecksum())
	o.Set("seed", w.r.Study.Options.Seed)
	if w.opt.Invented != "" {
		o.Set("invented", w.opt.Invented)
	}
	return o
}

// result is the whole answer.
func (w *writer) result() record.Object {
	r := w.r
	o := w.head()
	o.Set("title", r.Study.Title)
	settings := record.Object{}
	for _, s := range w.settings {
		v := record.Of("value", s.Value, "origin", string(s.Origin))
		if s.Value == nil {
			v.Set("value_reason", record.NoneGiven)
		}
		settings.Set(s.Key, v)
	}
	o.Set("settings", settings)
	inputs := []record.Object{}
	for _, f := range r.Fields {
		in := record.Of("field", f.Name, "file", f.Input)
		if f.SHA256 != "" {
			in.Set("sha256", f.SHA256)
		} else {
			in.Set("sha256", nil)
			in.Set("sha256_reason", "not a file or not stated")
		}
		inputs = append(inputs, in)
	}
	o.Set("inputs", inputs)
	o.Set("warnings", record.List(w.remarks))
	w.comparison(&o)
	if len(w.otherArms) > 0 {
		o.Set("arms", w.arms())
	}
	o.Set("target", record.Of("material", r.Target.Material.String(), "own_family", r.Target.Own))
	confusers := []record.Object{}
	for _, c := range r.Confusers {
		confusers = append(confusers, record.Of("material", c.Material.String(), "own_family", c.Own))
	}
	o.Set("confusers", confusers)
	rows := []record.Object{}
	for i := range r.Fields {
		f := &r.Fields[i]
		row := record.Of("field", w.field(f), "spots", w.spotList(f, f.Spots.Spots),
			"rejected", w.spotList(f, f.Spots.Rejected), "limit", w.limit(f))
		record.Halves(&row, f.Stability)
		row.Set("files", w.fieldFiles[i])
		rows = append(rows, row)
	}
	o.Set("fields", rows)
	if r.Mean != nil {
		o.Set("field_mean", record.Mean(r.Mean))
	}
	o.Set("occurrences", record.Occurrences(r.Occurrences))
	o.Number("blank_counts", r.BlankCounts, "")
	o.Set("fit", w.fit())
	o.Set("files", append(record.List(w.files), "index.html", "result.json"))
	return o
}

// fit is the fit of the pooled sum spectrum.
func (w *writer) fit() record.Object {
	r := w.r.Fit
	o := record.Of("status", r.Status.String())
	o.Number("deviance", r.Deviance, "")
	o.Number("expected_deviance", r.ExpectedDeviance, "")
	o.Set("degrees_of_freedom", r.DegreesOfFreedom)
	cal := record.Object{}
	cal.Number("offset_ev", r.Calibration.OffsetEV, "")
	cal.Number("gain_ev", r.Calibration.GainEV, "")
	cal.Number("fwhm_mn_ev", r.FWHMManganese(), "")
	o.Set("calibration", cal)
	families := []record.Object{}
	for _, f := range r.Families {
		row := record.Of("symbol", f.Element.Symbol(), "family", f.Family.String())
		row.Number("net_counts", f.NetCounts, "")
		row.Number("sigma", f.Sigma, "")
		row.Set("at_zero", f.AtZero)
		families = append(families, row)
	}
	o.Set("families", families)
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
