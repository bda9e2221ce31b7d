package spots

import (
	"context"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"example.org/fleck/maps"
)

// worldMagnesium is a second phase of the aluminium of these tests.
func worldMagnesium() []float64 {
	return worldMix(map[float64]float64{277: .02, 525: .05, 1254: .20, 1487: .40}, .33)
}

// twoPhases is a field of side × side pixels of which the second phase has every
// third of 24 cells.
func twoPhases(rng *rand.Rand, side int, counts float64) mosaic {
	m := evenMosaic(side, side, counts, worldAluminium())
	m.spectra = append(m.spectra, worldMagnesium())
	m.cells(rng, 24, func(i int) int { return i % 3 / 2 })
	return m
}

// phased draws such a field with spots on it, and returns the true phases.
func phased(rng *rand.Rand, side int, counts float64, spots []planted) (*Field, []int) {
	m := twoPhases(rng, side, counts)
	m.grains = spots
	return m.draw(rng), m.label
}

// The phases of a field are those that it was made of, at 10 and 50 counts per
// pixel; an even field has one.
func TestPhasesAreFound(t *testing.T) {
	for _, counts := range []float64{10, 50} {
		f, truth := phased(newTestRand(3), 64, counts, nil)
		labels, n := partition([]*Field{f}, worldSilica().Line)
		if n != 2 {
			t.Fatalf("%g counts: %d phases; 2 are there", counts, n)
		}
		wrong := 0
		for p, k := range labels[0] {
			wrong += count(int(k) != truth[p])
		}
		// A pixel of 10 counts at the rim of a cell is a matter of chance.
		if share := float64(wrong) / float64(len(truth)); share > .02 {
			t.Errorf("%g counts: %.3f of the pixels were given to the other phase", counts, share)
		}
		phases, err := FindPhases([]*Field{f}, worldSilica())
		if err != nil {
			t.Fatal(err)
		}
		ones := 0.0
		for _, k := range truth {
			ones += float64(k)
		}
		if share := ones / float64(len(truth)); math.Abs(phases[1].Share-share) > .02 {
			t.Errorf("%g counts: the second phase has a share of %.3f; %.3f was drawn", counts, phases[1].Share, share)
		}
	}
	even := worldField(newTestRand(4), 64, 64, 50, worldAluminium(), nil)
	if _, n := partition([]*Field{even}, worldSilica().Line); n != 1 {
		t.Errorf("an even field was parted into %d phases", n)
	}
	if _, err := FindPhases(nil, worldSilica()); err == nil {
		t.Error("no fields were accepted")
	}
	short := worldSilica()
	short.Line = short.Line[1:]
	if _, err := FindPhases([]*Field{even}, short); err == nil || !strings.Contains(err.Error(), "channels") {
		t.Errorf("a line of other channels was accepted: %v", err)
	}
}

// A deposit of the target that covers a tenth of the field is no phase of the
// substrate.
func TestDepositIsNoPhase(t *testing.T) {
	rng := newTestRand(5)
	patch := planted{31, 31, 9, .5, worldSilica().Spectrum}
	f := worldField(rng, 64, 64, 50, worldAluminium(), []planted{patch})
	opt, err := Options{Target: worldSilica()}.withDefaults(f)
	if err != nil {
		t.Fatal(err)
	}
	s := newCubeSearch(f, opt)
	if _, n := partition([]*Field{f}, opt.Target.Line); n == 1 {
		t.Error("the deposit does not look like a phase: the test tests nothing")
	}
	if _, n, err := s.ownPhases(); err != nil || n != 1 {
		t.Errorf("the deposit became one of %d phases (%v)", n, err)
	}
}

