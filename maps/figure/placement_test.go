package figure

import (
	"math"
	"sort"
	"testing"

	"pgregory.net/rapid"
)

// TestPlaceRows: labels of crowded marks never overlap, never leave the axis,
// touch their own line, and no line crosses a foreign label.
func TestPlaceRows(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		const low, high, space = 10.0, 230.0, 2.0
		const tiny = 1e-9 // points; places of 200 points are rounded by 3e-14
		n := rapid.IntRange(0, 60).Draw(t, "n")
		rows := rapid.IntRange(1, 5).Draw(t, "rows")
		at, width := make([]float64, n), make([]float64, n)
		for i := range n {
			at[i] = rapid.Float64Range(low, high).Draw(t, "at")
			width[i] = rapid.Float64Range(5, 60).Draw(t, "width")
		}
		slots := placeRows(at, width, low, high, rows, space)
		placed := 0
		for i, a := range slots {
			if !a.ok {
				continue
			}
			placed++
			if a.row < 0 || a.row >= rows || a.left < low-tiny || a.left+width[i] > high+tiny {
				t.Fatalf("label %d in row %d from %g to %g", i, a.row, a.left, a.left+width[i])
			}
			if at[i] < a.left-tiny || at[i] > a.left+width[i]+tiny {
				t.Fatalf("label %d from %g to %g is off its line at %g", i, a.left, a.left+width[i], at[i])
			}
			for j, b := range slots {
				if j == i || !b.ok {
					continue
				}
				if a.row == b.row && a.left < b.left+width[j]+space-tiny && b.left < a.left+width[i]+space-tiny {
					t.Fatalf("labels %d and %d overlap in row %d", i, j, a.row)
				}
				if b.row < a.row && at[i] > b.left && at[i] < b.left+width[j] {
					t.Fatalf("the line of label %d crosses label %d", i, j)
				}
			}
		}
		// The first mark always finds a place if its label fits on the axis.
		if n > 0 && at[0]-width[0]/2 >= low && at[0]+width[0]/2 <= high && !slots[0].ok {
			t.Fatalf("the most important of %d marks has no label", n)
		}
	})
}

// TestSpread: the least shift that keeps the step. Order, step and bounds hold,
// points with room do not move, and no single label could move closer to its
// mark without breaking the step (a necessary condition of the optimum).
func TestSpread(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 40).Draw(t, "n")
		low, high := 0.0, 200.0
		step := rapid.Float64Range(1, 8).Draw(t, "step")
		at := make([]float64, n)
		for i := range at {
			at[i] = rapid.Float64Range(low, high).Draw(t, "at")
		}
		sort.Float64s(at)
		got := spread(at, step, low, high)
		if fits := float64(n-1)*step <= high-low; (got != nil) != fits {
			t.Fatalf("%d points at step %g in %g: result %v", n, step, high-low, got)
		}
		const tiny = 1e-9
		for i, x := range got {
			if x < low-tiny || x > high+tiny {
				t.Fatalf("point %d at %g is out of bounds", i, x)
			}
			roomLeft, roomRight := x-low, high-x
			if i > 0 {
				roomLeft = x - got[i-1] - step
				if roomLeft < -tiny {
					t.Fatalf("points %d and %d are %g apart, want %g", i-1, i, x-got[i-1], step)
				}
			}
			if i < n-1 {
				roomRight = got[i+1] - x - step
			}
			if at[i] < x-1e-6 && roomLeft > 1e-6 || at[i] > x+1e-6 && roomRight > 1e-6 {
				t.Fatalf("point %d at %g could move towards %g (room %g and %g)", i, x, at[i], roomLeft, roomRight)
			}
		}
	})
}

// TestSpreadOptimal compares with the closed form for two points: they share
// the shift.
func TestSpreadOptimal(t *testing.T) {
	got := spread([]float64{10, 11}, 4, 0, 100)
	if want := []float64{8.5, 12.5}; math.Abs(got[0]-want[0]) > 1e-12 || math.Abs(got[1]-want[1]) > 1e-12 {
		t.Errorf("spread = %v, want %v", got, want)
	}
}

// TestPlaceNumbers: numbers of crowded spots overlap neither each other nor a
// foreign ring nor a foreign line, and stay on the map.
func TestPlaceNumbers(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		bounds := box{5, 5, 165, 145}
		n := rapid.IntRange(0, 80).Draw(t, "n")
		rings := make([]ring, n)
		for i := range rings {
			r := rapid.Float64Range(1, 9).Draw(t, "r")
			rings[i] = ring{
				at: point{rapid.Float64Range(5, 165).Draw(t, "x"), rapid.Float64Range(5, 145).Draw(t, "y")},
				r:  r, reach: r * 1.1, width: rapid.Float64Range(4, 18).Draw(t, "width"), height: 6.5,
			}
		}
		placed := placeNumbers(rings, bounds)
		for i, a := range placed {
			if !a.ok {
				continue
			}
			if !a.box.inside(bounds) {
				t.Fatalf("number %d at %v leaves the map", i, a.box)
			}
			for j, b := range placed {
				if i == j {
					continue
				}
				if b.ok && a.box.overlaps(b.box) {
					t.Fatalf("numbers %d and %d overlap: %v, %v", i, j, a.box, b.box)
				}
				if b.ok && crossesBox(b.line, a.box) {
					t.Fatalf("the line of number %d crosses number %d", j, i)
				}
				if a.box.near(rings[j].at) < rings[j].reach {
					t.Fatalf("number %d covers ring %d", i, j)
				}
			}
		}
	})
}

// TestPlaceNumbersAlone: a single spot with room has its number beside it.
func TestPlaceNumbersAlone(t *testing.T) {
	got := placeNumbers([]ring{{at: point{50, 50}, r: 5, reach: 5, width: 8, height: 6}, {at: point{80, 80}, r: 5, reach: 5}}, box{0, 0, 100, 100})
	if !got[0].ok || got[0].line != nil || got[0].box.x0 < 55 || got[0].box.x0 > 57 {
		t.Errorf("number at %+v, want just right of x = 55", got[0])
	}
	if got[1].ok {
		t.Errorf("a ring that asks for no number got one at %v", got[1].box)
	}
}

func TestCrossesBox(t *testing.T) {
	b := box{0, 0, 10, 10}
	tests := []struct {
		l    []point
		want bool
	}{
		{[]point{{-5, 5}, {15, 5}}, true},
		{[]point{{-5, -5}, {15, 15}}, true},
		{[]point{{5, 5}, {6, 6}}, true},
		{[]point{{-5, 5}, {-1, 5}}, false},
		{[]point{{-5, 8}, {3, 18}}, false},
		{[]point{{12, -5}, {12, 15}}, false},
		{nil, false},
	}
	for _, tt := range tests {
		if got := crossesBox(tt.l, b); got != tt.want {
			t.Errorf("crossesBox(%v) = %v, want %v", tt.l, got, tt.want)
		}
	}
}
