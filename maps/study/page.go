package study

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"example.org/fleck/maps/compare"
	"example.org/fleck/maps/report"
	"example.org/fleck/spectra/fit"
	"example.org/fleck/spectra/xray"
)

// page writes index.html.
func (w *writer) page() error {
	d := w.reportData()
	_, err := w.file("index.html", func(out io.Writer) error { return report.Write(out, d) })
	return err
}

// otherMapsBytes bounds the figures of other lines within the page, so that it
// stays a file that can be mailed; the rest lies beside it.
const otherMapsBytes = 5 << 19

// reportData is what the page shows.
func (w *writer) reportData() report.Data {
	r := w.r
	d := report.Data{Title: r.Study.Title, Invented: w.opt.Invented, Verdict: w.verdictSentence(), ErrorRates: w.errorRates(), Brief: w.brief(), Asked: w.asked()}
	if len(r.Fields) > 0 {
		d.LeastP = 1 / float64(r.Fields[0].Spots.Options.Bootstrap+1)
	}
	if d.Title == "" {
		d.Title = "Search for " + r.Target.Material.Name
	}
	room := otherMapsBytes
	for i, p := range w.figures.panels {
		img := w.panelImage(p)
		if i == 0 && p.of.name == r.Target.Own {
			d.TargetMaps = &img
			continue
		}
		if room -= len(img.Data); room < 0 {
			d.MapsBeside = append(d.MapsBeside, report.File{Name: p.file, What: p.of.name + ", " + p.of.why})
			continue
		}
		d.OtherMaps = append(d.OtherMaps, img)
	}
	for i := range r.Fields {
		d.Fields = append(d.Fields, w.reportField(i))
	}
	d.Comparison = w.reportComparison()
	if d.Comparison == nil {
		d.NoCompare = "it needs treated and untreated fields"
	}
	for _, o := range r.Occurrences {
		d.Occurrences = append(d.Occurrences, report.Occurrence{Compound: o.Compound, Treated: o.Treated, Blank: o.Blank, PValue: o.PValue, Substrate: o.Marked})
	}
	d.Arms = w.reportArms()
	d.Spectra = w.spectra()
	for _, f := range r.Fit.Families {
		d.Families = append(d.Families, w.reportFamily(f))
	}
	for _, s := range w.settings {
		d.Settings = append(d.Settings, report.Setting{Key: s.Key, Value: s.text(), Origin: string(s.Origin)})
	}
	for _, f := range r.Fields {
		d.Inputs = append(d.Inputs, report.Input{Field: f.Name, Name: f.Input, SHA256: f.SHA256})
	}
	d.Viewer = w.viewer()
	d.Methods = w.methods()
	d.Checklist = w.checklist()
	d.Cite = w.cite()
	d.Sources = w.sources()
	d.Remarks = w.remarks
	if w.opt.Repeat != "" {
		d.Repeat = []string{w.opt.Repeat}
	}
	d.Files = w.describeFiles()
	return d
}

// asked says what was looked for and where.
func (w *writer) asked() []report.Fact {
	r := w.r
	var out []report.Fact
	add := func(name, format string, args ...any) {
		out = append(out, report.Fact{Name: name, Value: fmt.Sprintf(format, args...)})
	}
	add("Target", "%s, told by %s", r.Target.Material.String(), r.Target.Own)
	add("Substrate", "%s", r.Study.Substrate.String())
	if c := r.Study.Coating; c != nil {
		order := map[string]string{"under": "under the particles (coated before)", "over": "over the particles (coated afterwards)", "both": "under and over the particles"}
		add("Coating", "%s, %s", c.String(), order[string(r.Study.Order)])
	} else {
		add("Coating", "none stated")
	}
	if len(r.Study.Confusers) > 0 {
		add("Other compounds offered", "%s", strings.Join(materialNames(r.Study.Confusers), ", "))
	} else {
		add("Other compounds offered", "none: a verdict “target” rests on the ratio of the lines alone")
	}
	add("Beam energy", "%s", w.beamText())
	counts, pixels := 0.0, 0
	for _, f := range r.Fields {
		counts += float64(f.Sums.Total)
		pixels += f.Header.Pixels()
	}
	add("Fields", "%s, %s counts per pixel on average", w.fieldSize(), report.Number(math.Round(counts/float64(pixels))))
	add("Roles", "%s", w.roleText())
	return out
}

