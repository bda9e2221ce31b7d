package spots

import "math"

// smoothNeed is the number of counts that a smoothed channel rests on, so that
// its relative standard uncertainty is 10 % (choice of this package).
const smoothNeed = 100

// smoothed returns the spectrum of counts (any scale, scale·counts being the
// true counts) with sum 1, each channel averaged over the smallest symmetric
// window that holds smoothNeed counts; strong channels stay as they are.
// No channel is left below half a count.
func smoothed(counts []float64, scale float64) []float64 {
	n := len(counts)
	cum := make([]float64, n+1)
	for c, v := range counts {
		cum[c+1] = cum[c] + v*scale
	}
	out := make([]float64, n)
	total := 0.0
	for c := range out {
		a, b := c, c+1
		for cum[b]-cum[a] < smoothNeed && (a > 0 || b < n) {
			// The window grows on both sides until it meets an end.
			a, b = max(a-1, 0), min(b+1, n)
		}
		out[c] = math.Max(cum[b]-cum[a], 0.5) / float64(b-a)
		total += out[c]
	}
	for c := range out {
		out[c] /= total
	}
	return out
}

// background is the substrate spectrum in the forms that the search needs.
type background struct {
	raw    []float64 // sum 1, as estimated
	smooth []float64 // sum 1, every channel above 0
	counts float64   // counts behind it; 0 = known exactly
	refit  bool      // estimated from the field that is searched
}

func newBackground(spectrum []float64, counts float64, refit bool) background {
	b := background{raw: spectrum, counts: counts, refit: refit}
	if counts > 0 {
		b.smooth = smoothed(spectrum, counts)
		return b
	}
	// Known exactly: only zeros are lifted, to 1e−9 of the whole, far below one
	// count of any field.
	b.smooth = make([]float64, len(spectrum))
	t := 0.0
	for c, v := range spectrum {
		b.smooth[c] = math.Max(v, 1e-9)
		t += b.smooth[c]
	}
	for c := range b.smooth {
		b.smooth[c] /= t
	}
	return b
}

// classify returns the channel classes for background and target.
func (b background) classify(s1 []float64, k int) *classes {
	cl := newClasses(b.smooth, b.raw, s1, k)
	least := 1e-9
	if b.counts > 0 {
		least = 0.5 / b.counts
	}
	cl.floor(least)
	return cl
}

// strengths are the template signal-to-noise ratios d at which the scan is
// made: spots fainter than the first are out of reach, spots stronger than the
// last are found all the same.
var strengths = [...]float64{2.5, 4.5, 8, 14}

// widthWeight is the power of the width by which wide spots are favoured in the
// average over trials: a field holds fewer places for them (the power 2 would
// make up for all of it).
const widthWeight = 1.0

// maxTrial is the largest fraction of target that is tried.
const maxTrial = 0.9

// newTrials returns the trials for a field with mean counts per pixel and the
// information per count and squared strength; no strength is above most.
func newTrials(widths []float64, mean, information, most float64) []trial {
	var out []trial
	for i, s := range widths {
		k2, k1 := kernelEnergy(s)
		last := 0.0
		for _, d := range strengths {
			// d = f·sqrt(T·I·sum k²); at least two counts.
			f := d / math.Sqrt(mean*information*k2)
			f = math.Min(math.Max(f, 2/(mean*k1)), most)
			if f > last*1.05 {
				out = append(out, trial{width: i, f: f})
				last = f
			}
		}
	}
	total := 0.0
	for _, t := range out {
		total += math.Pow(widths[t.width], widthWeight)
	}
	for i := range out {
		out[i].log = widthWeight*math.Log(widths[out[i].width]) - math.Log(total)
	}
	return out
}
