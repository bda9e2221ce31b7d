package spots

import (
	"math/rand/v2"
	"testing"

	"example.org/fleck/maps"
)

// TestSumBy: the sums of a partition are those of SumOver with the mask of each
// part, and add up to Sum.
func TestSumBy(t *testing.T) {
	const w, h, channels, parts = 9, 7, 40, 4
	rng := rand.New(rand.NewPCG(11, 1))
	counts := make([]uint32, w*h*channels)
	for i := range counts {
		if rng.IntN(3) == 0 {
			counts[i] = uint32(rng.IntN(90000)) // some beyond 16 bits
		}
	}
	f, err := NewField(w, h, channels, counts, maps.Pixel{})
	if err != nil {
		t.Fatal(err)
	}
	labels := make([]int32, w*h)
	for p := range labels {
		labels[p] = int32(rng.IntN(parts+1)) - 1
	}
	got, err := f.SumBy(labels, parts)
	if err != nil {
		t.Fatal(err)
	}
	for k := range parts {
		m := maps.NewMask(w, h)
		for p, l := range labels {
			m.In[p] = int(l) == k
		}
		want, err := f.SumOver(m)
		if err != nil {
			t.Fatal(err)
		}
		for c := range want {
			if got[k][c] != want[c] {
				t.Fatalf("part %d, channel %d: %g, want %g", k, c, got[k][c], want[c])
			}
		}
	}
	labels[3] = parts
	if _, err := f.SumBy(labels, parts); err == nil {
		t.Error("no error for a label without a region")
	}
	if _, err := f.SumBy(labels[1:], parts); err == nil {
		t.Error("no error for labels that do not cover the field")
	}
}
