package study

import (
	"fmt"
	"math"
	"strings"

	fields "example.org/fleck/maps"
	"example.org/fleck/maps/report"
)

// What guides of the trade expect a report to state, by the number of the guide.
// The bodies of the standards were not at hand: the items are common practice in
// our own words.
const (
	iso22309 = "ISO 22309"
	iso17470 = "ISO 17470"
	iso11938 = "ISO 11938"
	iso11929 = "ISO 11929"
	iso15632 = "ISO 15632"
	custom   = "common practice"
)

// checks collects the items of one part of the checklist.
type checks struct {
	report.CheckGroup
}

// add adds an item that is stated where the value is not empty.
func (c *checks) add(after, subject, value, otherwise string) {
	item := report.CheckItem{Subject: subject, State: report.Stated, Value: value, After: after}
	if value == "" {
		item.State, item.Value = report.NotStated, otherwise
	}
	c.Items = append(c.Items, item)
}

// none adds an item that has no place here.
func (c *checks) none(after, subject, why string) {
	c.Items = append(c.Items, report.CheckItem{Subject: subject, State: report.NotApplicable, Value: why, After: after})
}

func group(name string) *checks { return &checks{report.CheckGroup{Name: name}} }

const unknown = "the input does not hold it; add it to your report"

// checklist says what the page states and what it cannot.
func (w *writer) checklist() []report.CheckGroup {
	return []report.CheckGroup{w.checkIdentity(), w.checkSpecimen(), w.checkInstrument(), w.checkQualitative(), w.checkQuantitative(), w.checkMaps(), w.checkDetection()}
}

func (w *writer) checkIdentity() report.CheckGroup {
	c := group("Identity")
	c.add(custom, "laboratory, operator, date, report number", "", unknown)
	var coupons []string
	for _, f := range w.r.Fields {
		if f.Coupon != "" && !containsText(coupons, f.Coupon) {
			coupons = append(coupons, f.Coupon)
		}
	}
	c.add(iso22309, "specimens", strings.Join(coupons, ", "), "coupons are not named")
	c.add(iso22309, "origin and storage of the specimens", "", unknown)
	c.add(custom, "program and version", w.opt.Version, "the version is not stated")
	sums := "checksums below"
	for _, f := range w.r.Fields {
		if f.SHA256 == "" {
			sums = ""
		}
	}
	c.add(custom, "input files with checksums", sums, "not every input is a file with a checksum")
	return c.CheckGroup
}

func containsText(list []string, text string) bool {
	for _, x := range list {
		if x == text {
			return true
		}
	}
	return false
}

func (w *writer) checkSpecimen() report.CheckGroup {
	r := w.r
	c := group("Specimen")
	c.add(iso22309, "substrate", r.Study.Substrate.String(), "")
	coating := ""
	if r.Study.Coating != nil {
		coating = r.Study.Coating.String() + ", " + string(r.Study.Order)
	}
	c.add(iso22309, "coating, thickness, order", coating, "none stated: taken as uncoated")
	c.add(iso22309, "preparation and surface state", "", unknown)
	tilt := ""
	if r.Sum.Tilt != 0 {
		tilt = fmt.Sprintf("%s°", report.Number(r.Sum.Tilt.Degrees()))
	}
	c.add(iso22309, "tilt", tilt, "taken as 0°")
	c.add(custom, "size of particles against the interaction volume", "thin particles on the substrate; see diameters under Spots", "")
	return c.CheckGroup
}

func (w *writer) checkInstrument() report.CheckGroup {
	r := w.r
	s := r.Sum
	c := group("Instrument and acquisition")
	c.add(iso22309, "beam energy", report.Number(s.BeamEnergy.KeV())+" keV", "")
	landing := ""
	if r.Fit.LandingEnergy > 0 {
		landing = report.Measured(r.Fit.LandingEnergy.KeV(), r.Fit.LandingSigma.KeV()) + " keV (counting alone; the law it follows is good to 1 %)"
	}
	c.add(custom, "landing energy from the Duane–Hunt limit", landing, "not fitted")
	takeOff := ""
	if s.TakeOff > 0 {
		takeOff = report.Number(s.TakeOff.Degrees()) + "°"
	}
	c.add(iso22309, "take-off angle", takeOff, "not stated in the input")
	c.add(iso15632, "energy resolution at Mn K-L3", fmt.Sprintf("%s eV, from the fit of the sum spectrum", report.Number(r.Fit.FWHMManganese())), "")
	c.add(iso15632, "count rate at which the resolution holds", "", unknown)
	c.add(iso15632, "detector: window, crystal, solid angle", r.Study.Detector.Name, "defaults of the program; see settings")
	c.add(custom, "energy calibration", fmt.Sprintf("first channel %s eV, %s eV per channel, from the fit", report.Number(r.Fit.Calibration.OffsetEV), report.Number(r.Fit.Calibration.GainEV)), "")
	current := ""
	if s.ProbeCurrentNA > 0 {
		current = report.Number(s.ProbeCurrentNA) + " nA"
	}
	c.add(iso22309, "probe current and its drift", current, unknown)
	live := ""
	if s.LiveTimeS > 0 {
		live = report.Number(s.LiveTimeS) + " s over all fields"
	}
	c.add(iso22309, "live time", live, "not stated in the input")
	dead := ""
	if v := s.DeadTimeFraction(); !math.IsNaN(v) {
		dead = percent(v)
	}
	c.add(iso22309, "dead-time fraction", dead, "real and live time are not both stated in the input")
	return c.CheckGroup
}

