package spots

import (
	"context"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"example.org/fleck/maps"
)

// TestOnePixel: one pixel is not searched for spots, says so, and has an excess where
// there is a blank: within 5 of its standard errors of what was put in.
func TestOnePixel(t *testing.T) {
	world := worldOptions()
	const counts, put = 20000, 3000
	rng := rand.New(rand.NewPCG(9, 8))
	draw := func(out []uint32, spectrum []float64, n float64) {
		pick := newPicker(spectrum)
		for range poissonDraw(rng, n) {
			out[pick.draw(rng)]++
		}
	}
	target := worldSilica()
	data := make([]uint32, worldChannels)
	draw(data, worldAluminium(), counts)
	draw(data, target.Spectrum, put)
	f, err := NewField(1, 1, worldChannels, data, maps.Pixel{})
	if err != nil {
		t.Fatal(err)
	}
	for _, blank := range []bool{true, false} {
		opt := world
		if !blank {
			opt.Substrate = nil
		}
		r, err := Find(context.Background(), f, opt)
		if err != nil {
			t.Fatal(err)
		}
		said := strings.Join(r.Remarks, "; ")
		if r.Detected || len(r.Spots) > 0 || !strings.Contains(said, "one pixel") || strings.Contains(said, "covers") || r.Limit.Reason == "" {
			t.Errorf("blank %v: detected %v, %d spots, limit %q, remarks %q", blank, r.Detected, len(r.Spots), r.Limit.Reason, said)
		}
		if blank != !math.IsNaN(r.LineExcess) {
			t.Errorf("blank %v: excess of the own line %g", blank, r.LineExcess)
		}
		if want := put * sumOf(target.Line); blank && !(math.Abs(r.LineExcess-want) < 5*r.LineExcessSigma) {
			t.Errorf("excess of the own line %g ± %g, want %g", r.LineExcess, r.LineExcessSigma, want)
		}
	}
	m := maps.New(1, 1)
	m.Set(0, 0, 55)
	r, err := FindCounts(context.Background(), m, CountOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Remarks) != 1 || !strings.Contains(r.Remarks[0], "one pixel") || r.Detected {
		t.Errorf("count map of one pixel: detected %v, remarks %q", r.Detected, r.Remarks)
	}
}
