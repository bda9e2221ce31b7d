package spots

import (
	"context"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"example.org/fleck/maps"
	"example.org/fleck/maps/cube"
)

func bits(v float64) uint64 { return math.Float64bits(v) }

// The result has the same bits for any number of workers, for one transform
// and for several tiles.
func TestWorkersGiveTheSameBits(t *testing.T) {
	for i, tc := range []struct {
		name string
		w, h int
		same bool // substrate from the field itself
	}{{"one tile, blank", 40, 33, false}, {"one tile, same field", 33, 40, true}, {"two tiles", 330, 12, false}} {
		t.Run(tc.name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(3, 9))
			sp := scatter(rng, 3, tc.w, tc.h, 1, .3, 8, worldSilica().Spectrum)
			f := worldField(rng, tc.w, tc.h, 40, worldAluminium(), sp)
			opt := worldOptions()
			opt.Bootstrap, opt.Widths, opt.NoLimit = 39, []float64{.8, 1.6}, i > 0
			if tc.same {
				opt.Substrate = nil
			}
			var want *Result
			for _, workers := range []int{1, 2, 3, 8} {
				opt.Workers = workers
				got, err := Find(context.Background(), f, opt)
				if err != nil {
					t.Fatal(err)
				}
				if want == nil {
					want = got
					if len(got.Spots) == 0 {
						t.Fatal("no spot found: the comparison would say little")
					}
					continue
				}
				if len(got.Spots) != len(want.Spots) || bits(got.PValue) != bits(want.PValue) || bits(got.Threshold) != bits(want.Threshold) ||
					bits(got.Limit.ExcessCounts) != bits(want.Limit.ExcessCounts) {
					t.Fatalf("%d workers: %d spots, p %v, threshold %v, limit %v; one worker: %d, %v, %v, %v", workers,
						len(got.Spots), got.PValue, got.Threshold, got.Limit.ExcessCounts, len(want.Spots), want.PValue, want.Threshold, want.Limit.ExcessCounts)
				}
				for p, v := range got.LLR.V {
					if bits(v) != bits(want.LLR.V[p]) {
						t.Fatalf("%d workers: LLR of pixel %d is %v, with one worker %v", workers, p, v, want.LLR.V[p])
					}
				}
				for i, s := range got.Spots {
					o := want.Spots[i]
					for _, v := range [][2]float64{{s.XPx, o.XPx}, {s.YPx, o.YPx}, {s.WidthPx, o.WidthPx}, {s.ExcessCounts, o.ExcessCounts}, {s.ExcessSigma, o.ExcessSigma}, {s.LineCounts, o.LineCounts}, {s.QValue, o.QValue}} {
						if bits(v[0]) != bits(v[1]) {
							t.Fatalf("%d workers: spot %d %+v, with one worker %+v", workers, i, s, o)
						}
					}
					for name, v := range s.Evidence {
						if bits(v) != bits(o.Evidence[name]) {
							t.Fatalf("%d workers: spot %d, %s: evidence %v, with one worker %v", workers, i, name, v, o.Evidence[name])
						}
					}
				}
			}
		})
	}
}

// turned returns the field mirrored in x, in y, or transposed.
func turned(f *Field, how string) *Field {
	w, h := f.W, f.H
	if how == "transpose" {
		w, h = h, w
	}
	b, err := NewBuilder(w, h, f.nc, Range{}, f.Pixel)
	if err != nil {
		panic(err)
	}
	row := make([]uint32, w*f.nc)
	for y := range h {
		clear(row)
		for x := range w {
			sx, sy := x, y
			switch how {
			case "x":
				sx = w - 1 - x
			case "y":
				sy = h - 1 - y
			case "transpose":
				sx, sy = y, x
			}
			p := sy*f.W + sx
			for i := f.start[p]; i < f.start[p+1]; i++ {
				row[x*f.nc+int(f.ch[i])] += uint32(f.n[i])
			}
		}
		if err := b.AddRow(row); err != nil {
			panic(err)
		}
	}
	out, err := b.Field()
	if err != nil {
		panic(err)
	}
	return out
}