func (w *writer) beamText() string {
	s := w.r.Sum
	beam := fmt.Sprintf("%s keV", report.Number(s.BeamEnergy.KeV()))
	if s.TakeOff > 0 {
		return beam + fmt.Sprintf(", take-off angle %s°", report.Number(s.TakeOff.Degrees()))
	}
	return beam + ", take-off angle not stated"
}

// fieldSize says how large the fields are.
func (w *writer) fieldSize() string {
	h := w.r.Fields[0].Header
	size := fmt.Sprintf("%d × %d pixels", h.Width, h.Height)
	for _, f := range w.r.Fields {
		if f.Header.Width != h.Width || f.Header.Height != h.Height {
			size = "fields of different size, pixels"
		}
	}
	if h.Pixel.Known() {
		return size + fmt.Sprintf(" of %s × %s µm", report.Number(h.Pixel.X.Um()), report.Number(h.Pixel.Y.Um()))
	}
	return size + ", pixel size not known"
}

// roleText counts fields and coupons of every role.
func (w *writer) roleText() string {
	var out []string
	for _, role := range roles {
		n := 0
		coupons := map[string]bool{}
		for _, f := range w.r.Fields {
			if f.Role == role {
				n++
				coupons[f.Coupon] = true
			}
		}
		if n > 0 {
			out = append(out, fmt.Sprintf("%d %s on %s", n, report.RoleWords(string(role)), countOf(len(coupons), "coupon", "coupons")))
		}
	}
	return strings.Join(out, "; ")
}

func (w *writer) panelImage(p panel) report.Image {
	caption := fmt.Sprintf("%s (%s) in all fields, in one display range from 0 to %s counts.", p.of.name, p.of.why, report.Number(p.of.scale.High))
	if p.above > 0 {
		caption += fmt.Sprintf(" It covers %s of all pixels; %s above it and take its end colour, so that a few bright places do not hide the others.", percent(displayShare), countOf(p.above, "lies", "lie"))
	}
	var names []string
	order, columns := w.panelOrder()
	for _, i := range order {
		names = append(names, fieldLabel(w.r.Fields[i].Field))
	}
	if c := w.r.Comparison; c != nil && c.Options.Paired && columns == 2 {
		caption += " Each row is one coupon, before the treatment on the left and after it on the right."
	}
	alt := fmt.Sprintf("Maps of %s net counts beside each other in one colour scale: %s.", p.of.name, strings.Join(names, ", "))
	return report.Image{Data: p.data, Alt: alt, Caption: caption, File: p.file}
}

func (w *writer) reportField(i int) report.Field {
	f := &w.r.Fields[i]
	out := report.Field{Name: f.Name, Coupon: f.Coupon, Role: string(f.Role), PValue: f.Spots.PValue, Detected: f.Spots.Detected,
		ExpectedFalse: f.Spots.ExpectedFalse, AreaMm2: w.probedMm2(f), Finding: w.finding(f)}
	if f.Coupon == f.Name {
		out.Coupon = ""
	}
	for _, s := range f.Spots.Spots {
		size := w.r.Size(i, s)
		out.Spots = append(out.Spots, report.Spot{ID: s.ID, SphereNM: size.DiameterNM, SphereLowNM: size.LowNM, SphereHighNM: size.HighNM, XUm: s.XUm, YUm: s.YUm, XPx: s.XPx, YPx: s.YPx, DiameterUm: s.DiameterUm, Unresolved: s.Unresolved,
			ExcessCounts: s.ExcessCounts, ExcessSigma: s.ExcessSigma, LineCounts: s.LineCounts, LineSigma: s.LineSigma, QValue: s.QValue,
			Verdict: s.Verdict, Compound: s.Compound, Reason: s.Reason})
	}
	l := f.Spots.Limit
	out.Limit = report.Limit{ExcessCounts: l.ExcessCounts, Probability: l.Probability, Reason: l.Reason}
	out.Limit.SphereNM, _ = w.sphereNM(f, l.ExcessCounts)
	m := w.figures.spotMaps[i]
	alt := fmt.Sprintf("Map of the field %s in greys with %s", f.Name, "no spots marked.")
	if n := len(f.Spots.Spots); n > 0 {
		alt = fmt.Sprintf("Map of the field %s in greys with %s marked: %s.", f.Name, countOf(n, "spot", "spots"), counted(f.Spots.Spots))
	}
	own, _ := w.ownMap(f)
	out.SpotMap = &report.Image{Data: m.data, Alt: alt, Caption: "Spots on the map of " + own.What + ".", File: m.file}
	return out
}

