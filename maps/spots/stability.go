package spots

import (
	"fmt"
	"math"

	"example.org/fleck/maps"
	"gonum.org/v1/gonum/stat/distuv"
)

// StabilityOptions are the settings of Stability.
type StabilityOptions struct {
	Target Template
	Carbon Template    // lines that the beam deposits, C K
	Spots  []maps.Spot // where the target was found
	Alpha  float64     // level of each statement; 0 means 0.01
}

// Change is one quantity of the first half of a measurement against the second.
type Change struct {
	What          string
	First, Second float64
	Sigma         float64 // of the difference
	PValue        float64 // two-sided
	Changed       bool    // PValue ≤ Alpha
}

// StabilityResult says what changed under the beam.
type StabilityResult struct {
	Dose   Change // counts of the whole field
	Carbon Change // share of the deposited line in the field
	Target Change // counts of the target in the spots, per dose
	// DriftX and DriftY are the shift of the second half against the first, px, from
	// the centroids of the spots, with its uncertainty; NaN without spots.
	DriftX, DriftY, DriftSigma float64
	Drifted                    bool
	Remarks                    []string
}

// Stability compares the first half of a measurement with the second: two fields
// of the same place, each the sum of half of the frames. It tests the dose, the
// growth of carbon, the loss of the target in its spots, and the drift of the spots.
// Spots are taken where opt.Spots has them, found in both halves together.
func Stability(first, second *Field, opt StabilityOptions) (*StabilityResult, error) {
	if opt.Alpha == 0 {
		opt.Alpha = 0.01
	}
	if first == nil || second == nil || first.W != second.W || first.H != second.H || first.nc != second.nc {
		return nil, fmt.Errorf("spots: the two halves must have the same size and channels")
	}
	if !(opt.Alpha > 0 && opt.Alpha < 1) {
		return nil, fmt.Errorf("spots: alpha %g; must lie between 0 and 1", opt.Alpha)
	}
	target, err := opt.Target.check(first.nc, "target")
	if err != nil {
		return nil, err
	}
	if first.Total() == 0 || second.Total() == 0 {
		return nil, fmt.Errorf("spots: one half holds no counts")
	}
	r := &StabilityResult{DriftX: math.NaN(), DriftY: math.NaN(), DriftSigma: math.NaN()}
	change := func(what string, a, b, sigma float64) Change {
		c := Change{What: what, First: a, Second: b, Sigma: sigma, PValue: math.NaN()}
		if sigma > 0 {
			c.PValue = 2 * distuv.UnitNormal.Survival(math.Abs(b-a)/sigma)
			c.Changed = c.PValue <= opt.Alpha
		}
		return c
	}
	na, nb := first.Total(), second.Total()
	r.Dose = change("counts of the field", na, nb, math.Sqrt(na+nb))
	if err := r.carbon(first, second, target, opt, change); err != nil {
		return nil, err
	}
	if err := r.spots(first, second, target, opt, change); err != nil {
		return nil, err
	}
	for _, c := range []struct {
		on   bool
		text string
	}{
		{r.Dose.Changed && math.Abs(nb/na-1) > 0.01, fmt.Sprintf("the second half holds %.1f %% more counts than the first: current or geometry changed", 100*(nb/na-1))},
		{r.Carbon.Changed && r.Carbon.Second > r.Carbon.First, "carbon grew under the beam"},
		{r.Target.Changed && r.Target.Second < r.Target.First, "the target was lost under the beam: amounts are too low"},
		{r.Target.Changed && r.Target.Second > r.Target.First, "the spots hold more target in the second half: drift into the field, or a change of focus"},
		{r.Drifted, fmt.Sprintf("the spots moved by (%.2f, %.2f) px: sizes are too large", r.DriftX, r.DriftY)},
	} {
		if c.on {
			r.Remarks = append(r.Remarks, c.text)
		}
	}
	return r, nil
}

// carbon compares the share of the deposited line in the sum spectra, against the
// spectrum of the first half without it.
func (r *StabilityResult) carbon(first, second *Field, target Template, opt StabilityOptions, change func(string, float64, float64, float64) Change) error {
	if opt.Carbon.Spectrum == nil {
		r.Carbon = Change{What: "carbon", First: math.NaN(), Second: math.NaN(), Sigma: math.NaN(), PValue: math.NaN()}
		return nil
	}
	carbon, err := opt.Carbon.check(first.nc, "carbon")
	if err != nil {
		return err
	}
	a, b := first.Sum(), second.Sum()
	raw := make([]float64, len(a))
	for c, v := range a {
		raw[c] = v / first.Total()
	}
	s := smoothed(raw, first.Total())
	// The growth is the share of the line in the second half beyond the first's.
	more, sigma, err := solveShare(b, raw, s, second.Total(), first.Total(), [][]float64{carbon.Spectrum, target.Spectrum})
	if err != nil {
		return err
	}
	r.Carbon = change("growth of the share of "+carbon.Name, 0, more, sigma)
	return nil
}