func (w *writer) checkQualitative() report.CheckGroup {
	r := w.r
	c := group("Elements")
	var fitted, zero []string
	for _, f := range r.Fit.Families {
		if f.AtZero {
			zero = append(zero, f.Family.String())
			continue
		}
		fitted = append(fitted, f.Family.String())
	}
	c.add(iso17470, "line families fitted, main lines in IUPAC notation", strings.Join(fitted, ", "), "")
	c.add(iso17470, "families searched for and not shown by the sum spectrum", strings.Join(zero, ", "), "none: no family came out at zero")
	var near []string
	for _, f := range r.Families {
		if w.fallsOnOwn(f) {
			near = append(near, f.String())
		}
	}
	if len(near) > 0 {
		c.add(iso17470, "overlaps with "+r.Target.Own, strings.Join(near, ", ")+", fitted together", "")
	} else {
		c.add(iso17470, "overlaps with "+r.Target.Own, "none of the fitted families within one width", "")
	}
	c.add(iso17470, "artefacts considered", "escape and sum peaks, incomplete charge collection, silicon of the detector", "")
	c.add(iso17470, "peaks that nothing explains", "", "not searched for: only the elements of the settings are fitted")
	return c.CheckGroup
}

func (w *writer) checkQuantitative() report.CheckGroup {
	c := group("Quantities")
	c.none(iso22309, "mass fractions, standards, matrix correction, total", "counts only: particles this small are outside the range of the guide (flat, homogeneous, larger than the interaction volume)")
	c.add(iso22309, "background and peak-fitting method", "continuum and peaks fitted together by Poisson likelihood", "")
	c.add(iso22309, "uncertainty with its components and coverage factor", "standard uncertainties (k = 1) of counting and fit; coverage intervals with their level", "")
	c.add(iso22309, "repeat measurements", "", "the scatter between coupons enters the comparison; no field was measured twice as far as the input tells")
	return c.CheckGroup
}

func (w *writer) checkMaps() report.CheckGroup {
	r := w.r
	c := group("Maps")
	c.add(iso11938, "data treatment", "raw intensity method: net counts from a fit of every pixel", "")
	c.add(iso11938, "beam or stage mapping, drift correction", "", unknown)
	c.add(iso11938, "frames", w.frameText(), unknown)
	c.add(iso11938, "pixels and pixel size", w.fieldSize(), "")
	dwell := ""
	if h := r.Fields[0].Header; h.Conditions.LiveTimeS > 0 {
		dwell = fmt.Sprintf("%s ms of live time", report.Number(1000*h.Conditions.LiveTimeS/float64(h.Pixels())))
	}
	c.add(iso11938, "dwell time per pixel", dwell, "not stated in the input")
	c.add(iso11938, "background", "fitted in every pixel", "")
	c.add(iso11938, "display range, clipping, smoothing", "one linear range for all fields, its end and the pixels above it in the captions; no smoothing", "")
	bar := "in every map"
	if !w.scaled {
		bar = ""
	}
	c.add(iso11938, "scale bar", bar, "the pixel size is not known: bars count pixels")
	c.add(iso11938, "sum spectrum and spectra of places", "sum spectrum with its fit; spectra of all spots in spectra.json of each field", "")
	return c.CheckGroup
}

// frameText says how many frames the fields have and that their halves were compared;
// "" where none has any.
func (w *writer) frameText() string {
	low, high, n := 0, 0, 0
	for i := range w.r.Fields {
		if f := &w.r.Fields[i]; f.Stability != nil {
			if n++; n == 1 {
				low, high = f.frames(), f.frames()
			}
			low, high = min(low, f.frames()), max(high, f.frames())
		}
	}
	if n == 0 {
		return ""
	}
	text := span(float64(low), float64(high)) + " added up, first against second half tested"
	if n < len(w.r.Fields) {
		text += fmt.Sprintf(", in %d of %d fields", n, len(w.r.Fields))
	}
	return text
}

func (w *writer) checkDetection() report.CheckGroup {
	r := w.r
	o := r.Fields[0].Spots.Options
	c := group("Detection")
	c.add(iso11929, "measurand", fmt.Sprintf("excess counts of the pattern of %s per spot, and those of its %s lines", r.Target.Material.Name, r.Target.Own), "")
	blanks, flagged := 0, 0
	pixels := 0
	for _, f := range r.Fields {
		pixels += f.Header.Pixels()
		if f.Role == fields.Untreated {
			blanks++
			flagged += len(f.Spots.Spots)
		}
	}
	model := ""
	if blanks > 0 {
		model = fmt.Sprintf("%s, %s counts", countOf(blanks, "field", "fields"), report.Number(math.Round(r.BlankCounts)))
	}
	c.add(iso11929, "blank fields", model, "none: the substrate spectrum comes from the fields themselves")
	c.add(iso11929, "decision threshold and false-alarm rate", fmt.Sprintf("%s per field, from %d replicas", percent(o.Alpha), o.Bootstrap), "")
	c.add(iso11929, "number of places tested", fmt.Sprintf("%s pixels in %d widths", report.Number(float64(pixels)), len(o.Widths)), "")
	limit := ""
	if !r.Study.Options.NoLimit {
		limit = "by field, under Limits"
	}
	c.add(iso11929, "detection limit", limit, "left out (setting limit)")
	c.add(custom, "spots flagged on blank fields", map[bool]string{true: fmt.Sprint(flagged)}[blanks > 0], "no blank fields")
	c.add(custom, "rule of confirmation", "the own lines must be significant by themselves; the compound by the ratio of all lines", "")
	return c.CheckGroup
}