// finding is the outcome of a field in one or two sentences.
func (w *writer) finding(f *FieldResult) string {
	s := f.Spots
	p := report.PValue(s.PValue)
	text := ""
	if s.Detected {
		text = fmt.Sprintf("A spot that may be %s passes the decision threshold (p = %s).", w.r.Target.Material.Name, p)
	} else {
		text = fmt.Sprintf("No spot that may be %s passes the decision threshold (p = %s).", w.r.Target.Material.Name, p)
	}
	if n := len(s.Spots); n > 0 {
		text += fmt.Sprintf(" %s listed: %s.", countOf(n, "spot is", "spots are"), counted(s.Spots))
	}
	if n := len(s.Rejected); n > 0 {
		text += fmt.Sprintf(" %s out, but without %s: not listed.", countOf(n, "place stands", "places stand"), w.r.Target.Own)
	}
	if stable := f.stable(); stable != "" {
		text += " " + stable
	}
	return text
}

func (w *writer) reportComparison() *report.Comparison {
	c := w.r.Comparison
	if c == nil {
		return nil
	}
	unit := w.densityUnit()
	out := &report.Comparison{TreatedSpots: c.Spots[0], BlankSpots: c.Spots[1], TreatedCoupons: c.Coupons[0], BlankCoupons: c.Coupons[1],
		Replicate: c.Unit, UpperLimit: c.Limit.PerMm2, UpperLimitUnit: unit, UpperLimitReason: c.Limit.Reason, Remarks: c.Remarks, Mean: w.meanText()}
	if m := w.r.Mean; m != nil && m.Reason != "" {
		out.Remarks = append(slices.Clone(out.Remarks), "field means: "+m.Reason)
	}
	if g := w.figures.comparison; g != nil {
		out.Figure = &report.Image{Data: g.data, File: g.file,
			Alt:     fmt.Sprintf("Density of target spots in each field, by coupon: treated %s, blank %s %s.", report.Number(c.Density.TreatedPerMm2), report.Number(c.Density.BlankPerMm2), unit),
			Caption: "Each point is a field, points of one coupon share a line; the bars are the estimates of the two sides with their 95 % coverage intervals."}
	}
	if g := w.figures.sizes; g != nil {
		out.Sizes = &report.Image{Data: g.data, File: g.file,
			Alt:     "Histogram of the diameters of target spots on treated and on blank fields, with coverage intervals of the numbers.",
			Caption: "Diameters of the target spots that are resolved, in numbers per bin; columns of the same bin stand side by side between the dashed lines; bars are coverage intervals of a Poisson mean (Garwood 1936), which empty bins have as well. Spots that are not resolved have no diameter and are left out."}
	}
	d := c.Density
	out.Rows = []report.ComparisonRow{{Quantity: "Target spots", Unit: unit, Treated: d.TreatedPerMm2, TLow: d.TreatedLow, THigh: d.TreatedHigh,
		Blank: d.BlankPerMm2, BLow: d.BlankLow, BHigh: d.BlankHigh, Ratio: d.Ratio, RLow: d.Low, RHigh: d.High, PValue: d.PValue, Method: d.Method, Reason: differenceText(d.Reason, d.Difference, d.DifferenceLow, d.DifferenceHigh, unit)}}
	for _, x := range []struct {
		name, unit string
		c          compare.Comparison
		factor     float64
	}{{"Covered area", "%", c.AreaFraction, 100}, {"Target counts", unit, c.Signal, 1}} {
		v := x.c
		out.Rows = append(out.Rows, report.ComparisonRow{Quantity: x.name, Unit: x.unit, Treated: x.factor * v.Treated, TLow: x.factor * v.TreatedLow, THigh: x.factor * v.TreatedHigh,
			Blank: x.factor * v.Blank, BLow: x.factor * v.BlankLow, BHigh: x.factor * v.BlankHigh, Ratio: v.Ratio, RLow: v.Low, RHigh: v.High,
			PValue: v.PValue, Method: v.Method, Reason: differenceText(v.Reason, x.factor*v.Difference, x.factor*v.DifferenceLow, x.factor*v.DifferenceHigh, x.unit)})
	}
	return out
}

// differenceText adds the difference of the two sides to the reason why a ratio lacks
// an end.
func differenceText(reason string, v, low, high float64, unit string) string {
	if reason == "" || math.IsNaN(v) || math.IsNaN(low) || math.IsNaN(high) {
		return reason
	}
	return fmt.Sprintf("%s; difference %s %s, 95 %% interval %s to %s", reason, report.Number(v), unit, report.Number(low), report.Number(high))
}

