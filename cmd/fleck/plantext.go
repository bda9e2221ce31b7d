package main

import (
	"fmt"
	"math"
	"strings"

	"example.org/fleck/quant/plan"
)

// planText says the plan in words.
func (e *env) planText(r *plan.Result) {
	if !r.Separable {
		e.printf("Not visible: %s.\n\n", r.Reason)
	} else if best := r.Recommendations[0]; best.Visible > 0 {
		e.printf("Best: %g keV on %s, coating %s.\n", best.Beam.KeV(), best.Substrate, best.Coating)
		for _, s := range best.Reasons {
			e.printf("  %s\n", s)
		}
		e.printf("\n")
	} else {
		e.printf("Not visible within %g nA·s per pixel or point.\n\n", r.Request.DoseNAs)
	}
	e.printf("keV    nm      line   counts/nA·s  background  dose/nA·s  substrate, coating\n")
	hopeless := hopelessSubstrates(r)
	for _, c := range r.Cases {
		if reason := hopeless[c.Substrate]; reason != "" {
			if reason != told {
				e.printf("every  every   not visible: %s\n", reason)
				hopeless[c.Substrate] = told
			}
			continue
		}
		if c.Family == "" {
			e.printf("%-6g %-7g not visible: %s\n", c.Beam.KeV(), round(c.Diameter*1e9, 1e-6), c.Reason)
			continue
		}
		mark := ""
		if !c.Visible {
			mark = "; not visible: " + c.Reason
		}
		e.printf("%-6g %-7g %-6s %11.4g  %10.3g  %9s  %s, %s%s\n", c.Beam.KeV(), round(c.Diameter*1e9, 1e-6), c.Family, c.Signal, c.Background, doseText(c.Dose), c.Substrate, c.Coating, mark)
	}
	e.planList("What falls on the lines", overlapTexts(r))
	var found []string
	for _, d := range r.Distinctions {
		text := fmt.Sprintf("%s at %g keV: ", d.Confuser, d.Beam.KeV())
		if d.Separable {
			found = append(found, text+"told apart: "+strings.Join(d.Evidence, "; "))
		} else {
			found = append(found, text+"cannot tell: "+d.Reason)
		}
	}
	title := "Confusers"
	if q := r.Request; len(q.Substrates)+len(q.Coatings) > 2 {
		title += fmt.Sprintf(" (on %s, coating %s)", q.Substrates[0].Name, q.Coatings[0])
	}
	e.planList(title, found)
	advice := func(list []plan.Advice) []string {
		var out []string
		for _, a := range list {
			s := fmt.Sprintf("%-4s %s", a.Material, a.Verdict)
			if len(a.Reasons) > 0 {
				s += ": " + strings.Join(a.Reasons, "; ")
			}
			out = append(out, s)
		}
		return out
	}
	e.planList("Coatings", advice(r.Coatings))
	e.planList("Substrates", advice(r.Substrates))
	e.planList("Residues that look like the target", r.Residues)
	cautions := r.Cautions
	for _, c := range r.Cases {
		for _, s := range c.Cautions {
			cautions = appendNew(cautions, s)
		}
	}
	e.planList("Cautions", cautions)
	e.planList("Handling", r.Handling)
	e.printf("\nDoses are good to a factor of about 1.5; differences between the rows are better.\n")
}

// told marks a substrate of which the table has spoken.
const told = "told"

// hopelessSubstrates returns the substrates on which no line of the target can be used,
// with the reason, where that is the same at every energy, size and coating.
func hopelessSubstrates(r *plan.Result) map[string]string {
	reasons := map[string]string{}
	for _, c := range r.Cases {
		if old, seen := reasons[c.Substrate]; c.Family != "" || seen && old != c.Reason {
			reasons[c.Substrate] = ""
		} else {
			reasons[c.Substrate] = c.Reason
		}
	}
	return reasons
}

func (e *env) planList(title string, list []string) {
	if len(list) == 0 {
		return
	}
	e.printf("\n%s\n", title)
	for _, s := range list {
		e.printf("  %s\n", s)
	}
}

func doseText(d float64) string {
	if math.IsInf(d, 1) {
		return "none"
	}
	return fmt.Sprintf("%.3g", d)
}

// overlapTexts lists the overlaps of the chosen families, each once, as of the case
// where it is largest.
func overlapTexts(r *plan.Result) []string {
	largest := map[string]plan.Overlap{}
	var order []string
	for _, c := range r.Cases {
		for _, o := range c.Overlaps {
			key := o.Family + o.With + o.Kind.String()
			old, ok := largest[key]
			if !ok {
				order = append(order, key)
			}
			if !ok || o.PerSignal > old.PerSignal {
				largest[key] = o
			}
		}
	}
	var out []string
	for _, k := range order {
		out = append(out, largest[k].String())
	}
	return out
}
