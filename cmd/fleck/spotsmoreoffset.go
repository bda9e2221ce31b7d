package main

import (
	"math"
	"slices"

	"example.org/fleck/maps"
	"example.org/fleck/maps/record"
	"example.org/fleck/maps/spots"
	"example.org/fleck/maps/study"
)

// alignedSpots returns the spots of the field of another beam at their places in the
// first field, what is known of the offset, and its uncertainty in µm. registered says
// that places in µm of both fields are the same.
func (e *env) alignedSpots(first, second *study.FieldResult, path string, registered bool) ([]maps.Spot, record.Object, float64, error) {
	if registered {
		return second.Spots.Spots, record.Of("from", "registered"), 0, nil
	}
	field := func(f *study.FieldResult) spots.OffsetField {
		return spots.OffsetField{Spots: append(slices.Clone(f.Spots.Spots), f.Spots.Rejected...), Counts: f.Sums.PixelTotals}
	}
	o, err := spots.FindOffset(field(first), field(second), spots.OffsetOptions{Seed: e.seed})
	if err != nil {
		return nil, nil, 0, usage("--other-beam %s: %w; --registered says that places in µm of both fields are the same", path, err)
	}
	out := record.Of("from", o.From)
	pixel := first.Header.Pixel
	for _, n := range []struct {
		key string
		v   float64
	}{{"x_px", o.XPx}, {"y_px", o.YPx}, {"sigma_x_px", o.SigmaXPx}, {"sigma_y_px", o.SigmaYPx},
		{"x_um", o.XPx * pixel.X.Um()}, {"y_um", o.YPx * pixel.Y.Um()}, {"sigma_x_um", o.SigmaXPx * pixel.X.Um()}, {"sigma_y_um", o.SigmaYPx * pixel.Y.Um()}} {
		out.Number(n.key, n.v, "")
	}
	out.Set("common_spots", o.Common)
	out.Number("spots_p_value", o.SpotsP, "no spots to match")
	out.Number("texture_p_value", o.TextureP, "no texture to match")
	e.printf("  %s lies (%.2f ± %.2f, %.2f ± %.2f) px off, by its %s\n", path, o.XPx, o.SigmaXPx, o.YPx, o.SigmaYPx, o.From)
	return o.Move(second.Spots.Spots, pixel), out, math.Hypot(o.SigmaXPx*pixel.X.Um(), o.SigmaYPx*pixel.Y.Um()), nil
}
