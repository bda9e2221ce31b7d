package main

import (
	"math"
	"path/filepath"
	"strings"
	"testing"

	"example.org/fleck/maps"
	"example.org/fleck/maps/spots"
)

// The answer on a field names what was probed, what could not be seen, and a
// substrate that the field does not show.
func TestFieldInWords(t *testing.T) {
	dir := t.TempDir()
	field := cubeFile(t, filepath.Join(dir, "t.nrrd"), true, 1)
	blank := cubeFile(t, filepath.Join(dir, "b.nrrd"), false, 2)
	common := []string{"--target", "TiO2:4.23g/cm3", "--replicas", "39", "--no-limit"}
	for _, tt := range []struct {
		args        []string
		want, wrong []string
	}{
		{[]string{"spots", blank, "--substrate", "Fe"},
			[]string{"no spot found that may be TiO2", "detection limit: none (no limit was asked for); area probed 8e-05 mm²", "spread evenly over the field cannot be seen"}, []string{"The fields show no"}},
		{[]string{"spots", field, "--blank", blank, "--substrate", "Fe"},
			[]string{"whole field against the blank: "}, []string{"The fields show no", "spread evenly"}},
		{[]string{"spots", field, "--blank", blank, "--substrate", "Cu"}, []string{"The fields show no Cu, which the stated substrate Cu holds"}, nil},
	} {
		out, errs, code := fleck(t, append(tt.args, common...)...)
		if code != exitDone {
			t.Fatalf("%v: exit code %d: %s", tt.args, code, errs)
		}
		for _, text := range tt.want {
			if !strings.Contains(out, text) {
				t.Errorf("%v does not say %q:\n%s", tt.args, text, out)
			}
		}
		for _, text := range tt.wrong {
			if strings.Contains(out, text) {
				t.Errorf("%v says %q:\n%s", tt.args, text, out)
			}
		}
	}
	m := answer(t, exitDone, append([]string{"compare", "--treated", field, "--blank", blank, "--substrate", "Cu"}, common...)...)
	if v, _ := m["verdict"].(string); !strings.HasPrefix(v, "The fields show no Cu") {
		t.Errorf("verdict %q; the substrate is none of copper", v)
	}
}

func TestPrintLimit(t *testing.T) {
	l := spots.Limit{ExcessCounts: 25, Probability: 0.95}
	for _, tt := range []struct {
		nm, area float64
		want     string
	}{
		{240, 1.6e-4, "a spot of 25 counts in excess, about one sphere of 240 nm, is found with probability 0.95; smaller ones may be there; area probed 0.00016 mm²"},
		{math.NaN(), math.NaN(), "a spot of 25 counts in excess is found with probability 0.95; smaller ones may be there; area probed not known"},
	} {
		var e env
		e.printLimit(l, tt.nm, tt.area)
		if got := e.text.String(); !strings.Contains(got, tt.want) {
			t.Errorf("%q; want %q", got, tt.want)
		}
	}
}

func TestCoveredShare(t *testing.T) {
	m := maps.New(2, 2)
	copy(m.V, []float64{9, 9, 9, 1})
	for _, tt := range []struct {
		threshold, area, share float64
		covered                bool
	}{{5, 3, 0.75, true}, {5, 0.1, 0.75, false}, {9, 3, 0, false}, {math.NaN(), 3, 0, false}} {
		share, covered := coveredShare(&spots.Result{LLR: m, Threshold: tt.threshold, Spots: []maps.Spot{{AreaPx: tt.area}}})
		if share != tt.share || covered != tt.covered {
			t.Errorf("%+v: share %g, covered %v", tt, share, covered)
		}
	}
}
