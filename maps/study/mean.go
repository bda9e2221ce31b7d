package study

import (
	"fmt"

	"example.org/fleck/maps"
	"example.org/fleck/maps/compare"
	"example.org/fleck/maps/record"
	"example.org/fleck/maps/report"
	"example.org/fleck/maps/spots"
)

// Verdict is the verdict of a comparison of the fields' spots, after a doubt about the
// substrate and before what the field means say where the spots show no excess but
// the means do: a layer is no spot.
func (r *Result) Verdict(c *compare.Result) string {
	m := r.Mean
	text := c.Verdict
	if doubt := r.SubstrateDoubt(); doubt != "" {
		text = doubt + " " + text
	}
	if c.Higher || m == nil || !(m.PValue <= c.Options.Alpha) {
		return text
	}
	text += fmt.Sprintf(" But the treated fields hold more of the target on the whole: %s makes %s %% of all their counts beyond the blank fields (p %s), as a layer or as particles too fine to stand out.",
		r.Target.Material.Name, report.Number(100*m.Share), pText(m.PValue))
	if m.Reason != "" {
		text += " With " + m.Reason + "."
	}
	return text
}

// pText is a p-value with its sign of relation. Below 10⁻¹² the far tail of the
// normal law is nothing to name (choice of this package).
func pText(p float64) string {
	if p < 1e-12 {
		return "< 10⁻¹²"
	}
	return "= " + report.PValue(p)
}

// mean compares the sum spectra of treated with untreated coupons, of fields where
// each side has a single coupon: what spots do not show.
func (r *Result) mean() error {
	rg := r.channels()
	sums := map[maps.Role]map[string][]float64{}
	order := map[maps.Role][]string{}
	single := r.singleCoupon()
	for i, f := range r.Fields {
		name := f.Coupon
		if single || name == "" {
			name = fmt.Sprint(i)
		}
		if sums[f.Role] == nil {
			sums[f.Role] = map[string][]float64{}
		}
		s := sums[f.Role][name]
		if s == nil {
			s = make([]float64, rg.To-rg.From)
			sums[f.Role][name] = s
			order[f.Role] = append(order[f.Role], name)
		}
		for c, n := range f.Sums.Sum[rg.From:rg.To] {
			s[c] += float64(n)
		}
	}
	list := func(role maps.Role) (out [][]float64) {
		for _, name := range order[role] {
			out = append(out, sums[role][name])
		}
		return out
	}
	treated, blanks := list(maps.Treated), list(maps.Untreated)
	if len(treated) == 0 {
		return nil
	}
	m, err := spots.FieldMean(treated, blanks, spots.MeanOptions{Target: r.Target.Template, Nuisance: r.Nuisance()})
	if err != nil {
		// Empty fields, or lines that cannot be told apart in the mean: said, not
		// fatal, since the spots stand for themselves.
		r.Remarks = append(r.Remarks, "no comparison of field means: "+record.Reason(err.Error()))
		return nil
	}
	r.Mean = m
	return nil
}

// singleCoupon reports whether one of the two sides has a single coupon.
func (r *Result) singleCoupon() bool {
	seen := map[maps.Role]map[string]bool{maps.Treated: {}, maps.Untreated: {}}
	for _, f := range r.Fields {
		if seen[f.Role] != nil {
			seen[f.Role][f.Coupon] = true
		}
	}
	return len(seen[maps.Treated]) < 2 || len(seen[maps.Untreated]) < 2
}
