package figure

import (
	"bytes"
	"fmt"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func twoGroups() ComparisonData {
	return ComparisonData{Quantity: "spots of TiO2", Groups: []ComparisonGroup{
		{Label: "treated", Estimate: 412, Low: 301, High: 563, Points: []ComparisonPoint{{"T1", 380}, {"T1", 420}, {"T2", 610}, {"T2", 590}, {"T3", 120}, {"T3", 0}}},
		{Label: "untreated", Estimate: 12, Low: 2, High: 61, Points: []ComparisonPoint{{"U1", 0}, {"U1", 0}, {"U1", 0}, {"U2", 24}, {"U2", math.NaN()}}},
	}}
}

func TestComparison(t *testing.T) {
	var b bytes.Buffer
	if err := Comparison(&b, twoGroups(), ComparisonOptions{Title: "Density", Format: SVG}); err != nil {
		t.Fatal(err)
	}
	texts, _, description := svgText(t, b.Bytes())
	all := strings.Join(texts, "\n")
	for _, want := range []string{"treated", "untreated", "T1", "T3", "U2", "412 (301 to 563)", "12 (2 to 61)", "spots of TiO2 (per mm²)", "one field", "estimate, 95 % coverage interval", "1 field without value"} {
		if !strings.Contains(all, want) {
			t.Errorf("no text %q in\n%s", want, all)
		}
	}
	if want := "group untreated: 5 fields, estimate 12, 95 % coverage interval 2 to 61"; !strings.Contains(description, want) {
		t.Errorf("description lacks %q:\n%s", want, description)
	}
	b.Reset()
	if err := Comparison(&b, twoGroups(), ComparisonOptions{}); err != nil {
		t.Fatal(err)
	}
	decode(t, b.Bytes())
}

// TestComparisonPlaces: every field has a marker at its value, coupons have
// their own lines, and all stays inside the frame.
func TestComparisonPlaces(t *testing.T) {
	d := twoGroups()
	l := planComparison(d, ComparisonOptions{}, 85*mm)
	if len(l.rows) != 5 {
		t.Fatalf("%d lines, want one for each of 5 coupons", len(l.rows))
	}
	markers := 0
	for i, r := range l.rows {
		if i > 0 && r.y <= l.rows[i-1].y {
			t.Errorf("line of %s at %g is not below %g", r.coupon, r.y, l.rows[i-1].y)
		}
		for _, q := range r.at {
			markers++
			if q.x < l.area.x0 || q.x > l.area.x1 || r.y+q.y < l.area.y0 || r.y+q.y > l.area.y1 {
				t.Errorf("marker of %s at (%g, %g) is outside the frame", r.coupon, q.x, r.y+q.y)
			}
		}
	}
	if markers != 10 {
		t.Errorf("%d markers, want 10 (11 fields, one without value)", markers)
	}
	// The axis is linear: 590 and 610 of T2 are apart by 20 of its length.
	q := l.rows[1].at
	if got, want := q[0].x-q[1].x, 20/(l.area.x.high-l.area.x.low)*(l.area.x1-l.area.x0); math.Abs(got-want) > 1e-9 {
		t.Errorf("610 and 590 are %g points apart, want %g", got, want)
	}
}

// TestStack: up to nine equal values do not hide each other.
func TestStack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOfN(rapid.SampledFrom([]float64{0, 0.01, 1, 1.1}), 1, maxLevels).Draw(t, "values")
		at, levels := stack(axis{low: 0, high: 2, from: 0, to: 100}, values)
		for i, a := range at {
			if math.Abs(a.y) > float64(levels-1)/2*stackStep+1e-9 {
				t.Fatalf("marker at %g, %d levels", a.y, levels)
			}
			for _, b := range at[:i] {
				if math.Hypot(a.x-b.x, a.y-b.y) < 0.8*markerSize {
					t.Fatalf("markers at %v and %v hide each other", a, b)
				}
			}
		}
	})
}