// Spots on either of two phases are found, with the phases of the field itself
// and with those of a blank field, and the result says so.
func TestSpotsOnPhases(t *testing.T) {
	spots := []planted{{12, 12, 1.2, .3, nil}, {50, 14, 1.2, .3, nil}, {14, 50, 1.2, .3, nil}, {48, 48, 1.2, .3, nil}, {32, 30, 1.2, .3, nil}}
	for i := range spots {
		spots[i].spectrum = worldSilica().Spectrum
	}
	for _, mode := range []substrateMode{same, blank} {
		rng := newTestRand(8)
		f, truth := phased(rng, 64, 50, spots)
		opt := Options{Target: worldSilica(), Confusers: worldConfusers(), Seed: 1, Bootstrap: 39, NoLimit: true}
		if mode == blank {
			other, _ := phased(rng, 64, 50, nil)
			var err error
			if opt.Phases, err = FindPhases([]*Field{other}, opt.Target); err != nil {
				t.Fatal(err)
			}
		}
		r, err := Find(context.Background(), f, opt)
		if err != nil {
			t.Fatal(err)
		}
		if len(r.Phases) != 2 || len(r.PhaseOf) != 64*64 || r.Uneven {
			t.Fatalf("%s: %d phases, uneven %v", mode, len(r.Phases), r.Uneven)
		}
		if want := map[substrateMode]string{same: FromField, blank: FromBlank}[mode]; r.SubstrateFrom != want {
			t.Errorf("%s: the substrate is from the %s", mode, r.SubstrateFrom)
		}
		on := map[int]bool{}
		for _, q := range spots {
			s, d := nearest(r.Spots, q.x, q.y)
			if d > 1.5 {
				t.Errorf("%s: the spot at (%g, %g) was not found", mode, q.x, q.y)
				continue
			}
			on[truth[int(q.y)*64+int(q.x)]] = true
			if s.Verdict != maps.TargetVerdict {
				t.Errorf("%s: the spot at (%g, %g) was named %s %s (%s)", mode, q.x, q.y, s.Verdict, s.Compound, s.Reason)
			}
		}
		if len(on) != 2 {
			t.Fatalf("%s: spots on %d phases; the test needs both", mode, len(on))
		}
		if !strings.Contains(strings.Join(r.Remarks, "\n"), "2 phases") {
			t.Errorf("%s: no remark on phases in %q", mode, r.Remarks)
		}
	}
}

// Of a blank that fits a part of the field the rest is left out of the substrate; one
// that fits no part is given up, and the phases of the field itself are taken.
func TestPhasesOfAnotherBlank(t *testing.T) {
	rng := newTestRand(7)
	f, _ := phased(rng, 48, 50, nil)
	aluminium, salt := drawnCounts(rng, worldAluminium(), 1e5), drawnCounts(rng, worldMix(map[float64]float64{1041: .35}, .30), 1e5)
	carbon := drawnCounts(rng, worldMix(map[float64]float64{277: .5, 525: .05}, .45), 1e5)
	opt := Options{Target: worldSilica(), Seed: 1, Bootstrap: 39, NoLimit: true}
	for _, tt := range []struct {
		phases []Phase
		from   string
		own    int
	}{
		{[]Phase{{Spectrum: aluminium}, {Spectrum: salt}}, FromBlank, 0},
		{[]Phase{{Spectrum: carbon}, {Spectrum: salt}}, FromField, 2},
	} {
		opt.Phases = tt.phases
		r, err := Find(context.Background(), f, opt)
		if err != nil {
			t.Fatal(err)
		}
		if r.SubstrateFrom != tt.from || len(r.Phases) != tt.own || r.Detected || tt.own == 0 && !(r.OddShare > .1) {
			t.Errorf("substrate from the %s (p = %g), %d phases, odd share %.2f, field p %g", r.SubstrateFrom, r.BlankP, len(r.Phases), r.OddShare, r.PValue)
		}
	}
	for _, bad := range [][]Phase{make([]Phase, mostPhases+1), {{Spectrum: []float64{1}}, {Spectrum: []float64{1}}}, {{Spectrum: make([]float64, worldChannels)}, {Spectrum: worldAluminium()}}} {
		opt.Phases = bad
		if _, err := Find(context.Background(), f, opt); err == nil {
			t.Errorf("%d bad phases were accepted", len(bad))
		}
	}
}

// drawnCounts draws a spectrum of counts.
func drawnCounts(rng *rand.Rand, s []float64, counts float64) []float64 {
	out := make([]float64, len(s))
	for c, p := range s {
		out[c] = float64(poissonDraw(rng, counts*p))
	}
	return out
}

func TestBoxSum(t *testing.T) {
	got := boxSum([]float64{1, 2, 3, 4, 5, 6}, 3, 2, 1)
	for i, want := range []float64{12, 21, 16, 12, 21, 16} {
		if got[i] != want {
			t.Errorf("sum about pixel %d: %g, want %g", i, got[i], want)
		}
	}
}
