package composition

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"example.org/fleck/maps"
	"example.org/fleck/quant"
	"example.org/fleck/quant/matrix"
	"example.org/fleck/spectra/xray"
)

var geometry = quant.Geometry{BeamEnergy: 15 * xray.KeV, TakeOff: 35 * xray.Degree}

func peaks(t testing.TB, names ...string) []quant.Peak {
	t.Helper()
	var out []quant.Peak
	for _, s := range names {
		p, err := quant.ParsePeak(s)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, p)
	}
	return out
}

// field is a w×h field of random silicates: the compositions and the maps of
// the counts that a dose of perPixel counts of each standard gives, with noise
// when rng is set.
func field(t testing.TB, w, h int, perPixel float64, rng *rand.Rand) ([]Input, []quant.Composition) {
	t.Helper()
	ps := peaks(t, "Na K", "Mg K", "Al K", "Si K", "Ca K", "Fe K")
	model, err := matrix.NewPredictor(ps, []xray.Element{8}, geometry, matrix.Options{})
	if err != nil {
		t.Fatal(err)
	}
	inputs := make([]Input, len(ps))
	for i, p := range ps {
		inputs[i] = Input{Peak: p, Standard: perPixel, Counts: maps.Stack{Value: maps.New(w, h), Sigma: maps.New(w, h)}}
	}
	draw := rand.New(rand.NewPCG(21, 22))
	truth := make([]quant.Composition, w*h)
	const phases = 64 // compositions in the field
	var known []quant.Composition
	var ks [][]float64
	for range phases {
		mass := map[xray.Element]float64{}
		oxygen := 0.0
		sum := 0.0
		for _, p := range ps {
			if draw.Float64() < 0.75 {
				f := -math.Log(draw.Float64())
				bound := f * float64(quant.Valence(p.Element)) / 2 * quant.Oxygen.AtomicWeight() / p.Element.AtomicWeight()
				mass[p.Element] = f
				oxygen += bound
				sum += f + bound
			}
		}
		if sum == 0 {
			mass[14], oxygen, sum = 0.46743, 0.53257, 1
		}
		zs, fractions := []xray.Element{8}, []quant.MassFraction{quant.MassFraction(oxygen / sum)}
		for _, p := range ps {
			zs = append(zs, p.Element)
			fractions = append(fractions, quant.MassFraction(mass[p.Element]/sum))
		}
		c, err := quant.NewComposition(zs, fractions)
		if err != nil {
			t.Fatal(err)
		}
		pr, err := model.Predict(c)
		if err != nil {
			t.Fatal(err)
		}
		var k []float64
		for _, p := range pr {
			k = append(k, p.KRatio)
		}
		known, ks = append(known, c), append(ks, k)
	}
	for i := range truth {
		at := draw.IntN(phases)
		truth[i] = known[at]
		for j := range inputs {
			n := ks[at][j] * perPixel
			if rng != nil {
				n += math.Sqrt(n+1) * rng.NormFloat64()
			}
			inputs[j].Counts.Value.V[i] = n
			inputs[j].Counts.Sigma.V[i] = math.Sqrt(math.Max(n, 0) + 1)
		}
	}
	return inputs, truth
}

func silicate() Options {
	return Options{Geometry: geometry, Solve: quant.SolveOptions{Rule: quant.ByStoichiometry}}
}

// TestMaps: k-ratios predicted for silicates come back: exactly with the model,
// within 1 % of a mass fraction (0.002 for traces) in 95 of 100 pixels with the
// table, which deviates by as much.
func TestMaps(t *testing.T) {
	inputs, truth := field(t, 24, 16, 1e6, nil)
	for _, exact := range []bool{false, true} {
		opt := silicate()
		opt.Exact = exact
		r, err := Maps(context.Background(), inputs, opt)
		if err != nil {
			t.Fatal(err)
		}
		if len(r.Elements) != 7 || r.Count(OK) != len(truth) {
			t.Fatalf("exact %v: %d elements, %d pixels ok of %d (%v)", exact, len(r.Elements), r.Count(OK), len(truth), r.Pixels)
		}
		off, all, worst := 0, 0, 0.0
		for i, c := range truth {
			for j, z := range r.Elements {
				want, got := float64(c.Fraction(z)), r.Stacks[j].Value.V[i]
				d := math.Abs(got - want)
				worst = max(worst, d)
				all++
				limit := math.Max(0.01*want, 0.002)
				if exact {
					limit = 1e-4 // ten times the tolerance of the iteration
				}
				if d > limit {
					off++
				}
			}
		}
		t.Logf("exact %v: %d of %d values off, worst %.5f", exact, off, all, worst)
		if exact && off > 0 || off > all/20 {
			t.Errorf("exact %v: %d of %d values off by more than the limit, worst %.5f", exact, off, all, worst)
		}
	}
}