// spots compares counts and centroids of the target's own line in the spots.
func (r *StabilityResult) spots(first, second *Field, target Template, opt StabilityOptions, change func(string, float64, float64, float64) Change) error {
	var n, v, drift [2]float64
	weight := 0.0
	for _, s := range opt.Spots {
		var at [2]spotHalf
		for k, f := range []*Field{first, second} {
			h, err := halfOf(f, target, s)
			if err != nil {
				return err
			}
			at[k] = h
			scale := 2 * f.Total() / (first.Total() + second.Total())
			n[k] += h.counts / scale
			v[k] += h.variance / (scale * scale)
		}
		// The centroid of N counts of a profile of width w is known to w/sqrt(N).
		w := math.Min(at[0].counts, at[1].counts) / math.Max(.25, s.WidthPx*s.WidthPx)
		if w > 0 {
			drift[0] += w * (at[1].x - at[0].x)
			drift[1] += w * (at[1].y - at[0].y)
			weight += w
		}
	}
	r.Target = change("target in the spots", n[0], n[1], math.Sqrt(v[0]+v[1]))
	if len(opt.Spots) > 0 && weight > 0 {
		r.DriftX, r.DriftY = drift[0]/weight, drift[1]/weight
		// The background under the spots widens it by its share of the variance.
		r.DriftSigma = math.Sqrt(2/weight) * math.Sqrt((v[0]+v[1])/math.Max(1, n[0]+n[1]))
		r.Drifted = math.Exp(-(r.DriftX*r.DriftX+r.DriftY*r.DriftY)/(2*r.DriftSigma*r.DriftSigma)) <= opt.Alpha
	}
	return nil
}

// spotHalf is a spot in one half: counts of the target, their variance, centroid.
type spotHalf struct{ counts, variance, x, y float64 }

// halfOf measures the target within 2.5 widths of a spot by the counts in the
// channels of its own line, less those of the surroundings between 3.5 and 5.5
// widths per count outside the line.
func halfOf(f *Field, target Template, s maps.Spot) (spotHalf, error) {
	in := make([]bool, f.nc)
	top := 0.0
	for _, v := range target.Line {
		top = math.Max(top, v)
	}
	for c, v := range target.Line {
		in[c] = v > .1*top
	}
	line := func(p int) (on, off float64) {
		for i := f.start[p]; i < f.start[p+1]; i++ {
			if in[f.ch[i]] {
				on += float64(f.n[i])
			} else {
				off += float64(f.n[i])
			}
		}
		return
	}
	width := math.Max(s.WidthPx, .5)
	r := 5.5 * width
	var ringOn, ringOff, onSum, offSum float64
	type cell struct{ x, y, on, off float64 }
	var cells []cell
	for y := max(0, int(s.YPx-r)); y <= min(f.H-1, int(s.YPx+r)+1); y++ {
		for x := max(0, int(s.XPx-r)); x <= min(f.W-1, int(s.XPx+r)+1); x++ {
			d := math.Hypot(float64(x)-s.XPx, float64(y)-s.YPx)
			on, off := line(y*f.W + x)
			switch {
			case d <= 2.5*width:
				cells = append(cells, cell{float64(x), float64(y), on, off})
				onSum += on
				offSum += off
			case d >= 3.5*width && d <= r:
				ringOn += on
				ringOff += off
			}
		}
	}
	if ringOff == 0 {
		return spotHalf{}, fmt.Errorf("spots: spot %d has no surroundings to compare it with", s.ID)
	}
	k := ringOn / ringOff
	h := spotHalf{counts: onSum - k*offSum, x: s.XPx, y: s.YPx}
	h.variance = onSum + k*k*offSum + offSum*offSum*(ringOn/(ringOff*ringOff))*(1+k)
	if h.counts > 0 {
		var sx, sy float64
		for _, c := range cells {
			sx += (c.on - k*c.off) * (c.x - s.XPx)
			sy += (c.on - k*c.off) * (c.y - s.YPx)
		}
		h.x, h.y = s.XPx+sx/h.counts, s.YPx+sy/h.counts
	}
	return h, nil
}
