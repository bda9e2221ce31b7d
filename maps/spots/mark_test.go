package spots

import (
	"testing"

	"example.org/fleck/maps"
)

func namedSpots(compound string, n int) []maps.Spot {
	out := make([]maps.Spot, n)
	for i := range out {
		out[i] = maps.Spot{Verdict: maps.OtherCompound, Compound: compound}
	}
	return out
}

func TestMarkSubstrate(t *testing.T) {
	for _, tc := range []struct {
		name           string
		treated, blank int
		areas          [2]float64
		marked         bool
	}{
		{"as often", 5, 4, [2]float64{1, 1}, true},
		{"as often per area", 12, 3, [2]float64{4, 1}, true},
		{"far more often", 20, 1, [2]float64{1, 1}, false},
		{"never in blanks", 1, 0, [2]float64{1, 1}, false},
	} {
		treated := []Population{{Spots: namedSpots("TiN", tc.treated), Area: tc.areas[0]}}
		out, occ, err := MarkSubstrate(treated, []Population{{Spots: namedSpots("TiN", tc.blank), Area: tc.areas[1]}}, 0)
		if err != nil {
			t.Fatal(err)
		}
		want := maps.OtherCompound
		if tc.marked {
			want = maps.SubstrateSpot
		}
		for _, s := range out[0].Spots {
			if s.Verdict != want || s.Compound != "TiN" {
				t.Errorf("%s: verdict %s %q, want %s \"TiN\" (p = %g)", tc.name, s.Verdict, s.Compound, want, occ[0].PValue)
			}
		}
		if treated[0].Spots[0].Verdict != maps.OtherCompound {
			t.Errorf("%s: the caller's spots were changed", tc.name)
		}
	}
	// A spot without a name is never marked.
	out, _, err := MarkSubstrate([]Population{{Spots: namedSpots("", 1), Area: 1}}, []Population{{Spots: namedSpots("", 3), Area: 1}}, 0)
	if err != nil || out[0].Spots[0].Verdict != maps.OtherCompound {
		t.Errorf("spot without a name: %v, %v", out, err)
	}
	if _, _, err := MarkSubstrate([]Population{{Area: 0}}, nil, 0); err == nil {
		t.Error("an area of 0 gave no error")
	}
}
