package study

import (
	"math"
	"slices"
	"strings"
	"testing"

	"example.org/fleck/maps"
	"example.org/fleck/maps/compare"
	"example.org/fleck/maps/spots"
)

// TestPageText: what the page says follows the result: its numbers, its limits,
// its methods, and what the checklist marks as not stated.
func TestPageText(t *testing.T) {
	r := changed(t)
	w := &writer{r: r, scaled: true, opt: WriteOptions{Version: "9.9"}, resultSum: "00ff"}
	brief, methods, cite := w.brief(), w.methods(), w.cite()
	all := func(l []string) string { return strings.Join(l, "\n") }
	for _, c := range []struct{ text, want string }{
		{all(brief.Tested), "1 treated on 1 coupon; 1 untreated (blank) on 1 coupon"},
		{all(brief.Tested), "TiO2, told by its Ti K lines"},
		{all(brief.Limits), "No detection limit was determined"},
		{all(brief.Limits), "With one coupon on a side, treatment and coupon cannot be told apart."},
		{all(methods), "49 replicas"},
		{all(methods), "seed 3"},
		{all(methods), "beam energy of 15 keV"},
		{all(cite), "SHA-256 00ff"},
	} {
		if !strings.Contains(c.text, c.want) {
			t.Errorf("%q lacks %q", c.text, c.want)
		}
	}
	states := map[string]string{}
	for _, g := range w.checklist() {
		for _, i := range g.Items {
			states[i.Subject] = i.State.String()
			if i.Value == "" {
				t.Errorf("%s says nothing", i.Subject)
			}
		}
	}
	for subject, want := range map[string]string{"detection limit": "no", "beam energy": "yes", "preparation and surface state": "no", "coating, thickness, order": "yes", "scale bar": "yes", "blank fields": "yes"} {
		if states[subject] != want {
			t.Errorf("%s is stated: %q, want %q", subject, states[subject], want)
		}
	}
	r.Study.Coating, w.scaled = nil, false
	for _, g := range w.checklist() {
		for _, i := range g.Items {
			if (i.Subject == "coating, thickness, order" || i.Subject == "scale bar") && i.State.String() != "no" {
				t.Errorf("%s is stated: %s", i.Subject, i.State)
			}
		}
	}
	// No claim of more than the tests show.
	text := strings.ToLower(strings.Join([]string{all(brief.Tested), all(brief.Found), all(brief.HowSure), all(brief.Limits), all(methods), w.verdictSentence(), w.errorRates()}, " "))
	for _, word := range []string{"proves", "proven", "free of", "absent", " certain ", "complian", " safe "} {
		if strings.Contains(text, word) {
			t.Errorf("the page says %q", word)
		}
	}
}

// TestMeanText: without a significant excess the mean is given as a limit, never
// as an amount.
func TestMeanText(t *testing.T) {
	r := changed(t)
	w := &writer{r: r, scaled: true}
	for _, c := range []struct {
		mean        *spots.Mean
		want, never string
	}{
		{nil, "", "%"},
		{&spots.Mean{Share: math.NaN(), Limit: math.NaN(), PValue: math.NaN()}, "", "%"},
		{&spots.Mean{Share: 0.01, Low: -0.005, High: 0.025, Limit: 0.0225, PValue: 0.2}, "at most 2.25 % of all counts", "makes 1 %"},
		{&spots.Mean{Share: 0.01, Low: 0.005, High: 0.015, Limit: 0.014, PValue: 0.001}, "makes 1 % of all counts beyond the blank (0.5 to 1.5 %), p = 0.001", "at most"},
	} {
		r.Mean = c.mean
		got := w.meanText()
		if !strings.Contains(got, c.want) || strings.Contains(got, c.never) {
			t.Errorf("%+v gives %q, want %q without %q", c.mean, got, c.want, c.never)
		}
	}
}

// TestPanelOrder: treated fields come before blank ones; of paired coupons each
// row holds before and after.
func TestPanelOrder(t *testing.T) {
	field := func(name, coupon string, role maps.Role) FieldResult {
		return FieldResult{Field: maps.Field{Name: name, Coupon: coupon, Role: role}}
	}
	r := &Result{Fields: []FieldResult{field("b1", "A", maps.Untreated), field("t1", "A", maps.Treated), field("t2", "B", maps.Treated), field("b2", "B", maps.Untreated), field("b3", "B", maps.Untreated), field("t3", "B", maps.Treated)},
		Comparison: &compare.Result{}}
	w := &writer{r: r}
	if order, columns := w.panelOrder(); !slices.Equal(order, []int{1, 2, 5, 0, 3, 4}) || columns != 3 {
		t.Errorf("order %v in %d columns", order, columns)
	}
	r.Comparison.Options.Paired = true
	if order, columns := w.panelOrder(); !slices.Equal(order, []int{0, 1, 3, 2, 4, 5}) || columns != 2 {
		t.Errorf("paired order %v in %d columns", order, columns)
	}
	r.Fields = r.Fields[:5] // a field without its partner
	if order, columns := w.panelOrder(); len(order) != 5 || columns == 2 && order[0] == 0 {
		t.Errorf("order %v in %d columns without all pairs", order, columns)
	}
}

// TestReadable: numbers of a verdict as the page writes them, with a minus sign.
func TestReadable(t *testing.T) {
	for text, want := range map[string]string{
		"difference 3.26e+04 per mm² (95 % interval -5.69e+03 to 8.33e+04)": "difference 32\u202f600 per mm² (95 % interval −5690 to 83\u202f300)",
		"(-2.5 to 3), one-sided, 3-4 fields, p = 2e-05":                     "(−2.5 to 3), one-sided, 3-4 fields, p = 2 × 10⁻⁵",
	} {
		if got := readable(text); got != want {
			t.Errorf("readable(%q) = %q, want %q", text, got, want)
		}
	}
}
