package spots

import (
	"context"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"example.org/fleck/maps"
)

// shaded draws a field whose counts per pixel vary from 40 % to 160 % along x
// and fall to a third on every seventh row, as on a scratched surface.
func shaded(rng *rand.Rand, w, h int, counts float64, s0 []float64) *Field {
	b, err := NewBuilder(w, h, len(s0), Range{}, maps.Pixel{})
	if err != nil {
		panic(err)
	}
	pick := newPicker(s0)
	row := make([]uint32, w*len(s0))
	for y := range h {
		clear(row)
		for x := range w {
			mu := counts * (.4 + 1.2*float64(x)/float64(w))
			if y%7 == 3 {
				mu /= 3
			}
			for range poissonDraw(rng, mu) {
				row[x*len(s0)+pick.draw(rng)]++
			}
		}
		if err := b.AddRow(row); err != nil {
			panic(err)
		}
	}
	f, err := b.Field()
	if err != nil {
		panic(err)
	}
	return f
}

// substrateMode says where the substrate spectrum of a test comes from.
type substrateMode string

const (
	known substrateMode = "known"
	blank substrateMode = "blank field"
	same  substrateMode = "same field"
)

// options returns settings for a field by the mode; rng draws the blank.
func (m substrateMode) options(rng *rand.Rand, f *Field, s0 []float64) Options {
	opt := Options{Target: worldSilica(), Confusers: worldConfusers(), Seed: rng.Uint64(), NoLimit: true}
	switch m {
	case known:
		opt.Substrate = s0
	case blank:
		opt.Substrate = make([]float64, len(s0))
		for c, p := range s0 {
			opt.Substrate[c] = float64(poissonDraw(rng, f.Total()*p))
		}
		opt.SubstrateCounts = sumOf(opt.Substrate)
	}
	return opt
}

type levels struct {
	fields, alarms int     // fields, and those with PValue ≤ 0.05
	listed         int     // fields with a spot in the list
	mean           float64 // of the p-values
	mismatch       int     // fields that contradict their blank
}

// measureLevels runs Find on fields without spots.
func measureLevels(t *testing.T, mode substrateMode, fields, side, bootstrap int, counts float64, widths []float64) levels {
	s0 := worldAluminium()
	p := make([]float64, fields)
	listed, mismatch := make([]bool, fields), make([]bool, fields)
	parallel(fields, 0, func() func(int) {
		return func(i int) {
			rng := rand.New(rand.NewPCG(21, uint64(i)))
			f := shaded(rng, side, side, counts, s0)
			opt := mode.options(rng, f, s0)
			opt.Bootstrap, opt.Workers, opt.Widths = bootstrap, 1, widths
			r, err := Find(context.Background(), f, opt)
			if err != nil {
				t.Error(err)
				return
			}
			p[i], listed[i], mismatch[i] = r.PValue, len(r.Spots) > 0, r.BlankP < blankAlpha
		}
	})
	out := levels{fields: fields}
	for i, v := range p {
		out.mean += v / float64(fields)
		if v <= .05 {
			out.alarms++
		}
		if listed[i] {
			out.listed++
		}
		if mismatch[i] {
			out.mismatch++
		}
	}
	return out
}

// binomialLimit returns the number of successes that a binomial count exceeds
// with probability below 1e-6.
func binomialLimit(n int, p float64) int {
	tail, f := 1.0, math.Pow(1-p, float64(n))
	for k := 0; k <= n; k++ {
		tail -= f
		if tail < 1e-6 {
			return k
		}
		f *= float64(n-k) / float64(k+1) * p / (1 - p)
	}
	return n
}

// Fields without spots, strongly shaded: alarms at alpha = 0.05 and non-empty
// lists at q = 0.05 stay within the binomial scatter.
func TestFalseAlarms(t *testing.T) {
	if testing.Short() {
		t.Skip("long: left out of short runs")
	}
	const fields = 30
	for _, mode := range []substrateMode{blank, same} {
		l := measureLevels(t, mode, fields, 18, 39, 30, []float64{.8, 1.6})
		if limit := binomialLimit(fields, .05); l.alarms > limit || l.listed > limit {
			t.Errorf("%s: %d alarms and %d lists in %d fields without spots; more than %d has a chance below 1e-6", mode, l.alarms, l.listed, fields, limit)
		}
		if l.mismatch > 0 {
			t.Errorf("%s: %d of %d fields contradict their own blank", mode, l.mismatch, fields)
		}
	}
}

