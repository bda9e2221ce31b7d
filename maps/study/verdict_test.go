package study

import (
	"math"
	"slices"
	"strings"
	"testing"

	"example.org/fleck/maps"
	"example.org/fleck/maps/report"
	"example.org/fleck/maps/spots"
)

// A layer is no spot: where the means of the fields show it and the spots do not,
// the verdict says so.
func TestVerdictOfLayer(t *testing.T) {
	r := changed(t)
	c := *r.Comparison
	c.Higher, c.Verdict = false, "No excess of the treated fields is shown."
	r.Mean = &spots.Mean{Share: 0.0964, PValue: 0, Reason: "one blank field"}
	got := r.Verdict(&c)
	for _, text := range []string{c.Verdict, "9.64 % of all their counts", "(p < 10⁻¹²)", "With one blank field."} {
		if !strings.Contains(got, text) {
			t.Errorf("verdict %q does not say %q", got, text)
		}
	}
	for _, p := range []float64{0.06, math.NaN()} {
		r.Mean.PValue = p
		if got := r.Verdict(&c); got != c.Verdict {
			t.Errorf("p = %g: verdict %q", p, got)
		}
	}
	r.Mean.PValue, c.Higher = 0.001, true
	if got := r.Verdict(&c); got != c.Verdict {
		t.Errorf("verdict %q where the spots show it already", got)
	}
}

// A positive control on which the target is detected is seen, whatever the number
// of its spots.
func TestArmOfCoveredControl(t *testing.T) {
	r := changed(t)
	for _, f := range r.Fields {
		if f.Role == maps.Untreated {
			f.Name, f.Coupon, f.Role = "P1", "P1", maps.PositiveControl
			f.Observation.Field = f.Field
			sp := *f.Spots
			sp.Detected = true
			f.Spots = &sp
			r.Fields = append(r.Fields, f)
			break
		}
	}
	arms, err := r.Arms()
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range arms {
		if a.Role == maps.PositiveControl && !strings.Contains(a.Sentence, "shows the target (it is detected in 1 of 1 field)") {
			t.Errorf("%s: %q", a.Name(), a.Sentence)
		}
	}
}

// The first screen says how much the treated fields can hold above the blank ones,
// and the smallest p that the design allows.
func TestBriefOfComparison(t *testing.T) {
	r := changed(t)
	c := *r.Comparison
	c.Above.Statement = "The treated fields hold no more than 1.2e+04 spots of the target per mm² above the blank ones (95 %)."
	c.Density.PValue, c.SmallestP = 0.2, 0.05
	r.Comparison = &c
	b := (&writer{r: r, scaled: true}).brief()
	if want := "The treated fields hold no more than " + report.Number(1.2e4) + " spots of the target per mm² above the blank ones (95 %)."; !slices.Contains(b.Found, want) {
		t.Errorf("found: %q; want %q", b.Found, want)
	}
	if want := "Exchanging the coupons could give no p below 0.05."; !slices.Contains(b.HowSure, want) {
		t.Errorf("how sure: %q; want %q", b.HowSure, want)
	}
	if got := (&writer{r: r}).brief().Found; !strings.Contains(strings.Join(got, " "), "per 10⁶ pixels above") {
		t.Errorf("found without pixel size: %q", got)
	}
}
