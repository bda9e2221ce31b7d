package study

import (
	"cmp"
	"fmt"
	"slices"

	"example.org/fleck/spectra/xray"
)

// Settings returns what the file states, with its origin.
func (f *File) Settings() []Setting {
	from := func(key string) Origin {
		if f.Has(key) {
			return FromFile
		}
		return FromDefault
	}
	var out []Setting
	add := func(key string, value any) { out = append(out, Setting{key, value, from(key)}) }
	stated := func(key string, value any) {
		if f.Has(key) {
			add(key, value)
		}
	}
	add("target", f.Target.String())
	add("substrate", f.Substrate.String())
	if f.Coating != nil {
		add("coating", f.Coating.String())
		add("coating_order", string(f.Order))
	} else {
		add("coating", nil)
	}
	add("confusers", materialNames(f.Confusers))
	stated("elements", symbols(f.Elements))
	if f.Detector != "" {
		add("detector", f.Detector)
	} else {
		add("detector", "default")
	}
	stated("beam_kev", f.Cube.BeamEnergy.KeV())
	stated("takeoff_deg", f.Cube.TakeOff.Degrees())
	stated("pixel_um", f.Cube.Pixel.X.Um())
	stated("energy_first_ev", f.Cube.Calibration.OffsetEV)
	stated("energy_step_ev", f.Cube.Calibration.GainEV)
	stated("live_time_s", f.Cube.LiveTimeS)
	stated("shape", f.Cube.Shape)
	stated("type", f.Cube.Type.String())
	stated("endian", f.Cube.Endian.String())
	stated("axes", f.Cube.Axes)
	stated("offset", f.Cube.Offset)
	stated("frames", f.Cube.Frames.String())
	mode := "rastered"
	switch {
	case f.Unknown:
		mode = "unknown"
	case f.Stationary:
		mode = "stationary"
	}
	add("beam_mode", mode)
	stated("probe_nm", f.ProbeNM)
	add("paired", f.Paired)
	stated("q", f.Options.Q)
	stated("alpha", f.Options.Alpha)
	stated("bootstrap", f.Options.Bootstrap)
	stated("replicas", f.Options.Bootstrap)
	stated("seed", f.Options.Seed)
	add("limit", !f.Options.NoLimit)
	stated("low_ev", f.Options.LowEV)
	stated("high_ev", f.Options.HighEV)
	return out
}

func materialNames(list []xray.Material) []string {
	out := []string{}
	for _, m := range list {
		out = append(out, m.String())
	}
	return out
}

func symbols(list []xray.Element) []string {
	out := []string{}
	for _, z := range list {
		out = append(out, z.Symbol())
	}
	return out
}

// resolve returns the settings of the caller followed by what the study and its
// stages resolved beyond them.
func (w *writer) resolve() []Setting {
	out := slices.Clone(w.opt.Settings)
	add := func(key string, value any, stated bool) {
		if slices.ContainsFunc(out, func(s Setting) bool { return s.Key == key }) {
			return
		}
		origin := FromDefault
		if stated {
			origin = FromCaller
		}
		out = append(out, Setting{key, value, origin})
	}
	s := w.r.Study
	add("target", s.Target.String(), true)
	add("substrate", s.Substrate.String(), true)
	if s.Coating != nil {
		add("coating", s.Coating.String(), true)
		add("coating_order", string(s.Order), true)
	} else {
		add("coating", nil, false)
	}
	add("confusers", materialNames(s.Confusers), len(s.Confusers) > 0)
	add("elements", symbols(s.elements()), len(s.Elements) > 0)
	add("low_ev", w.r.Fit.Options.LowEV, s.Options.LowEV != 0)
	add("high_ev", w.r.Fit.Options.HighEV, s.Options.HighEV != 0)
	if len(w.r.Fields) > 0 {
		o := w.r.Fields[0].Spots.Options
		add("q", o.Q, s.Options.Q != 0)
		add("alpha", o.Alpha, s.Options.Alpha != 0)
		if !slices.ContainsFunc(out, func(s Setting) bool { return s.Key == "replicas" }) { // the name of the flag
			add("bootstrap", o.Bootstrap, s.Options.Bootstrap != 0)
		}
		add("limit", !s.Options.NoLimit, s.Options.NoLimit)
		add("widths_px", o.Widths, false)
		add("margin", o.Margin, false)
		add("template_sigma", o.TemplateSigma, false)
		add("channel_classes", o.Classes, false)
		add("max_spots", o.MaxSpots, false)
	}
	if c := w.r.Comparison; c != nil {
		add("coverage_level", c.Options.Level, false)
		add("paired", c.Options.Paired, c.Options.Paired)
	}
	add("seed", s.Options.Seed, s.Options.Seed != 0)
	slices.SortStableFunc(out, func(a, b Setting) int { return cmp.Compare(settingRank(a.Key), settingRank(b.Key)) })
	return out
}

// settingOrder is the order in which settings are shown; others come last.
var settingOrder = []string{"scene", "target", "substrate", "coating", "coating_order", "confusers", "elements", "detector", "beam_kev", "takeoff_deg", "pixel_um",
	"energy_first_ev", "energy_step_ev", "live_time_s", "beam_mode", "probe_nm", "paired", "low_ev", "high_ev", "q", "alpha", "bootstrap", "replicas", "limit", "seed"}

func settingRank(key string) int {
	if k := slices.Index(settingOrder, key); k >= 0 {
		return k
	}
	return len(settingOrder)
}

// text is the value of a setting for the page.
func (s Setting) text() string {
	switch v := s.Value.(type) {
	case nil:
		return "none"
	case bool:
		if v {
			return "yes"
		}
		return "no"
	case []string:
		if len(v) == 0 {
			return "none"
		}
		text := ""
		for i, x := range v {
			if i > 0 {
				text += ", "
			}
			text += x
		}
		return text
	case []float64:
		text := ""
		for i, x := range v {
			if i > 0 {
				text += ", "
			}
			text += fmt.Sprintf("%.4g", x)
		}
		return text
	case float64:
		return fmt.Sprintf("%.6g", v)
	}
	return fmt.Sprint(s.Value)
}
