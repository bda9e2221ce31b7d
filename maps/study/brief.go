package study

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"

	fields "example.org/fleck/maps"
	"example.org/fleck/maps/report"
)

// exponent finds numbers such as 6.33e+03.
var exponent = regexp.MustCompile(`[0-9.]+e[+-][0-9]+`)

// verdictText is the verdict of the comparison, in pixels where the pixel size
// is not known.
func (w *writer) verdictText() string {
	return w.inPixels(w.r.Verdict(w.r.Comparison))
}

// inPixels says what a text says of areas in pixels where their size is not known.
func (w *writer) inPixels(text string) string {
	if !w.scaled {
		text = strings.ReplaceAll(text, "per mm²", "per 10⁶ pixels")
		text = strings.ReplaceAll(text, " mm²", " · 10⁶ pixels")
	}
	return text
}

// negative finds the sign of a number, but neither a hyphen nor an exponent.
var negative = regexp.MustCompile(`(^|[\s(])-([0-9.])`)

// readable writes numbers such as 6.33e+03 and -2 in a text as the page writes them.
func readable(text string) string {
	text = negative.ReplaceAllString(text, "${1}−${2}")
	return exponent.ReplaceAllStringFunc(text, func(s string) string {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			return s
		}
		return report.Number(v)
	})
}

// verdictSentence is the verdict of the page.
func (w *writer) verdictSentence() string {
	if w.r.Comparison != nil {
		return readable(w.verdictText())
	}
	if doubt := w.r.SubstrateDoubt(); doubt != "" {
		return doubt + " " + w.fieldsSentence()
	}
	return w.fieldsSentence()
}

// fieldsSentence is the verdict where nothing is compared.
func (w *writer) fieldsSentence() string {
	name := w.r.Target.Material.Name
	passed, target := 0, 0
	for i := range w.r.Fields {
		f := &w.r.Fields[i]
		if f.Spots.Detected {
			passed++
		}
		target += f.Observation.Spots
	}
	n := len(w.r.Fields)
	switch {
	case passed == 0:
		return fmt.Sprintf("No spot with the pattern of %s passes the decision threshold on %s; spots below the detection limit may be there.", name, ofFields(0, n))
	case target == 0:
		return fmt.Sprintf("Spots that show %s pass the decision threshold on %s, but none of them is told to be %s.", w.r.Target.Own, ofFields(passed, n), name)
	}
	return fmt.Sprintf("Spots that show %s pass the decision threshold on %s; %s to be %s.", w.r.Target.Own, ofFields(passed, n), countOf(target, "of them is told", "of them are told"), name)
}

func ofFields(k, n int) string {
	switch {
	case n == 1:
		return "the one field"
	case k == 0:
		return fmt.Sprintf("any of the %d fields", n)
	case k == n:
		return fmt.Sprintf("all %d fields", n)
	}
	return fmt.Sprintf("%d of %d fields", k, n)
}

func countOf(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return itoa(n) + " " + many
}

// errorRates says how often such verdicts are wrong.
func (w *writer) errorRates() string {
	if len(w.r.Fields) == 0 {
		return ""
	}
	o := w.r.Fields[0].Spots.Options
	text := ""
	if c := w.r.Comparison; c != nil {
		text = fmt.Sprintf("Error rates: where treated and blank coupons do not differ, an excess is reported in %s of comparisons; ", percent(c.Options.Alpha))
	} else {
		text = "Error rates: "
	}
	return text + fmt.Sprintf("a field without any spot that shows %s passes its decision threshold in %s of cases; of the spots listed, at most %s are expected to be false on average.",
		w.r.Target.Own, percent(o.Alpha), percent(o.Q))
}

