package study

import (
	"fmt"

	"example.org/fleck/maps"
	"example.org/fleck/maps/compare"
	"example.org/fleck/maps/record"
	"example.org/fleck/maps/report"
)

// Arms sets the fields of each role against those of another, as compare.Arms does,
// but for treated against untreated fields, which Comparison holds. It is nil where
// a study has no other roles.
func (r *Result) Arms() ([]compare.Arm, error) {
	var list []compare.Observation
	other := false
	for _, f := range r.Fields {
		list = append(list, f.Observation)
		other = other || f.Role != maps.Treated && f.Role != maps.Untreated
	}
	if !other {
		return nil, nil
	}
	arms, err := compare.Arms(list, compare.Options{Alpha: r.Study.Options.Alpha, Seed: r.Study.Options.Seed})
	if err != nil {
		return nil, err
	}
	var out []compare.Arm
	for _, a := range arms {
		if passed, n := r.passed(a.Role); a.Role == maps.PositiveControl && !a.Result.Higher && passed > 0 {
			a.Sentence = fmt.Sprintf("The positive control shows the target (it is detected in %d of %s), but no more spots per area than untreated fields.", passed, countOf(n, "field", "fields"))
		}
		if a.Role != maps.Treated || a.Against != maps.Untreated {
			out = append(out, a)
		}
	}
	return out, nil
}

// passed returns in how many of the n fields of a role the target is detected.
func (r *Result) passed(role maps.Role) (passed, n int) {
	for _, f := range r.Fields {
		if f.Role != role {
			continue
		}
		n++
		if f.Spots.Detected {
			passed++
		}
	}
	return passed, n
}

// arms are the arms as objects.
func (w *writer) arms() []record.Object {
	out := []record.Object{}
	for _, a := range w.otherArms {
		o := record.Of("role", string(a.Role), "against", string(a.Against), "meaning", a.Sentence)
		record.Comparison(&o, a.Result, w.scaled, w.condition())
		out = append(out, o)
	}
	return out
}

// reportArms are the arms as rows of the page.
func (w *writer) reportArms() []report.Arm {
	var out []report.Arm
	for _, a := range w.otherArms {
		d := a.Result.Density
		out = append(out, report.Arm{Name: a.Name(), Unit: w.densityUnit(), Meaning: a.Sentence,
			Density: d.TreatedPerMm2, Low: d.TreatedLow, High: d.TreatedHigh,
			Other: d.BlankPerMm2, OtherLow: d.BlankLow, OtherHigh: d.BlankHigh, PValue: d.PValue})
	}
	return out
}