func (w *writer) spectra() []report.Image {
	var out []report.Image
	if g := w.figures.spectrum; g != nil {
		out = append(out, report.Image{Data: g.data, File: g.file,
			Alt:     "Sum spectrum of all fields on a logarithmic scale with the fitted model, its continuum, the parts of the strongest elements and, below, the residuals.",
			Caption: "Sum spectrum with the fitted model, its continuum and the parts of the strongest elements; residuals below in standard deviations. Lines are labelled in IUPAC notation. The data: sum_spectrum.msa."})
	}
	if g := w.figures.own; g != nil {
		out = append(out, report.Image{Data: g.data, File: g.file,
			Alt:     "The same spectrum around " + w.r.Target.Own + " on a linear scale.",
			Caption: "The stretch around " + w.r.Target.Own + ", where the decision falls."})
	}
	return out
}

func (w *writer) reportFamily(f fit.FamilyResult) report.Family {
	out := report.Family{Name: f.Family.String(), NetCounts: f.NetCounts, Sigma: f.Sigma, AtZeroBound: f.AtZero,
		OfTarget: w.r.Target.Material.Fraction(f.Element) > 0}
	if line, ok := fit.MainLine(f.Element, f.Family.Family, w.r.Sum.BeamEnergy); ok {
		out.Line, out.EnergyEV = line.String(), float64(line.Energy)
	}
	return out
}

func (w *writer) sources() []report.Fact {
	r := w.r
	out := []report.Fact{
		{Name: "Program", Value: strings.TrimSpace("fleck " + w.opt.Version)},
		{Name: "Platform", Value: w.opt.Platform},
		{Name: "Atomic data tables", Value: "checksum " + xray.TableChecksum()},
		{Name: "Seed of random numbers", Value: strconv.FormatUint(r.Study.Options.Seed, 10)},
		{Name: "Blank spectrum", Value: report.Number(math.Round(r.BlankCounts)) + " counts of untreated fields, without their spots"},
		{Name: "Fit of the sum spectrum", Value: fmt.Sprintf("%s; deviance %s, %s expected of a perfect model; resolution %s eV at Mn K-L3", r.Fit.Status,
			report.Number(r.Fit.Deviance), report.Number(r.Fit.ExpectedDeviance), report.Number(r.Fit.FWHMManganese()))},
	}
	if r.BlankCounts == 0 {
		out[4].Value = "none: the substrate spectrum comes from the fields themselves"
	}
	if w.opt.Platform == "" {
		out[1].Value = "not stated"
	}
	if w.opt.Version == "" {
		out[0].Value = "fleck, version not stated"
	}
	return out
}

// describeFiles says what lies beside the page.
func (w *writer) describeFiles() []report.File {
	out := []report.File{
		{Name: "result.json", What: "everything on this page as data, with settings and all file names"},
		{Name: "spots.csv, spots.json", What: "all spots of all fields"},
	}
	if w.r.Comparison != nil {
		out = append(out, report.File{Name: "comparison.json, comparison.png, comparison.svg", What: "treated against blank"})
	}
	if w.figures.sizes != nil {
		out = append(out, report.File{Name: "sizes.png, sizes.svg", What: "diameters of the target spots"})
	}
	out = append(out,
		report.File{Name: "sum_spectrum.msa", What: "sum spectrum of all fields, ISO 22029"},
		report.File{Name: "sum_spectrum….png, ….svg", What: "the same with its fit"},
		report.File{Name: "maps_….png", What: "a line in all fields, in one display range"})
	for i, f := range w.r.Fields {
		folder := ""
		if name, ok := w.fieldFiles[i].Get("spots").(string); ok {
			folder, _, _ = strings.Cut(name, "/")
		}
		if i == 0 {
			out = append(out, report.File{Name: folder + "/", What: "field " + f.Name + ": for every line net counts (.npy) and their standard uncertainty (_sigma.npy), for the lines shown here also .tif (32-bit) and .png; the uncertainty and the significance of the target’s own line and an overlay of lines as .png; spectra.json (every spot, its surroundings and the whole field, with fits); status.npy (0 ok, 1 empty, 2 not converged, 3 failed), continuum.npy, counts.npy, likelihood.npy (log-likelihood ratio of the search), phases.npy (phase of the substrate of every pixel, where there are several), spots.png"})
			continue
		}
		out = append(out, report.File{Name: folder + "/", What: "the same of field " + f.Name})
	}
	return out
}