// TestRelative: standards in another unit change nothing when the maps are
// relative, and every pixel sums to 1.
func TestRelative(t *testing.T) {
	inputs, _ := field(t, 8, 8, 1e5, nil)
	opt := silicate()
	opt.Exact = true
	absolute, err := Maps(context.Background(), inputs, opt)
	if err != nil {
		t.Fatal(err)
	}
	for i := range inputs {
		inputs[i].Standard *= 37
	}
	opt.Relative = true
	r, err := Maps(context.Background(), inputs, opt)
	if err != nil {
		t.Fatal(err)
	}
	for i := range r.Flags {
		sum := 0.0
		for j := range r.Stacks {
			sum += r.Stacks[j].Value.V[i]
			if d := math.Abs(r.Stacks[j].Value.V[i] - absolute.Stacks[j].Value.V[i]); d > 2e-4 { // tolerance 1e-5 of the iteration on fractions that sum to 0.2 to 0.4
				t.Errorf("pixel %d, %s: %.5f relative, %.5f with standards", i, r.Elements[j], r.Stacks[j].Value.V[i], absolute.Stacks[j].Value.V[i])
			}
		}
		if math.Abs(sum-1) > 1e-9 || !math.IsNaN(r.Total.V[i]) {
			t.Errorf("pixel %d: sum %.9f, total %g; want 1 and none", i, sum, r.Total.V[i])
		}
	}
	if len(r.Remarks) < 2 {
		t.Errorf("remarks %q", r.Remarks)
	}
}

// TestFlags: each state of a pixel ends in its flag.
func TestFlags(t *testing.T) {
	mk := func(v, s float64, status maps.Status) maps.Stack {
		out := maps.Stack{Value: maps.New(1, 1), Sigma: maps.New(1, 1), Status: []maps.Status{status}}
		out.Value.V[0], out.Sigma.V[0] = v, s
		return out
	}
	for _, tt := range []struct {
		name   string
		fe, ni maps.Stack
		want   Flag
	}{
		{"bulk", mk(5344, 70, maps.OK), mk(4854, 70, maps.OK), OK},
		{"empty", mk(0, 1, maps.Empty), mk(0, 1, maps.Empty), NoCounts},
		{"all zero", mk(0, 1, maps.OK), mk(0, 1, maps.OK), NoCounts},
		{"failed", mk(math.NaN(), 1, maps.Failed), mk(3, 1, maps.OK), Failed},
		{"not a number", mk(math.Inf(1), 1, maps.OK), mk(3, 1, maps.OK), Failed},
		{"fit not converged", mk(5344, 70, maps.NotConverged), mk(4854, 70, maps.OK), NotConverged},
		{"few counts", mk(3, 2, maps.OK), mk(2, 2, maps.OK), Weak},
		{"thin", mk(1000, 30, maps.OK), mk(1000, 30, maps.OK), TotalOff},
	} {
		t.Run(tt.name, func(t *testing.T) {
			ps := peaks(t, "Fe K", "Ni K")
			r, err := Maps(context.Background(), []Input{{ps[0], tt.fe, 10000}, {ps[1], tt.ni, 10000}}, Options{Geometry: geometry})
			if err != nil {
				t.Fatal(err)
			}
			if r.Flags[0] != tt.want || r.Count(tt.want) != 1 {
				t.Errorf("flag %v, want %v; total %g", r.Flags[0], tt.want, r.Total.V[0])
			}
			if none := tt.want == NoCounts || tt.want == Failed; math.IsNaN(r.Stacks[0].Value.V[0]) != none {
				t.Errorf("value %g with flag %v", r.Stacks[0].Value.V[0], r.Flags[0])
			}
		})
	}
}

