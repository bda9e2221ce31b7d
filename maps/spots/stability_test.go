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

// statements are whether each of the four is made at a level.
func statements(r *StabilityResult, alpha float64) [4]bool {
	return [4]bool{r.Dose.PValue <= alpha, r.Carbon.PValue <= alpha, r.Target.PValue <= alpha,
		math.Exp(-(r.DriftX*r.DriftX+r.DriftY*r.DriftY)/(2*r.DriftSigma*r.DriftSigma)) <= alpha}
}

var statementNames = [4]string{"dose", "carbon", "target", "drift"}

// Where nothing changes each statement is made as often as its level says: at 5 % in
// 15 of 300 measurements, standard error 3.8. Fewer than 1 or more than 36 have a chance
// below 1e-6.
func TestStabilityNull(t *testing.T) {
	var made [4]int
	for seed := range uint64(300) {
		rng := rand.New(rand.NewPCG(seed, 77))
		tgt := worldSilica()
		var list []maps.Spot
		planted := scatter(rng, 3, 24, 24, 1.2, .3, 6, tgt.Spectrum)
		for i, p := range planted {
			list = append(list, maps.Spot{ID: i + 1, XPx: p.x, YPx: p.y, WidthPx: p.s})
		}
		// Halves of two and of three frames of 20 counts per pixel.
		a, b := worldField(rng, 24, 24, 40, worldAluminium(), planted), worldField(rng, 24, 24, 60, worldAluminium(), planted)
		r, err := Stability(a, b, StabilityOptions{Target: tgt, Carbon: Template{Name: "C K", Spectrum: worldLine(277)}, Spots: list, Exposure: [2]float64{2, 3}})
		if err != nil {
			t.Fatal(err)
		}
		for i, on := range statements(r, .05) {
			if on {
				made[i]++
			}
		}
	}
	t.Logf("statements made at 5 %% in 300 stable measurements: %v of %v", made, statementNames)
	for i, n := range made {
		if n < 1 || n > 36 {
			t.Errorf("%s: %d statements in 300 stable measurements at 5 %%; 15 ± 3.8 expected", statementNames[i], n)
		}
	}
}

func TestStability(t *testing.T) {
	for _, c := range []struct {
		lost, carbon, shift float64
		word                string
	}{{.4, 0, 0, "lost"}, {0, .03, 0, "carbon grew"}, {0, 0, 1, "moved"}} {
		a, b, s := halves(3, c.lost, c.carbon, c.shift)
		if r := stability(t, a, b, s); !strings.Contains(strings.Join(r.Remarks, "; "), c.word) {
			t.Errorf("lost %g, carbon %g, shift %g: remarks %q, want %q in them (target %+v, drift %.2f ± %.2f)", c.lost, c.carbon, c.shift, r.Remarks, c.word, r.Target, r.DriftX, r.DriftSigma)
		}
	}
	// Less target for lack of dose is no loss, nor is more carbon beside it.
	a, b, s := halves(3, 0, .1, 0)
	if r := stability(t, a, b, s); r.Target.Changed {
		t.Errorf("carbon grew: target %+v", r.Target)
	}
}

func TestStabilityOfLittle(t *testing.T) {
	a, b, list := halves(1, 0, 0, 0)
	opt := StabilityOptions{Target: worldSilica()}
	if _, err := Stability(a, nil, opt); err == nil {
		t.Error("a missing half is accepted")
	}
	for _, bad := range [][2]float64{{1, 0}, {-1, 1}, {math.NaN(), 1}} {
		opt.Exposure = bad
		if _, err := Stability(a, b, opt); err == nil || !strings.Contains(err.Error(), "must be above 0") {
			t.Errorf("exposures %v: %v", bad, err)
		}
	}
	if r := stability(t, a, a, nil); !math.IsNaN(r.DriftX) || !math.IsNaN(r.Target.First) || r.Dose.Changed {
		t.Errorf("without spots: drift %g, target %+v, dose changed %v", r.DriftX, r.Target, r.Dose.Changed)
	}
	// A spot as large as the field has no surroundings.
	wide := append(list[:1:1], maps.Spot{ID: 9, XPx: 20, YPx: 20, WidthPx: 30})
	if r := stability(t, a, b, wide); r.Spots != 1 || math.IsNaN(r.Target.First) {
		t.Errorf("%d spots compared, target %+v; want the one with surroundings", r.Spots, r.Target)
	}
	empty, err := NewField(40, 40, worldChannels, make([]uint32, 40*40*worldChannels), maps.Pixel{})
	if err != nil {
		t.Fatal(err)
	}
	if r := stability(t, a, empty, list); !r.Dose.Changed || len(r.Remarks) != 1 || !strings.Contains(r.Remarks[0], "second half holds no counts") || !math.IsNaN(r.Carbon.PValue) {
		t.Errorf("an empty half: %+v", r)
	}
	if r := stability(t, empty, empty, list); r.Dose.Changed || len(r.Remarks) != 2 {
		t.Errorf("two empty halves: %+v", r)
	}
}

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
