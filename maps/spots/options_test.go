package spots

import (
	"context"
	"math"
	"strings"
	"testing"

	"example.org/fleck/maps"
)

// Wrong options are errors that name the package and the offending value.
func TestOptionsRefused(t *testing.T) {
	f, err := NewField(2, 2, worldChannels, make([]uint32, 4*worldChannels), maps.Pixel{})
	if err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct {
		name   string
		change func(o *Options)
		want   string // part of the message
	}{
		{"no target", func(o *Options) { o.Target = Template{} }, "target without a name"},
		{"short template", func(o *Options) { o.Target.Spectrum = o.Target.Spectrum[:9] }, "9 channels"},
		{"no line", func(o *Options) { o.Target.Line = nil }, "line family"},
		{"line above spectrum", func(o *Options) {
			o.Target.Line = append([]float64(nil), o.Target.Line...)
			o.Target.Line[3] = 1
		}, "channel 3"},
		{"negative substrate", func(o *Options) {
			o.Substrate = append([]float64(nil), o.Substrate...)
			o.Substrate[7] = -1
		}, "channel 7 holds -1"},
		{"zero substrate", func(o *Options) { o.Substrate = make([]float64, worldChannels) }, "sum of the channels is 0"},
		{"substrate counts", func(o *Options) { o.SubstrateCounts = math.NaN() }, "NaN"},
		{"two of one name", func(o *Options) { o.Confusers = append(o.Confusers, worldSilica()) }, `"SiO2" occurs twice`},
		{"falling widths", func(o *Options) { o.Widths = []float64{2, 1} }, "widths must rise"},
		{"width of zero", func(o *Options) { o.Widths = []float64{0} }, "between 0.2 and 64"},
		{"smallest width", func(o *Options) { o.Widths, o.MinWidthPx = []float64{1}, 2 }, "smallest width 2 px"},
		{"q of 2", func(o *Options) { o.Q = 2 }, "false discovery rate 2"},
		{"few replicas", func(o *Options) { o.Bootstrap = 5 }, "replicas: 5"},
		{"replicas for alpha", func(o *Options) { o.Bootstrap, o.Alpha = 50, .001 }, "at least 1000"},
		{"classes", func(o *Options) { o.Classes = 1 }, "channel classes: 1"},
	} {
		opt := worldOptions()
		tc.change(&opt)
		_, err := Find(context.Background(), f, opt)
		if err == nil || !strings.HasPrefix(err.Error(), "spots: ") || !strings.Contains(err.Error(), tc.want) {
			t.Errorf("%s: error %v, want one with %q", tc.name, err, tc.want)
		}
	}
	if _, err := Find(context.Background(), nil, worldOptions()); err == nil {
		t.Error("no field gave no error")
	}
}

// A sum of counts as substrate carries its own number of counts; a calculated
// spectrum carries none.
func TestSubstrateCountsFromCounts(t *testing.T) {
	f, err := NewField(1, 1, worldChannels, make([]uint32, worldChannels), maps.Pixel{})
	if err != nil {
		t.Fatal(err)
	}
	counts := make([]float64, worldChannels)
	for c := range counts {
		counts[c] = float64(3 * c)
	}
	opt := worldOptions()
	opt.Substrate = counts
	if got, err := opt.withDefaults(f); err != nil || got.SubstrateCounts != sumOf(counts) {
		t.Errorf("counts: %g, %v; want %g", got.SubstrateCounts, err, sumOf(counts))
	}
	opt.Substrate = worldAluminium()
	if got, err := opt.withDefaults(f); err != nil || got.SubstrateCounts != 0 {
		t.Errorf("calculated: %g, %v; want 0", got.SubstrateCounts, err)
	}
}

func TestCancel(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	f := worldField(newTestRand(3), 16, 16, 30, worldAluminium(), nil)
	if _, err := Find(ctx, f, worldOptions()); err == nil || !strings.Contains(err.Error(), "canceled") {
		t.Errorf("error %v of a cancelled search", err)
	}
}
