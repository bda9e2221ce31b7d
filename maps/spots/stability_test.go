package spots

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"example.org/fleck/maps"
)

// halves draws two halves of one field: target of the second scaled, carbon share
// raised, spots moved.
func halves(seed uint64, lost, carbon, shift float64) (first, second *Field, spots []maps.Spot) {
	rng := rand.New(rand.NewPCG(seed, 9))
	tgt := worldSilica()
	grown := worldMix(map[float64]float64{277: .02 + carbon, 525: .03, 1487: .65}, .30)
	var a, b []planted
	for i, p := range scatter(rng, 6, 40, 40, 1.2, .3, 9, tgt.Spectrum) {
		q := p
		q.f *= 1 - lost
		q.x += shift
		a, b = append(a, p), append(b, q)
		spots = append(spots, maps.Spot{ID: i + 1, XPx: p.x + shift/2, YPx: p.y, WidthPx: p.s})
	}
	return worldField(rng, 40, 40, 100, worldAluminium(), a), worldField(rng, 40, 40, 100, grown, b), spots
}

func stability(t *testing.T, first, second *Field, spots []maps.Spot) *StabilityResult {
	t.Helper()
	r, err := Stability(first, second, StabilityOptions{Target: worldSilica(), Carbon: Template{Name: "C K", Spectrum: worldLine(277)}, Spots: spots})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestStability(t *testing.T) {
	// Nothing changes: at a level of 1 % four statements in twelve fields rarely
	// raise an alarm (5 or more: chance below 1e-4).
	alarms := 0
	for seed := range uint64(12) {
		r := stability(t, firstOf(halves(seed, 0, 0, 0)), secondOf(halves(seed, 0, 0, 0)), spotsOf(halves(seed, 0, 0, 0)))
		for _, on := range []bool{r.Dose.Changed, r.Carbon.Changed, r.Target.Changed, r.Drifted} {
			if on {
				alarms++
			}
		}
	}
	if alarms > 4 {
		t.Errorf("%d alarms in 12 stable measurements, 48 statements at 1 %%", alarms)
	}
	for _, c := range []struct {
		lost, carbon, shift float64
		word                string
	}{{.4, 0, 0, "lost"}, {0, .03, 0, "carbon grew"}, {0, 0, 1, "moved"}} {
		a, b, s := halves(3, c.lost, c.carbon, c.shift)
		if r := stability(t, a, b, s); !strings.Contains(strings.Join(r.Remarks, "; "), c.word) {
			t.Errorf("lost %g, carbon %g, shift %g: remarks %q, want %q in them (target %+v, drift %.2f ± %.2f)", c.lost, c.carbon, c.shift, r.Remarks, c.word, r.Target, r.DriftX, r.DriftSigma)
		}
	}
	a, _, _ := halves(1, 0, 0, 0)
	if _, err := Stability(a, nil, StabilityOptions{Target: worldSilica()}); err == nil {
		t.Error("a missing half is accepted")
	}
	if r := stability(t, a, a, nil); !math.IsNaN(r.DriftX) || r.Dose.Changed {
		t.Errorf("without spots: drift %g, dose changed %v", r.DriftX, r.Dose.Changed)
	}
}

func firstOf(a, _ *Field, _ []maps.Spot) *Field      { return a }
func secondOf(_, b *Field, _ []maps.Spot) *Field     { return b }
func spotsOf(_, _ *Field, s []maps.Spot) []maps.Spot { return s }

// Two energies: evidence adds up, and what neither tells alone is told together.
func TestCombine(t *testing.T) {
	spot := func(x float64, silica, silicone float64) maps.Spot {
		return maps.Spot{XUm: x, YUm: 1, Verdict: maps.CannotTell, Target: "SiO2", Evidence: map[string]float64{"SiO2": silica, "silicone": silicone}}
	}
	first := []maps.Spot{spot(1, 0, 2), spot(5, 1, 0), spot(9, 0, 1)}
	second := []maps.Spot{spot(5.1, 3, 0), spot(1.05, 0, 1.5)}
	out, pairs, err := Combine(first, second, .3, 0)
	if err != nil || pairs != 2 {
		t.Fatal(pairs, err)
	}
	if out[0].Verdict != maps.TargetVerdict || out[0].Evidence["silicone"] != 3.5 {
		t.Errorf("0 and 2 with 0 and 1.5: %s %v", out[0].Verdict, out[0].Evidence)
	}
	if out[1].Verdict != maps.OtherCompound || out[1].Compound != "silicone" || out[1].Evidence["SiO2"] != 4 {
		t.Errorf("1 and 0 with 3 and 0: %s %s %v", out[1].Verdict, out[1].Compound, out[1].Evidence)
	}
	if out[2].Verdict != maps.CannotTell || out[2].Evidence["silicone"] != 1 {
		t.Errorf("a spot without a partner changed: %+v", out[2])
	}
	second[0].Doubt = "counts are not explained"
	if out, _, _ = Combine(first, second, .3, 0); out[1].Verdict != maps.CannotTell {
		t.Errorf("named %s in spite of a doubt", out[1].Compound)
	}
	if _, _, err := Combine(first, []maps.Spot{{XUm: math.NaN()}}, .3, 0); err == nil {
		t.Error("spots without positions in µm are accepted")
	}
}
