package spots

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"example.org/fleck/maps"
)

// ErrTooFew is returned for percentiles that rest on too few spots.
var ErrTooFew = errors.New("too few spots")

// Numbers of spots that percentiles need: by number a few tens; by mass thousands,
// since the largest few carry all of it (ISO 13322-1 asks for some 6000 particles
// for a volume mean at a geometric standard deviation of 1.6, and 61 000 for
// percentiles such as D90).
const (
	fewestByNumber = 10
	fewestByMass   = 6000
)

// Sized is one size with the weight that stands for spots like it that the frame cut.
type Sized struct {
	Value  float64
	Weight float64 // 1/probability of lying inside the frame as a whole
}

// EdgeWeight returns the weight of a spot that does not touch the frame, of the
// extents fw × fh in a field of w × h, same unit: w·h/((w−fw)·(h−fh)) (Miles 1974 and
// Lantuéjoul 1980; ISO 13322-1). It is an error when the spot fills the field.
func EdgeWeight(w, h, fw, fh float64) (float64, error) {
	if !(fw >= 0 && fh >= 0 && fw < w && fh < h) {
		return 0, fmt.Errorf("spots: a spot of %g × %g in a field of %g × %g; it must be smaller", fw, fh, w, h)
	}
	return w * h / ((w - fw) * (h - fh)), nil
}

// Sizes returns the diameters of the spots of a field of width × height pixels that
// do not touch its frame, in µm, weighted for those that do. Spots whose size is not resolved, or without a
// diameter, are left out and counted.
func Sizes(list []maps.Spot, width, height int, px maps.Pixel) (sizes []Sized, unresolved, touching int, err error) {
	if !px.Known() {
		return nil, 0, 0, fmt.Errorf("spots: the pixel size is not known: no sizes")
	}
	w, h := float64(width)*px.X.Um(), float64(height)*px.Y.Um()
	for _, s := range list {
		switch {
		case s.Touches:
			touching++
		case math.IsNaN(s.DiameterUm):
			unresolved++
		default:
			extent := 2 * math.Sqrt(s.AreaUm2/math.Pi)
			k, err := EdgeWeight(w, h, extent, extent)
			if err != nil {
				return nil, 0, 0, fmt.Errorf("spot %d: %w", s.ID, err)
			}
			sizes = append(sizes, Sized{s.DiameterUm, k})
		}
	}
	return sizes, unresolved, touching, nil
}

// Percentile is a percentile of a size distribution with its interval.
type Percentile struct {
	P, Value, Low, High float64 // P in 0 … 1; interval at the level asked for
}

// Percentiles returns percentiles of a number distribution (Q0 of ISO 9276) with
// intervals from resampling the spots (Efron 1979, percentile intervals). Fewer
// than 10 spots are refused with ErrTooFew.
func Percentiles(sizes []Sized, at []float64, level float64, seed uint64) ([]Percentile, error) {
	if len(sizes) < fewestByNumber {
		return nil, fmt.Errorf("spots: %w for percentiles by number: %d, at least %d are needed", ErrTooFew, len(sizes), fewestByNumber)
	}
	return percentiles(sizes, at, level, seed)
}

// MassPercentiles is Percentiles by mass (Q3): weights in proportion to the cube of
// the diameter. Fewer than 6000 spots are refused with ErrTooFew.
func MassPercentiles(sizes []Sized, at []float64, level float64, seed uint64) ([]Percentile, error) {
	if len(sizes) < fewestByMass {
		return nil, fmt.Errorf("spots: %w for percentiles by mass: %d, at least %d are needed (the largest few carry the mass); state those by number", ErrTooFew, len(sizes), fewestByMass)
	}
	byMass := slices.Clone(sizes)
	for i := range byMass {
		byMass[i].Weight *= math.Pow(byMass[i].Value, 3)
	}
	return percentiles(byMass, at, level, seed)
}

const sizeReplicas = 999

func percentiles(sizes []Sized, at []float64, level float64, seed uint64) ([]Percentile, error) {
	if level == 0 {
		level = 0.95
	}
	if !(level > 0 && level < 1) {
		return nil, fmt.Errorf("spots: level %g; must lie between 0 and 1", level)
	}
	for _, p := range at {
		if !(p > 0 && p < 1) {
			return nil, fmt.Errorf("spots: percentile %g; must lie between 0 and 1", p)
		}
	}
	for i, s := range sizes {
		if !(s.Value > 0) || !(s.Weight > 0) || math.IsInf(s.Value*s.Weight, 0) {
			return nil, fmt.Errorf("spots: size %d is %g with weight %g; both must be above 0", i, s.Value, s.Weight)
		}
	}
	sorted := slices.Clone(sizes)
	slices.SortStableFunc(sorted, func(a, b Sized) int {
		switch {
		case a.Value < b.Value:
			return -1
		case a.Value > b.Value:
			return 1
		}
		return 0
	})
	weight := make([]float64, len(sorted))
	for i, s := range sorted {
		weight[i] = s.Weight
	}
	out := make([]Percentile, len(at))
	for k, p := range at {
		out[k] = Percentile{P: p, Value: weightedQuantile(sorted, weight, p)}
	}
	rng := rand.New(rand.NewPCG(seed, 0x73697a65))
	reps := make([][]float64, len(at))
	again := make([]float64, len(sorted))
	for range sizeReplicas {
		clear(again)
		for range sorted {
			i := rng.IntN(len(sorted))
			again[i] += weight[i]
		}
		for k, p := range at {
			reps[k] = append(reps[k], weightedQuantile(sorted, again, p))
		}
	}
	for k := range out {
		slices.Sort(reps[k])
		out[k].Low = reps[k][int((1-level)/2*sizeReplicas)]
		out[k].High = reps[k][int((1+level)/2*sizeReplicas)]
	}
	return out, nil
}

// weightedQuantile returns the value at which the weights, each spread evenly
// between the midpoints to its neighbours in rank, sum up to p.
func weightedQuantile(sorted []Sized, weight []float64, p float64) float64 {
	total := 0.0
	for _, w := range weight {
		total += w
	}
	sum, last := 0.0, -1
	var lastAt float64
	for i, w := range weight {
		if w == 0 {
			continue
		}
		mid := (sum + w/2) / total
		if mid >= p {
			if last < 0 {
				return sorted[i].Value
			}
			t := (p - lastAt) / (mid - lastAt)
			return sorted[last].Value + t*(sorted[i].Value-sorted[last].Value)
		}
		sum += w
		last, lastAt = i, mid
	}
	return sorted[last].Value
}