// A field that holds more oxygen than its blank, all over or in patches: no
// spot of silica may be listed, and the blank is given up in the first case.
func TestOxideIsNotSilica(t *testing.T) {
	s0 := worldAluminium()
	oxidised := worldMix(map[float64]float64{277: .02, 525: .045, 1487: .65}, .30)
	rng := rand.New(rand.NewPCG(31, 1))
	f := worldField(rng, 48, 48, 80, oxidised, nil)
	opt := blank.options(rng, f, s0)
	opt.Bootstrap = 59
	r, err := Find(context.Background(), f, opt)
	if err != nil {
		t.Fatal(err)
	}
	if r.SubstrateFrom != FromField || !(r.BlankP < blankAlpha) || len(r.Remarks) == 0 {
		t.Errorf("half as much oxygen again: substrate from %s, p = %g", r.SubstrateFrom, r.BlankP)
	}
	if len(r.Spots) > 0 || r.Detected {
		t.Errorf("%d spots (p = %g) in an oxidised field without silica", len(r.Spots), r.PValue)
	}
	oxide := worldMix(map[float64]float64{1487: .45, 525: .30}, .25)
	var patches []planted
	for i := range 4 {
		patches = append(patches, planted{float64(9 + 10*i), float64(8 + 9*i), 1.5 + float64(i)/2, .5, oxide})
	}
	f = worldField(rng, 48, 48, 80, s0, patches)
	opt = blank.options(rng, f, s0)
	opt.Bootstrap = 59
	if r, err = Find(context.Background(), f, opt); err != nil {
		t.Fatal(err)
	}
	if len(r.Spots) > 0 || r.Detected {
		t.Errorf("%d spots (p = %g) on patches of oxide: %+v", len(r.Spots), r.PValue, r.Spots)
	}
	if len(r.Rejected) < 3 {
		t.Errorf("%d maxima rejected, want the four patches (one may be too faint)", len(r.Rejected))
	}
}

// A field evenly covered with target at a tenth of the counts: no spot may be
// claimed from its own spectrum, and against a blank the excess is right and the
// cover is remarked upon.
func TestEvenCover(t *testing.T) {
	rng := rand.New(rand.NewPCG(61, 1))
	s0 := worldAluminium()
	tgt := worldSilica().Spectrum
	mixed := make([]float64, len(s0))
	for c := range mixed {
		mixed[c] = .9*s0[c] + .1*tgt[c]
	}
	f := worldField(rng, 18, 18, 80, mixed, nil)
	opt := blank.options(rng, f, s0)
	opt.Bootstrap, opt.Widths, opt.KeepBlank = 39, []float64{.8, 1.6}, true
	r, err := Find(context.Background(), f, opt)
	if err != nil {
		t.Fatal(err)
	}
	if want := .1 * f.Total(); math.Abs(r.Excess-want) > 5*r.ExcessSigma || !(r.ExcessSigma < .1*want) {
		t.Errorf("excess %.0f ± %.0f, want %.0f", r.Excess, r.ExcessSigma, want)
	}
	if want := .1 * f.Total() * sumOf(worldSilica().Line); math.Abs(r.LineExcess-want) > 5*r.LineExcessSigma {
		t.Errorf("line excess %.0f ± %.0f, want %.0f", r.LineExcess, r.LineExcessSigma, want)
	}
	if !strings.Contains(strings.Join(r.Remarks, " "), "covers it") {
		t.Errorf("no remark on the cover: %q", r.Remarks)
	}
	opt.Substrate = nil
	if r, err = Find(context.Background(), f, opt); err != nil {
		t.Fatal(err)
	}
	if len(r.Spots) > 0 || r.Detected {
		t.Errorf("%d spots (p = %g) in an even field searched with its own spectrum", len(r.Spots), r.PValue)
	}
}