// uncounted says how many spots the verdict leaves out because their compound
// is open.
func (w *writer) uncounted() string {
	var open []string
	total := 0
	for _, role := range roles {
		n := 0
		for i := range w.r.Fields {
			if f := &w.r.Fields[i]; f.Role == role {
				for _, s := range f.Spots.Spots {
					if s.Verdict == fields.CannotTell {
						n++
					}
				}
			}
		}
		if n > 0 {
			open = append(open, fmt.Sprintf("%d on %s fields", n, report.RoleWords(string(role))))
			total += n
		}
	}
	if total == 0 {
		return ""
	}
	return fmt.Sprintf("Not counted: %s that %s %s but whose compound cannot be told (%s).", countOf(total, "spot", "spots"), map[bool]string{true: "shows", false: "show"}[total == 1],
		w.r.Target.Own, strings.Join(open, ", "))
}

func percent(v float64) string { return report.Number(100*v) + " %" }

// brief is what the first screen says beside the verdict.
func (w *writer) brief() report.Brief {
	return report.Brief{Tested: w.tested(), Found: w.found(), HowSure: w.howSure(), Limits: w.limits()}
}

func (w *writer) tested() []string {
	r := w.r
	what := fmt.Sprintf("%s, told by its %s lines, on %s", r.Target.Material.Name, r.Target.Own, r.Study.Substrate.Name)
	if c := r.Study.Coating; c != nil {
		what += fmt.Sprintf(", coated with %s (%s the particles)", c.String(), map[string]string{"under": "under", "over": "over", "both": "under and over"}[string(r.Study.Order)])
	}
	area := 0.0
	for i := range r.Fields {
		area += w.probedMm2(&r.Fields[i])
	}
	where := w.roleText() + "; " + w.fieldSize()
	if !math.IsNaN(area) {
		where += fmt.Sprintf(", %s mm² in all", report.Number(area))
	}
	return []string{what + ".", where + ".", fmt.Sprintf("Energy-dispersive X-ray maps at %s keV.", report.Number(r.Sum.BeamEnergy.KeV()))}
}

func (w *writer) found() []string {
	var out []string
	if c := w.r.Comparison; c != nil {
		d, unit := c.Density, w.densityUnit()
		out = append(out,
			fmt.Sprintf("%s told to be %s on treated fields, %d on blank fields.", countOf(c.Spots[0], "spot", "spots"), w.r.Target.Material.Name, c.Spots[1]),
			fmt.Sprintf("Treated %s %s, blank %s.", withInterval(d.TreatedPerMm2, d.TreatedLow, d.TreatedHigh), unit, withInterval(d.BlankPerMm2, d.BlankLow, d.BlankHigh)))
		if s := c.Above.Statement; s != "" {
			out = append(out, readable(w.inPixels(s)))
		}
	} else {
		n, all := 0, 0
		for i := range w.r.Fields {
			n += w.r.Fields[i].Observation.Spots
			all += len(w.r.Fields[i].Spots.Spots)
		}
		out = append(out, fmt.Sprintf("%s listed, %d of them told to be %s.", countOf(all, "spot", "spots"), n, w.r.Target.Material.Name))
	}
	if text := w.uncounted(); text != "" {
		out = append(out, text)
	}
	if text := w.meanText(); text != "" {
		out = append(out, text)
	}
	return out
}

// meanText says what the treated fields hold on average beyond the blank ones;
// "" where that is not known.
func (w *writer) meanText() string {
	m := w.r.Mean
	if m == nil || math.IsNaN(m.Share) {
		return ""
	}
	name := w.r.Target.Material.Name
	alpha := w.r.Fields[0].Spots.Options.Alpha
	if !(m.PValue <= alpha) && !math.IsNaN(m.Limit) {
		return fmt.Sprintf("The sum spectra of whole fields do not show it: beyond the blank, %s makes at most %s %% of all counts, in spots or not (95 %%, one-sided).", name, report.Number(100*m.Limit))
	}
	text := fmt.Sprintf("On average over whole treated fields, in spots or not, %s makes %s %% of all counts beyond the blank", name, report.Number(100*m.Share))
	if !math.IsNaN(m.Low) && !math.IsNaN(m.High) {
		text += fmt.Sprintf(" (%s to %s %%)", report.Number(100*m.Low), report.Number(100*m.High))
	}
	if !math.IsNaN(m.PValue) {
		text += ", p " + pText(m.PValue)
	}
	return text + "."
}