// TestPulls: over a noisy field (value − truth)/uncertainty has the mean 0 and
// the width 1. Traces near zero are left out, where the solver's lower bound
// shows. Limits: five standard errors of the width, and as much again of a
// width for what the table deviates.
func TestPulls(t *testing.T) {
	inputs, truth := field(t, 40, 40, 20000, rand.New(rand.NewPCG(7, 8)))
	r, err := Maps(context.Background(), inputs, silicate())
	if err != nil {
		t.Fatal(err)
	}
	for j, z := range r.Elements {
		var sum, squares, n float64
		for i, c := range truth {
			if want := float64(c.Fraction(z)); want > 0.05 {
				p := (r.Stacks[j].Value.V[i] - want) / r.Stacks[j].Sigma.V[i]
				sum, squares, n = sum+p, squares+p*p, n+1
			}
		}
		mean, width := sum/n, math.Sqrt(squares/n-sum/n*sum/n)
		t.Logf("%s: %0.f pulls, mean %+.3f, width %.3f", z, n, mean, width)
		if limit := 5/math.Sqrt(2*n) + 0.1; math.Abs(width-1) > limit || math.Abs(mean) > 5/math.Sqrt(n)+0.2 {
			t.Errorf("%s: pulls with mean %+.3f and width %.3f of %.0f", z, mean, width, n)
		}
	}
}

// TestWorkers: same bits for any number of workers.
func TestWorkers(t *testing.T) {
	inputs, _ := field(t, 17, 13, 3000, rand.New(rand.NewPCG(3, 4)))
	var first *Result
	for _, workers := range []int{1, 2, 3, 8} {
		opt := silicate()
		opt.Workers = workers
		calls := 0
		opt.Progress = func(done, total int) { calls++ }
		r, err := Maps(context.Background(), inputs, opt)
		if err != nil {
			t.Fatal(err)
		}
		if calls != 13 {
			t.Errorf("%d workers: %d reports of progress, want 13", workers, calls)
		}
		if first == nil {
			first = r
			continue
		}
		for j := range r.Stacks {
			for i := range r.Flags {
				if math.Float64bits(r.Stacks[j].Value.V[i]) != math.Float64bits(first.Stacks[j].Value.V[i]) || math.Float64bits(r.Stacks[j].Sigma.V[i]) != math.Float64bits(first.Stacks[j].Sigma.V[i]) || r.Flags[i] != first.Flags[i] {
					t.Fatalf("%d workers: pixel %d of %s differs from one worker", workers, i, r.Elements[j])
				}
			}
		}
	}
}

func TestErrors(t *testing.T) {
	good := func() []Input {
		in, _ := field(t, 2, 2, 100, nil)
		return in
	}
	for _, tt := range []struct {
		name string
		edit func(in []Input, opt *Options) []Input
		want string
	}{
		{"no maps", func([]Input, *Options) []Input { return nil }, "no net-count maps"},
		{"other size", func(in []Input, _ *Options) []Input { in[1].Counts.Value = maps.New(3, 2); return in }, "3 × 2"},
		{"shape", func(in []Input, _ *Options) []Input { in[1].Counts.Value.V = nil; return in }, "Mg K"},
		{"states", func(in []Input, _ *Options) []Input { in[2].Counts.Status = make([]maps.Status, 3); return in }, "3 states"},
		{"standard", func(in []Input, _ *Options) []Input { in[0].Standard = 0; return in }, "Na K has 0 counts"},
		{"element twice", func(in []Input, _ *Options) []Input { return append(in, in[0]) }, "two maps of element Na"},
		{"take-off", func(in []Input, o *Options) []Input { o.Geometry.TakeOff = 0; return in }, "take-off angle 0"},
		{"beam energy", func(in []Input, o *Options) []Input { o.Geometry.BeamEnergy = 3 * xray.KeV; return in }, "does not excite Ca K"},
		{"difference", func(in []Input, o *Options) []Input {
			o.Relative, o.Solve.Rule = true, quant.ByDifference
			return in
		}, "by difference"},
		{"limit", func(in []Input, o *Options) []Input { o.WeakTotal = -1; return in }, "-1"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			opt := silicate()
			in := tt.edit(good(), &opt)
			if _, err := Maps(context.Background(), in, opt); err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("error %v, want one that holds %q", err, tt.want)
			}
		})
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := Maps(ctx, good(), silicate()); !errors.Is(err, context.Canceled) {
		t.Errorf("error %v of a cancelled context", err)
	}
}

// BenchmarkMaps is a field of six elements and oxygen by stoichiometry, 128×128;
// 512×512 takes sixteen times as long.
func BenchmarkMaps(b *testing.B) {
	const w, h = 128, 128
	inputs, _ := field(b, w, h, 2000, rand.New(rand.NewPCG(1, 1)))
	opt := silicate()
	for b.Loop() {
		if _, err := Maps(context.Background(), inputs, opt); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.N)*w*h/b.Elapsed().Seconds(), "px/s")
}