func TestComparisonOdd(t *testing.T) {
	nan := math.NaN()
	many := ComparisonData{}
	for i := range 12 {
		g := ComparisonGroup{Label: fmt.Sprintf("group number %d with a long name", i), Estimate: nan, Low: nan, High: nan}
		for j := range 40 {
			g.Points = append(g.Points, ComparisonPoint{fmt.Sprintf("a coupon with a very long name %d", j%3), float64(j % 2)})
		}
		many.Groups = append(many.Groups, g)
	}
	tests := []struct {
		name string
		d    ComparisonData
	}{
		{"many groups", many},
		{"no points", ComparisonData{Groups: []ComparisonGroup{{Label: "a", Estimate: 0, Low: 0, High: 3.7}}}},
		{"open interval", ComparisonData{Groups: []ComparisonGroup{{Label: "a", Estimate: 3, Low: 1, High: math.Inf(1)}}}},
		{"nothing", ComparisonData{Groups: []ComparisonGroup{{Estimate: nan, Low: nan, High: nan}}}},
		{"negative", ComparisonData{Groups: []ComparisonGroup{{Estimate: -3, Low: -5, High: -1}}}},
		{"tiny", ComparisonData{Groups: []ComparisonGroup{{Estimate: 3e-9, Low: 1e-9, High: 9e-9}}}},
	}
	for _, tt := range tests {
		for _, f := range []Format{PNG, SVG} {
			var b bytes.Buffer
			if err := Comparison(&b, tt.d, ComparisonOptions{Format: f}); err != nil {
				t.Errorf("%s: %v", tt.name, err)
			} else if f == SVG {
				svgText(t, b.Bytes())
				if _, drawing, _ := strings.Cut(b.String(), "</desc>"); strings.Contains(drawing, "NaN") || strings.Contains(drawing, "Inf") {
					t.Errorf("%s: NaN or Inf in the drawing", tt.name)
				}
			}
		}
	}
}

func TestComparisonErrors(t *testing.T) {
	one := func(g ComparisonGroup) ComparisonData { return ComparisonData{Groups: []ComparisonGroup{g}} }
	for _, tt := range []struct {
		name string
		d    ComparisonData
		want string
	}{
		{"no groups", ComparisonData{}, "0 groups"},
		{"infinite value", one(ComparisonGroup{Label: "a", Points: []ComparisonPoint{{"T", math.Inf(1)}}}), "value +Inf"},
		{"infinite estimate", one(ComparisonGroup{Label: "a", Estimate: math.Inf(1), High: math.Inf(1)}), "only the upper end"},
		{"falling interval", one(ComparisonGroup{Label: "a", Estimate: 3, Low: 4, High: 2}), "outside its interval"},
	} {
		if err := Comparison(&bytes.Buffer{}, tt.d, ComparisonOptions{}); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: error %v, want one with %q", tt.name, err, tt.want)
		}
	}
}

// TestComparisonWide: an interval over nearly the whole axis keeps its numbers,
// above the bar, and no number of the axis leaves the page.
func TestComparisonWide(t *testing.T) {
	d := ComparisonData{Quantity: "density", Groups: []ComparisonGroup{
		{Label: "treated", Estimate: 11500, Low: 4580, High: 210000, Points: []ComparisonPoint{{"A", 19000}}},
		{Label: "blank", Estimate: 0, Low: 0, High: 6690, Points: []ComparisonPoint{{"D", 0}}},
	}}
	for _, width := range []float64{60, 85, 170} {
		var b bytes.Buffer
		if err := Comparison(&b, d, ComparisonOptions{Format: SVG, WidthMM: width}); err != nil {
			t.Fatal(err)
		}
		texts, _, _ := svgText(t, b.Bytes())
		if all := strings.Join(texts, "\n"); !strings.Contains(all, "11 500 (4580 to 210 000)") && !strings.Contains(strings.ReplaceAll(all, "\u202f", " "), "11 500 (4580 to 210 000)") {
			t.Errorf("at %g mm the numbers of the wide interval are missing:\n%s", width, all)
		}
		l := planComparison(d, ComparisonOptions{}, width*mm)
		if over := l.overhang(); over > 0 {
			t.Errorf("at %g mm a number leaves the page by %.1f points", width, over)
		}
	}
}
