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
	// Exposure is how long each half was counted, in any unit, such as live time or
	// frames; zero means both alike.
	Exposure [2]float64
}

// Change is one quantity of the first half of a measurement against the second.
type Change struct {
	What          string
	First, Second float64 // of equal exposure
	Sigma         float64 // of the difference
	PValue        float64 // two-sided
	Changed       bool    // PValue ≤ Alpha
}

// StabilityResult says what changed under the beam.
type StabilityResult struct {
	Dose   Change // counts of the whole field
	Carbon Change // share of the deposited line in the field
	// Target holds the counts of the target in the spots, for an equal number of counts
	// of the field outside the lines of target and carbon.
	Target Change
	// DriftX and DriftY are the shift of the second half against the first, px, from
	// the centroids of the spots, with its uncertainty; NaN without spots.
	DriftX, DriftY, DriftSigma float64
	Drifted                    bool
	Spots                      int        // compared, those with surroundings in both halves
	Alpha                      float64    // level of each statement
	Exposure                   [2]float64 // as resolved
	Remarks                    []string
}

// Stability compares the first half of a measurement with the second: two fields
// of the same place, each the sum of half of the frames. It tests the dose, the
// growth of carbon, the loss of the target in its spots, and the drift of the spots.
// Spots are taken where opt.Spots has them, found in both halves together. Of a half
// without counts only the dose is told; what cannot be tested is NaN.
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
	if opt.Exposure == [2]float64{} {
		opt.Exposure = [2]float64{1, 1}
	}
	for _, v := range opt.Exposure {
		if !(v > 0) || math.IsInf(v, 0) {
			return nil, fmt.Errorf("spots: exposures %g of the halves; must be above 0", opt.Exposure)
		}
	}
	target, err := opt.Target.check(first.nc, "target")
	if err != nil {
		return nil, err
	}
	r := &StabilityResult{DriftX: math.NaN(), DriftY: math.NaN(), DriftSigma: math.NaN(), Alpha: opt.Alpha, Exposure: opt.Exposure}
	change := func(what string, a, b, sigma float64) Change {
		c := Change{What: what, First: a, Second: b, Sigma: sigma, PValue: math.NaN()}
		if sigma > 0 {
			c.PValue = 2 * distuv.UnitNormal.Survival(math.Abs(b-a)/sigma)
			c.Changed = c.PValue <= opt.Alpha
		}
		return c
	}
	na, nb := first.Total(), second.Total()
	scale := opt.Exposure[0] / opt.Exposure[1] // of the second half
	r.Dose = change("counts of the field", na, scale*nb, math.Sqrt(na+scale*scale*nb))
	if na == 0 || nb == 0 {
		r.Carbon, r.Target = notMeasured("carbon"), notMeasured("target in the spots")
		for k, n := range []float64{na, nb} {
			if n == 0 {
				r.Remarks = append(r.Remarks, fmt.Sprintf("the %s half holds no counts", []string{"first", "second"}[k]))
			}
		}
		return r, nil
	}
	if err := r.carbon(first, second, target, opt, change); err != nil {
		return nil, err
	}
	r.spots(first, second, target, opt, change)
	for _, c := range []struct {
		on   bool
		text string
	}{
		{r.Dose.Changed && scale*nb > 1.01*na, fmt.Sprintf("the second half holds %.1f %% more counts than the first: current or geometry changed", 100*(scale*nb/na-1))},
		{r.Dose.Changed && scale*nb < .99*na, fmt.Sprintf("the second half holds %.1f %% fewer counts than the first: current or geometry changed", 100*(1-scale*nb/na))},
		{r.Carbon.Changed && r.Carbon.Second > r.Carbon.First, "carbon grew under the beam"},
		{r.Carbon.Changed && r.Carbon.Second < r.Carbon.First, "carbon was lost under the beam"},
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

// notMeasured is a quantity that could not be tested.
func notMeasured(what string) Change {
	return Change{What: what, First: math.NaN(), Second: math.NaN(), Sigma: math.NaN(), PValue: math.NaN()}
}

// carbon compares the share of the deposited line in the sum spectra, against the
// spectrum of the first half without it.
func (r *StabilityResult) carbon(first, second *Field, target Template, opt StabilityOptions, change func(string, float64, float64, float64) Change) error {
	if opt.Carbon.Spectrum == nil {
		r.Carbon = notMeasured("carbon")
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

// marked says which of n channels belong to a line: those above a tenth of its top.
func marked(line []float64, n int) []bool {
	top := 0.0
	for _, v := range line {
		top = math.Max(top, v)
	}
	in := make([]bool, n)
	for c, v := range line {
		in[c] = v > .1*top
	}
	return in
}

// outside returns the counts of a field outside the lines.
func outside(f *Field, lines ...[]float64) float64 {
	sum := f.Sum()
	for _, l := range lines {
		for c, in := range marked(l, len(sum)) {
			if in {
				sum[c] = 0
			}
		}
	}
	return sumOf(sum)
}

// spots compares counts and centroids of the target's own line in the spots.
func (r *StabilityResult) spots(first, second *Field, target Template, opt StabilityOptions, change func(string, float64, float64, float64) Change) {
	var n, v, drift [2]float64
	weight := 0.0
	dose := [2]float64{outside(first, target.Line, opt.Carbon.Spectrum), outside(second, target.Line, opt.Carbon.Spectrum)}
	in := marked(target.Line, first.nc)
	r.Target = notMeasured("target in the spots")
	if dose[0] == 0 || dose[1] == 0 {
		return
	}
	for _, s := range opt.Spots {
		a, okA := halfOf(first, in, s)
		b, okB := halfOf(second, in, s)
		if !okA || !okB {
			continue
		}
		r.Spots++
		at := [2]spotHalf{a, b}
		for k, h := range at {
			scale := 2 * dose[k] / (dose[0] + dose[1])
			n[k] += h.counts / scale
			v[k] += h.variance / (scale * scale)
		}
		// The centroid of N counts of a profile of width w is known to w/sqrt(N).
		if a.counts > 0 && b.counts > 0 {
			w := 2 / (1/a.counts + 1/b.counts) / math.Max(.25, s.WidthPx*s.WidthPx)
			drift[0] += w * (at[1].x - at[0].x)
			drift[1] += w * (at[1].y - at[0].y)
			weight += w
		}
	}
	if r.Spots > 0 {
		r.Target = change("target in the spots", n[0], n[1], math.Sqrt(v[0]+v[1]))
	}
	if weight > 0 {
		r.DriftX, r.DriftY = drift[0]/weight, drift[1]/weight
		// The background under the spots widens it by its share of the variance.
		r.DriftSigma = math.Sqrt(2/weight) * math.Sqrt((v[0]+v[1])/math.Max(1, n[0]+n[1]))
		r.Drifted = math.Exp(-(r.DriftX*r.DriftX+r.DriftY*r.DriftY)/(2*r.DriftSigma*r.DriftSigma)) <= opt.Alpha
	}
}

// spotHalf is a spot in one half: counts of the target, their variance, centroid.
type spotHalf struct{ counts, variance, x, y float64 }

// halfOf measures the target within 2.5 widths of a spot by the counts in its own
// line, the channels marked in, less those of the surroundings between 3.5 and 5.5
// widths per count outside the line. ok is false where those hold none.
func halfOf(f *Field, in []bool, s maps.Spot) (h spotHalf, ok bool) {
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
		return h, false
	}
	k := ringOn / ringOff
	h = spotHalf{counts: onSum - k*offSum, x: s.XPx, y: s.YPx}
	h.variance = onSum + k*k*offSum + offSum*offSum*(ringOn/(ringOff*ringOff))*(1+k)
	if h.counts > 0 {
		var sx, sy float64
		for _, c := range cells {
			sx += (c.on - k*c.off) * (c.x - s.XPx)
			sy += (c.on - k*c.off) * (c.y - s.YPx)
		}
		h.x, h.y = s.XPx+sx/h.counts, s.YPx+sy/h.counts
	}
	return h, true
}
