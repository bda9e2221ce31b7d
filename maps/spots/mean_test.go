package spots

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// meanSpectra draws sum spectra of 2e5 counts with the share of silica.
func meanSpectra(rng *rand.Rand, n int, share, shiftEV float64) [][]float64 {
	s0, s1 := worldAluminium(), worldSilica().Spectrum
	var out [][]float64
	for range n {
		s := make([]float64, len(s0))
		t := shiftEV / 20
		for c := range s {
			m := (1-share)*s0[c] + share*s1[c]
			if c > 0 && c < len(s)-1 {
				m = (1-t)*m + t*((1-share)*s0[c-1]+share*s1[c-1])
			}
			s[c] = distuv.Poisson{Lambda: 2e5 * m, Src: rng}.Rand()
		}
		out = append(out, s)
	}
	return out
}

func TestFieldMean(t *testing.T) {
	opt := MeanOptions{Target: worldSilica(), Nuisance: []Template{{Name: "C K", Spectrum: worldLine(277)}}}
	rng := rand.New(rand.NewPCG(1, 1))
	for _, share := range []float64{0, .003, .05} {
		held, alarms := 0, 0
		const runs = 60
		for range runs {
			m, err := FieldMean(meanSpectra(rng, 2, share, 0), meanSpectra(rng, 4, 0, 0), opt)
			if err != nil {
				t.Fatal(err)
			}
			if m.Low <= share && share <= m.High {
				held++
			}
			if m.PValue <= .05 {
				alarms++
			}
			if !(m.Limit >= m.Share) || len(m.Blank) != 4 || len(m.Treated) != 2 {
				t.Fatalf("%+v", m)
			}
		}
		// 95 % of 60 less five standard errors of 0.028.
		if held < 49 {
			t.Errorf("share %g: %d of %d intervals hold it", share, held, runs)
		}
		if limit := binomialLimit(runs, .05); share == 0 && alarms > limit || share > 0 && alarms < runs-2 {
			t.Errorf("share %g: %d of %d found", share, alarms, runs)
		}
	}
	// A shift of the axis of 5 eV between the sides is no deposit.
	alarms := 0
	for range 30 {
		m, err := FieldMean(meanSpectra(rng, 2, 0, 5), meanSpectra(rng, 4, 0, 0), opt)
		if err != nil {
			t.Fatal(err)
		}
		if m.PValue <= .05 {
			alarms++
		}
	}
	if limit := binomialLimit(30, .05); alarms > limit {
		t.Errorf("%d alarms in 30 fields shifted by 5 eV", alarms)
	}
}

func TestFieldMeanBadInput(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 1))
	good, opt := meanSpectra(rng, 2, 0, 0), MeanOptions{Target: worldSilica()}
	m, err := FieldMean(good, nil, opt)
	if err != nil || !math.IsNaN(m.Share) || !strings.Contains(m.Reason, "cannot be seen") {
		t.Errorf("without blank fields: %+v, %v", m, err)
	}
	if m, err = FieldMean(good, good[:1], opt); err != nil || !strings.Contains(m.Reason, "one blank field") {
		t.Errorf("one blank field: %+v, %v", m, err)
	}
	same := opt
	same.Nuisance = []Template{{Name: "O", Spectrum: worldSilica().Line}}
	if _, err := FieldMean(good, good, same); !errors.Is(err, ErrInseparable) {
		t.Errorf("the own line as a nuisance: %v", err)
	}
	for name, call := range map[string]func() (*Mean, error){
		"nothing":        func() (*Mean, error) { return FieldMean(nil, good, opt) },
		"other channels": func() (*Mean, error) { return FieldMean(good, [][]float64{good[0][1:]}, opt) },
		"an empty blank": func() (*Mean, error) { return FieldMean(good, [][]float64{make([]float64, worldChannels)}, opt) },
		"a level of 2":   func() (*Mean, error) { return FieldMean(good, good, MeanOptions{Target: worldSilica(), Level: 2}) },
		"no own line": func() (*Mean, error) {
			return FieldMean(good, good, MeanOptions{Target: Template{Name: "x", Spectrum: worldSilica().Spectrum}})
		},
	} {
		if _, err := call(); err == nil {
			t.Errorf("%s is accepted", name)
		}
	}
}

// Evenness: even fields are rarely called uneven, two phases always; grains stand
// out as blocks and leave the rest even.
func TestEvenness(t *testing.T) {
	line := worldSilica().Line
	uneven := 0
	for i := range uint64(20) {
		if worldField(rand.New(rand.NewPCG(i, 2)), 32, 32, 50, worldAluminium(), nil).evenness(line, nil, 1).uneven {
			uneven++
		}
	}
	if uneven > 4 { // 2.3 % each: more has a chance below 1e-4
		t.Errorf("%d of 20 even fields are called uneven", uneven)
	}
	rng := rand.New(rand.NewPCG(3, 2))
	phase := worldMix(map[float64]float64{277: .02, 525: .05, 1254: .20, 1487: .40}, .33)
	var half []planted
	for i := range 6 {
		half = append(half, planted{16, float64(3 + 5*i), 4, .9, phase})
	}
	if !worldField(rng, 32, 32, 50, worldAluminium(), half).evenness(line, nil, 1).uneven && worldField(rng, 32, 32, 50, worldAluminium(), half).evenness(line, nil, 1).share < .2 {
		t.Error("a band of another phase is not seen")
	}
	grain := planted{10, 20, 1.5, .6, worldMix(map[float64]float64{277: .5, 525: .05}, .45)}
	p := worldField(rng, 32, 32, 50, worldAluminium(), []planted{grain}).evenness(line, nil, 1)
	if !p.odd.In[20*32+10] || p.share > .15 {
		t.Errorf("grain of carbon: marked %v, %.2f of the field", p.odd.In[20*32+10], p.share)
	}
}

// A field of two phases is remarked upon, and holds no spot of the target.
func TestUnevenFieldIsSaid(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 2))
	var band []planted
	for i := range 6 {
		band = append(band, planted{16, float64(3 + 5*i), 5, .9, worldMix(map[float64]float64{277: .02, 525: .05, 1254: .20, 1487: .40}, .33)})
	}
	f := worldField(rng, 32, 32, 50, worldAluminium(), band)
	opt := worldOptions()
	opt.Substrate, opt.Bootstrap, opt.Widths = nil, 39, []float64{.8, 1.6}
	r, err := Find(context.Background(), f, opt)
	if err != nil {
		t.Fatal(err)
	}
	if r.Detected || len(r.Spots) > 0 {
		t.Errorf("%d spots, p = %g", len(r.Spots), r.PValue)
	}
	if !r.Uneven && r.OddShare < .2 {
		t.Errorf("uneven %v, %.2f odd", r.Uneven, r.OddShare)
	}
	if said := strings.Join(r.Remarks, "; "); !strings.Contains(said, "varies from place to place") && !strings.Contains(said, "another spectrum") {
		t.Errorf("remarks %q", r.Remarks)
	}
}