func withInterval(v, low, high float64) string {
	switch {
	case math.IsNaN(v):
		return "not known"
	case math.IsNaN(low) || math.IsNaN(high):
		return report.Number(v)
	}
	return fmt.Sprintf("%s (%s to %s)", report.Number(v), report.Number(low), report.Number(high))
}

func (w *writer) howSure() []string {
	var out []string
	if c := w.r.Comparison; c != nil {
		if d := c.Density; !math.IsNaN(d.PValue) {
			out = append(out, fmt.Sprintf("p = %s is the chance of so great an excess where treated and blank coupons do not differ; test: %s.", report.PValue(d.PValue), d.Method))
			switch {
			case math.IsNaN(c.SmallestP):
			case c.SmallestP > d.PValue:
				out = append(out, fmt.Sprintf("That holds if spots scatter independently; exchanging so few coupons alone could give no p below %s.", report.PValue(c.SmallestP)))
			default:
				out = append(out, fmt.Sprintf("Exchanging the coupons could give no p below %s.", report.PValue(c.SmallestP)))
			}
		} else {
			out = append(out, "No p-value: "+d.Reason+".")
		}
		out = append(out, fmt.Sprintf("Replicate: the %s, %d treated against %d blank. Brackets are %s coverage intervals.", c.Unit, c.Coupons[0], c.Coupons[1], percent(c.Options.Level)))
	}
	passed := 0
	for i := range w.r.Fields {
		if w.r.Fields[i].Spots.Detected {
			passed++
		}
	}
	out = append(out, fmt.Sprintf("%d of %s passed the decision threshold for a single field.", passed, countOf(len(w.r.Fields), "field", "fields")))
	return out
}

func (w *writer) limits() []string {
	low, high, nmLow, nmHigh := math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)
	probability := 0.0
	for i := range w.r.Fields {
		f := &w.r.Fields[i]
		if v := f.Spots.Limit.ExcessCounts; !math.IsNaN(v) && v > 0 {
			low, high, probability = math.Min(low, v), math.Max(high, v), f.Spots.Limit.Probability
			if nm, _ := w.sphereNM(f, v); !math.IsNaN(nm) {
				nmLow, nmHigh = math.Min(nmLow, nm), math.Max(nmHigh, nm)
			}
		}
	}
	var out []string
	switch {
	case high < low:
		out = append(out, "No detection limit was determined: nothing is said on what could have been missed.")
	case nmHigh < nmLow:
		out = append(out, fmt.Sprintf("Detection limit of one spot: %s counts, found with a probability of %s. Smaller ones may be there.", span(low, high), percent(probability)))
	default:
		out = append(out, fmt.Sprintf("Detection limit of one spot: %s counts, about one sphere of %s nm, found with a probability of %s. Smaller particles may be there.", span(low, high), span(nmLow, nmHigh), percent(probability)))
	}
	if !w.scaled {
		out = append(out, "The pixel size is not known: lengths are in pixels, densities per pixel.")
	}
	if c := w.r.Comparison; c != nil && min(c.Coupons[0], c.Coupons[1]) < 2 {
		out = append(out, "With one coupon on a side, treatment and coupon cannot be told apart.")
	}
	return append(out, "Counts show lines, not compounds or amounts: a screening result. See what is not claimed.")
}

// span is a range of two numbers, one where they print alike.
func span(low, high float64) string {
	a, b := report.Number(math.Round(low)), report.Number(math.Round(high))
	if a == b {
		return a
	}
	return a + " to " + b
}
