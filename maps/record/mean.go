package record

import "example.org/fleck/maps/spots"

// Mean is the comparison of field means.
func Mean(m *spots.Mean) Object {
	o := Object{}
	for _, n := range []struct {
		key string
		v   float64
	}{
		{"share", m.Share}, {"sigma", m.Sigma}, {"low", m.Low}, {"high", m.High}, {"limit", m.Limit}, {"p_value", m.PValue},
		{"whole", m.Whole}, {"whole_sigma", m.WholeSigma}, {"whole_p_value", m.WholePValue}, {"blank_spread", m.Spread}, {"inflation", m.Inflation},
	} {
		o.Number(n.key, n.v, m.Reason)
	}
	o.Set("treated", List(m.Treated))
	o.Set("blank", List(m.Blank))
	if m.Reason != "" {
		o.Set("reason", m.Reason)
	}
	return o
}

// Association is that of spots with a mask.
func Association(a *spots.Association) Object {
	o := Of("spots", a.Spots, "inside", a.Inside)
	o.Number("expected_inside", a.Expected, "no spot")
	o.Number("share_of_area", a.Share, "")
	o.Number("mean_distance_px", a.MeanPx, "no spot")
	o.Number("mean_distance_by_chance_px", a.MeanNull, "no spot")
	o.Number("p_attracted", a.Attracted, "")
	o.Number("p_avoided", a.Avoided, "")
	o.Set("shifts", a.Shifts)
	return o
}

// Stability is the comparison of two halves of a measurement.
func Stability(r *spots.StabilityResult) Object {
	o := Object{}
	for _, c := range []struct {
		key string
		c   spots.Change
	}{{"dose", r.Dose}, {"carbon", r.Carbon}, {"target", r.Target}} {
		one := Object{}
		one.Number("first", c.c.First, "not measured")
		one.Number("second", c.c.Second, "not measured")
		one.Number("sigma", c.c.Sigma, "not measured")
		one.Number("p_value", c.c.PValue, "not measured")
		one.Set("changed", c.c.Changed)
		o.Set(c.key, one)
	}
	o.Number("drift_x_px", r.DriftX, "no spots")
	o.Number("drift_y_px", r.DriftY, "no spots")
	o.Number("drift_sigma_px", r.DriftSigma, "no spots")
	o.Set("drifted", r.Drifted)
	o.Set("spots", r.Spots)
	o.Set("alpha", r.Alpha)
	o.Set("remarks", List(r.Remarks))
	return o
}

// Halves sets the key stability; r is nil for a field without frames.
func Halves(o *Object, r *spots.StabilityResult) {
	if r == nil {
		o.Set("stability", nil)
		o.Set("stability_reason", "a single frame: no halves to compare")
		return
	}
	o.Set("stability", Stability(r))
}

// Strangers are the lines nobody asked for.
func Strangers(r *spots.ScreenResult, energyEV func(channel float64) float64) []Object {
	out := []Object{}
	for _, s := range r.Strangers {
		o := Of("x_px", s.X, "y_px", s.Y, "channel_from", s.From, "channel_to", s.To)
		o.Number("energy_ev", energyEV((float64(s.From)+float64(s.To)-1)/2), "")
		o.Number("counts", s.Counts, "")
		o.Number("expected", s.Expected, "")
		o.Number("p_value", s.PValue, "")
		out = append(out, o)
	}
	return out
}

// Percentiles are those of a size distribution, in µm.
func Percentiles(list []spots.Percentile) []Object {
	out := []Object{}
	for _, p := range list {
		o := Object{}
		o.Number("p", p.P, "")
		o.Number("diameter_um", p.Value, "")
		o.Number("low_um", p.Low, "")
		o.Number("high_um", p.High, "")
		out = append(out, o)
	}
	return out
}
