package figure

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestNewBar(t *testing.T) {
	tests := []struct {
		n      int
		pixel  float64 // m
		label  string
		pixels float64
	}{
		{128, 0.5e-6, "10 µm", 20},
		{128, 0.4e-6, "10 µm", 25}, // a quarter is 12.8 µm
		{200, 0.1e-6, "5 µm", 50},  // exactly a quarter
		{200, 0.01e-6, "500 nm", 50},
		{200, 0.02e-6, "1 µm", 50},
		{100, 2e-9, "50 nm", 25},
		{100, 1e-12, "0.02 nm", 20},
		{100, 40e-6, "1 mm", 25},
		{100, 39e-6, "500 µm", 500.0 / 39},
		{512, 100e-6, "10 mm", 100},
		{100, 0, "20 pixels", 20},
		{7, 0, "1 pixel", 1},
		{100, math.NaN(), "20 pixels", 20},
	}
	for _, tt := range tests {
		b := newBar(tt.n, tt.pixel)
		if b.label != tt.label || math.Abs(b.pixels-tt.pixels) > 1e-9*tt.pixels {
			t.Errorf("newBar(%d, %g) = %q over %g pixels, want %q over %g", tt.n, tt.pixel, b.label, b.pixels, tt.label, tt.pixels)
		}
		if b.unknown != !(tt.pixel > 0) {
			t.Errorf("newBar(%d, %g): unknown = %v", tt.n, tt.pixel, b.unknown)
		}
	}
	if b := newBar(3, 0); b.text() != "scale unknown" || b.pixels != 0 {
		t.Errorf("newBar(3, 0) = %q over %g pixels, want no bar", b.text(), b.pixels)
	}
	if got, want := newBar(100, 0).text(), "20 pixels, scale unknown"; got != want {
		t.Errorf("text = %q, want %q", got, want)
	}
}

// TestNewBarRange: the bar is a tenth to a quarter of the field.
func TestNewBarRange(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 8192).Draw(t, "n")
		pixel := math.Pow(10, rapid.Float64Range(-11, -3).Draw(t, "log10 pixel"))
		b := newBar(n, pixel)
		if f := b.pixels / float64(n); f < 0.1*(1-1e-9) || f > 0.25*(1+1e-9) {
			t.Fatalf("bar %q is %.4f of the field", b.label, f)
		}
		value, unit, ok := strings.Cut(b.label, " ")
		if !ok || strings.Trim(value, "0.")+"x" != "1x" && strings.Trim(value, "0.") != "2" && strings.Trim(value, "0.") != "5" {
			t.Fatalf("label %q, want 1, 2 or 5 times a power of ten", b.label)
		}
		if unit != "nm" && unit != "µm" && unit != "mm" {
			t.Fatalf("label %q, want nm, µm or mm", b.label)
		}
	})
}