// A mirrored field gives mirrored spots. The transforms round differently, so
// heights agree to 1e-9 and fitted places to the last step of the pattern search
// (0.4·0.004/0.2 widths).
func TestFlips(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	sp := scatter(rng, 4, 48, 36, 1, .3, 9, worldSilica().Spectrum)
	f := worldField(rng, 48, 36, 60, worldAluminium(), sp)
	opt := worldOptions()
	opt.Bootstrap = 39
	want, err := Find(context.Background(), f, opt)
	if err != nil {
		t.Fatal(err)
	}
	if len(want.Spots) < 3 {
		t.Fatalf("%d spots; the comparison needs some", len(want.Spots))
	}
	for _, how := range []string{"x", "y", "transpose"} {
		g := turned(f, how)
		got, err := Find(context.Background(), g, opt)
		if err != nil {
			t.Fatal(err)
		}
		at := func(x, y float64) (float64, float64) {
			switch how {
			case "x":
				return float64(f.W-1) - x, y
			case "y":
				return x, float64(f.H-1) - y
			}
			return y, x
		}
		for y := range f.H {
			for x := range f.W {
				gx, gy := at(float64(x), float64(y))
				a, b := want.LLR.At(x, y), got.LLR.At(int(gx), int(gy))
				if math.Abs(a-b) > 1e-9*(1+math.Abs(a)) {
					t.Fatalf("%s: LLR of pixel (%d, %d) is %.15g, turned %.15g", how, x, y, a, b)
				}
			}
		}
		if len(got.Spots) != len(want.Spots) {
			t.Fatalf("%s: %d spots, turned %d", how, len(want.Spots), len(got.Spots))
		}
		for _, s := range want.Spots {
			x, y := at(s.XPx, s.YPx)
			o, d := nearest(got.Spots, x, y)
			if d > 0.05*s.WidthPx || o.Verdict != s.Verdict || math.Abs(o.ExcessCounts-s.ExcessCounts) > .05*s.ExcessSigma+.02*s.ExcessCounts {
				t.Errorf("%s: spot %+v turned into %+v", how, s, o)
			}
		}
	}
}

func TestDegenerateFields(t *testing.T) {
	s0 := worldAluminium()
	draw := func(w, h int, counts float64) []uint32 {
		rng := rand.New(rand.NewPCG(8, 8))
		pick := newPicker(s0)
		out := make([]uint32, w*h*worldChannels)
		for p := range w * h {
			for range poissonDraw(rng, counts) {
				out[p*worldChannels+pick.draw(rng)]++
			}
		}
		return out
	}
	zeroRows := draw(20, 20, 30)
	clear(zeroRows[3*20*worldChannels : 9*20*worldChannels])
	hot := draw(5, 5, 10)
	hot[12*worldChannels+68] = 200000 // more than 16 bits, Al K
	for _, tc := range []struct {
		name   string
		w, h   int
		counts []uint32
	}{
		{"empty", 8, 8, make([]uint32, 64*worldChannels)},
		{"one pixel", 1, 1, draw(1, 1, 200)},
		{"one row", 30, 1, draw(30, 1, 50)},
		{"zero rows", 20, 20, zeroRows},
		{"hot pixel", 5, 5, hot},
		{"few counts", 16, 16, draw(16, 16, .05)},
	} {
		for _, same := range []bool{false, true} {
			f, err := NewField(tc.w, tc.h, worldChannels, tc.counts, maps.Pixel{})
			if err != nil {
				t.Fatal(err)
			}
			opt := worldOptions()
			opt.Bootstrap, opt.NoLimit, opt.Widths = 39, same, []float64{.8, 1.6}
			if same {
				opt.Substrate = nil
			}
			r, err := Find(context.Background(), f, opt)
			if err != nil {
				// A field of few counts cannot tell the target from its own sum spectrum:
				// that is an answer, the wrong one would be a spot.
				if same && (tc.name == "one pixel" || tc.name == "few counts" || tc.name == "hot pixel") {
					continue
				}
				t.Errorf("%s (substrate from the field: %v): %v", tc.name, same, err)
				continue
			}
			if len(r.Spots) != 0 || !(r.PValue > .04) {
				t.Errorf("%s (substrate from the field: %v): %d spots, p = %g in a field without", tc.name, same, len(r.Spots), r.PValue)
			}
			if math.IsNaN(r.Limit.ExcessCounts) && r.Limit.Reason == "" {
				t.Errorf("%s: no limit and no reason", tc.name)
			}
			if slices.ContainsFunc(r.LLR.V, math.IsNaN) {
				t.Errorf("%s: NaN in the map of the likelihood ratio", tc.name)
			}
		}
	}
}

// Load of a cube gives the field that its rows give, counts above 16 bits
// included, for any number of workers and a part of the channels.
func TestLoad(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 1))
	m, err := cube.NewMemory(cube.Header{Width: 7, Height: 5, Channels: 9})
	if err != nil {
		t.Fatal(err)
	}
	for i := range m.Data {
		if rng.IntN(3) == 0 {
			m.Data[i] = uint32(rng.IntN(5))
		}
	}
	m.Data[40] = 200001
	for _, workers := range []int{1, 3} {
		f, err := Load(context.Background(), m, Range{2, 8}, workers, nil)
		if err != nil {
			t.Fatal(err)
		}
		for p := range 35 {
			got := make([]float64, 6)
			f.addTo(got, p, 1)
			total := 0.0
			for c, v := range got {
				if want := float64(m.Data[p*9+2+c]); v != want {
					t.Errorf("pixel %d, channel %d: %g counts, want %g", p, c, v, want)
				}
				total += v
			}
			if float64(f.totals[p]) != total {
				t.Errorf("pixel %d: total %d, want %g", p, f.totals[p], total)
			}
		}
		if s := f.Sum(); sumOf(s) != f.Total() {
			t.Errorf("sum spectrum holds %g, totals %g", sumOf(s), f.Total())
		}
	}
	if _, err := Load(context.Background(), m, Range{2, 10}, 1, nil); err == nil {
		t.Error("channels beyond the cube gave no error")
	}
}
