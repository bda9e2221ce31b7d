package spots

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

func TestPartsAreChecked(t *testing.T) {
	f := worldField(rand.New(rand.NewPCG(1, 6)), 8, 8, 20, worldAluminium(), nil)
	half := func(s []float64, k float64) []float64 {
		out := make([]float64, len(s))
		for c, v := range s {
			out[c] = k * v
		}
		return out
	}
	whole := worldSilica()
	for _, c := range []struct {
		name  string
		parts []Part
		want  string // "" = accepted
	}{
		{"two halves", []Part{{half(whole.Spectrum, .5), .1}, {half(whole.Spectrum, .5), 0}}, ""},
		{"less than the whole", []Part{{half(whole.Spectrum, .5), .1}}, "must add up"},
		{"more than the whole", []Part{{half(whole.Spectrum, 1.5), .1}}, "must add up"},
		{"other channels", []Part{{whole.Spectrum[1:], .1}}, "channels"},
		{"negative", []Part{{half(whole.Spectrum, -1), .1}, {half(whole.Spectrum, 2), .1}}, "number ≥ 0"},
		{"uncertain by -1", []Part{{whole.Spectrum, -1}}, "between 0 and 2"},
		{"uncertain by NaN", []Part{{whole.Spectrum, math.NaN()}}, "between 0 and 2"},
	} {
		opt := worldOptions()
		opt.Target.Parts = c.parts
		_, err := opt.withDefaults(f)
		if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
	}
}
