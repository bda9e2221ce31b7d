package main

import (
	"cmp"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"

	"example.org/fleck/maps/record"
	"example.org/fleck/quant"
	"example.org/fleck/quant/analysis"
)

func (e *env) answerQuantify(r *analysis.Result) {
	a := &e.answer
	rows := []record.Object{}
	for i, z := range r.Composition.Elements {
		o := record.Of("symbol", z.Symbol())
		mass, sigma, counting, atoms := float64(r.Composition.Mass[i]), r.Composition.Sigma(z), math.NaN(), math.NaN()
		if i < len(r.Counting) {
			counting = r.Counting[i]
		}
		if i < len(r.AtomFractions) {
			atoms = float64(r.AtomFractions[i])
		}
		why := "the k-ratios state no uncertainty"
		if r.Refused {
			// A number that is refused is not handed out.
			mass, sigma, counting, atoms, why = math.NaN(), math.NaN(), math.NaN(), math.NaN(), "refused"
		}
		o.Number("mass_fraction", mass, why)
		o.Number("sigma", sigma, why)
		o.Number("sigma_counting", counting, why)
		o.Number("atom_fraction", atoms, why)
		k := math.NaN()
		if row, ok := r.Row(z); ok {
			k = row.KRatio.Value
			o.Set("line", strings.TrimPrefix(row.KRatio.Peak.String(), z.Symbol()+" "))
			o.Set("standard", row.Standard)
			o.Number("k_ratio", k, "")
			o.Number("k_sigma", orNaN(row.KRatio.Sigma), "not stated")
			o.Number("overvoltage", row.Overvoltage, "")
			o.Number("z", row.Z, "")
			o.Number("a", row.A, "")
			o.Number("f", row.F, "")
		} else {
			o.Number("k_ratio", k, "not measured")
		}
		rows = append(rows, o)
	}
	a.Set("composition", rows)
	a.Number("total", r.Total, r.TotalReason)
	a.Number("total_sigma", r.TotalSigma, r.TotalReason)
	a.Set("normalised", r.Normalised)
	a.Set("method", string(r.Method))
	a.Set("model", r.Model)
	a.Set("status", r.Status.String())
	a.Set("refused", r.Refused)
	a.Set("reasons", nonNilStrings(r.Reasons))
	a.Set("remarks", nonNilStrings(r.Remarks))
	if r.Oxides != nil && !r.Refused {
		oxides := []record.Object{}
		for _, x := range r.Oxides {
			o := record.Of("formula", x.Formula, "cation", x.Cation.Symbol())
			o.Number("mass_fraction", float64(x.Mass), "")
			o.Number("sigma", x.Sigma, "the k-ratios state no uncertainty")
			oxides = append(oxides, o)
		}
		a.Set("oxides", oxides)
	}
	budget := []record.Object{}
	for _, t := range r.Budget.Terms {
		changes := record.Object{}
		for i, z := range r.Budget.Elements {
			changes.Number(z.Symbol(), t.Change[i], "")
		}
		budget = append(budget, record.Of("term", t.Name, "source", t.Source, "change", changes))
	}
	a.Set("budget", budget)
	a.Set("not_in_budget", nonNilStrings(r.Budget.Missing))
}

// answerCalibration states the factors that a reference gave.
func (e *env) answerCalibration(name string, c analysis.Calibration) {
	peaks := slices.SortedFunc(maps.Keys(c), func(a, b quant.Peak) int {
		return cmp.Or(cmp.Compare(a.Element, b.Element), cmp.Compare(a.Family, b.Family))
	})
	rows := []record.Object{}
	for _, p := range peaks {
		rows = append(rows, record.Of("symbol", p.Element.Symbol(), "line", p.Family.String(), "factor", c[p].Value, "relative_sigma", c[p].Sigma))
		e.note("calibrated with %s: %s is %.3g times the computed intensity, ± %.0f %%", name, p, c[p].Value, 100*c[p].Sigma)
	}
	e.answer.Set("calibration", rows)
}

func orNaN(v float64) float64 {
	if v == 0 {
		return math.NaN()
	}
	return v
}

func nonNilStrings(s []string) []string {
	if s == nil {
		return []string{}
	}
	return s
}

// budgetLines is the number of terms printed; --json has all.
const budgetLines = 8

func (e *env) printQuantify(path string, r *analysis.Result) {
	if r.Refused {
		e.printf("%s: REFUSED as an analysis of a flat bulk\n", path)
		for _, s := range r.Reasons {
			e.printf("  %s\n", s)
		}
		e.printf("k-ratios (%s)\n", r.Method)
		for _, row := range r.Rows {
			e.printf("  %-9s %.5f  against %s\n", row.KRatio.Peak, row.KRatio.Value, row.Standard)
		}
	} else {
		e.printf("%s: %s, %s\n", path, r.Method, r.Model)
		e.printf("element  mass fraction      sigma  (counting)   atom fraction   k-ratio\n")
		for i, z := range r.Composition.Elements {
			k := "by rule"
			if row, ok := r.Row(z); ok {
				k = strconv.FormatFloat(row.KRatio.Value, 'f', 5, 64) + " " + row.KRatio.Peak.String()
			}
			e.printf("%-7s %14.5f %10s  %10s %15.5f   %s\n", z, float64(r.Composition.Mass[i]), sigmaText(r.Composition.Sigma(z)), sigmaText(r.Counting[i]), float64(r.AtomFractions[i]), k)
		}
		for _, x := range r.Oxides {
			e.printf("%-7s %14.5f %10s\n", x.Formula, float64(x.Mass), sigmaText(x.Sigma))
		}
		if math.IsNaN(r.Total) {
			e.printf("total: none (%s)\n", r.TotalReason)
		} else {
			e.printf("total before normalisation %.4f, sigma %s\n", r.Total, sigmaText(r.TotalSigma))
		}
		e.printBudget(r)
	}
	for _, s := range r.Remarks {
		e.printf("note: %s\n", s)
	}
}

func sigmaText(v float64) string {
	if math.IsNaN(v) {
		return "-"
	}
	return strconv.FormatFloat(v, 'f', 5, 64)
}

// printBudget prints the largest terms.
func (e *env) printBudget(r *analysis.Result) {
	terms := slices.Clone(r.Budget.Terms)
	size := func(change []float64) float64 {
		s := 0.0
		for _, v := range change {
			s = math.Max(s, math.Abs(v))
		}
		return s
	}
	if len(terms) == 0 {
		return
	}
	slices.SortStableFunc(terms, func(a, b quant.Term) int {
		switch x, y := size(a.Change), size(b.Change); {
		case x > y:
			return -1
		case x < y:
			return 1
		}
		return 0
	})
	e.printf("budget: change of the mass fractions for one standard uncertainty\n")
	e.printf("%-48s", "")
	for _, z := range r.Budget.Elements {
		e.printf(" %9s", z)
	}
	e.printf("\n")
	for _, t := range terms[:min(budgetLines, len(terms))] {
		e.printf("%-48s", t.Name)
		for _, v := range t.Change {
			if math.IsNaN(v) {
				e.printf(" %9s", "-")
			} else {
				e.printf(" %+9.5f", v)
			}
		}
		e.printf("\n")
	}
	if n := len(terms) - budgetLines; n > 0 {
		e.printf("and %d smaller terms (--json lists all)\n", n)
	}
	for _, s := range r.Budget.Missing {
		e.printf("not in the budget: %s\n", s)
	}
}
