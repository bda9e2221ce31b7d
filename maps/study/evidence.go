package study

import (
	"fmt"
	"math"

	"example.org/fleck/maps"
	"example.org/fleck/maps/spots"
	"example.org/fleck/spectra/fit"
)

// Evidence are the spectra of parts of one field, for readers who look for
// themselves. All run over the fitted channels.
type Evidence struct {
	Sum Region // the whole field
	// Spots are in the order of the field's Spots.
	Spots []Region
	// Blocks tile the field in squares of BlockPx pixels, row by row; those at
	// the right and lower frame may be smaller.
	Blocks  []Region
	BlockPx int
	Columns int // blocks beside each other
}

// Region is the spectrum of a part of a field with its fit by the frozen shapes
// of the sum spectrum.
type Region struct {
	Pixels int
	Counts []float64 // per channel
	// Around is the spectrum of the surroundings: a ring of AroundPixels pixels
	// that no listed spot reaches; nil without one.
	Around       []float64
	AroundPixels int

	Fit fit.PixelResult // of Counts
}

// spotReach is how many widths around the centre of a spot its spectrum is
// summed: a round Gaussian profile holds 86 % there.
const spotReach = 2

// ringPx is the least width of the ring around a spot, in pixels.
const ringPx = 3

// blocksAcross is how many blocks the longer side of a field is cut into at
// most, blocksInAll how many blocks all fields have together: so few that every
// block holds counts to look at, and that a page of many fields stays small. Both
// were chosen by eye and by the size of the page.
const (
	blocksAcross = 16
	blocksInAll  = 2000
)

// collect sums the spectra of the parts of field i and fits them.
func (r *Result) collect(i int, field *spots.Field, fitter *fit.Fitter) error {
	f := &r.Fields[i]
	across := max(4, min(blocksAcross, int(math.Sqrt(float64(blocksInAll)/float64(len(r.Fields))))))
	e := &Evidence{BlockPx: max(1, (max(field.W, field.H)+across-1)/across)}
	e.Columns = (field.W + e.BlockPx - 1) / e.BlockPx
	rows := (field.H + e.BlockPx - 1) / e.BlockPx
	var scratch fit.Scratch
	fitted := func(counts []float64, pixels int) (Region, error) {
		out := Region{Pixels: pixels, Counts: counts}
		all := make([]float64, len(r.Sum.Counts))
		copy(all[r.Fit.LowChannel:], counts)
		fitter.FitSpectrum(&out.Fit, all, &scratch)
		return out, nil
	}
	var err error
	if e.Sum, err = fitted(field.Sum(), field.W*field.H); err != nil {
		return err
	}

	labels := make([]int32, field.W*field.H)
	pixels := make([]int, e.Columns*rows)
	for p := range labels {
		l := p/field.W/e.BlockPx*e.Columns + p%field.W/e.BlockPx
		labels[p] = int32(l)
		pixels[l]++
	}
	sums, err := field.SumBy(labels, len(pixels))
	if err != nil {
		return fmt.Errorf("study: field %q: %w", f.Name, err)
	}
	for k, counts := range sums {
		b, err := fitted(counts, pixels[k])
		if err != nil {
			return err
		}
		e.Blocks = append(e.Blocks, b)
	}
	for k := range f.Spots.Spots {
		in, around := spotMasks(field, f.Spots.Spots, k)
		counts, err := field.SumOver(in)
		if err != nil {
			return fmt.Errorf("study: field %q: %w", f.Name, err)
		}
		one, err := fitted(counts, in.Count())
		if err != nil {
			return err
		}
		if one.AroundPixels = around.Count(); one.AroundPixels > 0 {
			if one.Around, err = field.SumOver(around); err != nil {
				return fmt.Errorf("study: field %q: %w", f.Name, err)
			}
		}
		e.Spots = append(e.Spots, one)
	}
	f.Evidence = e
	return nil
}

// SpotRadiusPx returns the radius within which the spectrum of a spot is summed.
func SpotRadiusPx(s maps.Spot) float64 {
	return math.Max(1, math.Max(spotReach*s.WidthPx, math.Sqrt(s.AreaPx/math.Pi)))
}

// spotMasks returns the pixels of spot k and those of the ring around it: as
// many again as the spot has and at least ringPx wide, beyond its reach, without
// what another spot reaches.
func spotMasks(field *spots.Field, list []maps.Spot, k int) (in, around maps.Mask) {
	in, around = maps.NewMask(field.W, field.H), maps.NewMask(field.W, field.H)
	s := list[k]
	radius := SpotRadiusPx(s)
	inner := math.Max(radius, maskMargin*s.WidthPx) + 1
	outer := inner + math.Max(ringPx, radius)
	for y := max(0, int(s.YPx-outer)); y <= min(field.H-1, int(s.YPx+outer)+1); y++ {
		for x := max(0, int(s.XPx-outer)); x <= min(field.W-1, int(s.XPx+outer)+1); x++ {
			p := y*field.W + x
			switch d := math.Hypot(float64(x)-s.XPx, float64(y)-s.YPx); {
			case d <= radius:
				in.In[p] = true
			case d > inner && d <= outer:
				around.In[p] = !reached(list, k, float64(x), float64(y))
			}
		}
	}
	return in, around
}

// reached reports whether another spot than k reaches the place.
func reached(list []maps.Spot, k int, x, y float64) bool {
	for j, o := range list {
		if j != k && math.Hypot(x-o.XPx, y-o.YPx) <= math.Max(SpotRadiusPx(o), maskMargin*o.WidthPx)+1 {
			return true
		}
	}
	return false
}

// evidence collects the spectra of the parts of every field.
func (r *Result) evidence(fields []*spots.Field) error {
	fitter, err := r.Fit.Freeze()
	if err != nil {
		return fmt.Errorf("study: %w", err)
	}
	for i := range fields {
		if err := r.collect(i, fields[i], fitter); err != nil {
			return err
		}
	}
	return nil
}
