package spots

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"example.org/fleck/maps"
	"example.org/fleck/spectra/poisson"
	"gonum.org/v1/gonum/stat/distuv"
)

// CountOptions are the settings of FindCounts; the zero value works. Fields
// named as in Options mean the same.
type CountOptions struct {
	Widths     []float64
	MinWidthPx float64
	Q          float64
	Alpha      float64
	Bootstrap  int
	Seed       uint64
	// BackgroundPx is the standard deviation of the Gaussian window in which the
	// background is fitted, in pixels; 0 means five times the largest width.
	BackgroundPx float64
	MaxSpots     int
	NoLimit      bool
	Workers      int
	Progress     func(done, total int)
}

// additiveMost bounds the strength of a spot in a count map relative to the
// background; it only keeps a Newton step finite.
const additiveMost = 1e9

// dispersionZ is the number of standard errors from which the scatter of the
// background counts as wider than Poisson's.
const dispersionZ = 3

// countSearch is a search in a count map.
type countSearch struct {
	search
	n       []float64 // counts, 0 where there is none
	valid   []bool
	b       []float64 // background
	quiet   []int     // valid pixels outside alarms, by rising background
	rank    []int     // of every pixel's background among quiet
	phi     float64   // variance-to-mean ratio of the background
	windowS float64
	plain   *[6][]float64 // moments of the coordinates without a mask
}

// FindCounts looks for spots of high counts in a single count map, such as that
// of a wavelength-dispersive spectrometer or of one window: whole numbers ≥ 0,
// NaN where there is no value. The background is a plane fitted locally, with
// Gaussian weights, to the pixels outside alarms; where it scatters more than Poisson counts do,
// the log-likelihood is divided by the variance-to-mean ratio (quasi-likelihood,
// Wedderburn 1974, Biometrika 61, 439) and the replicas draw the counts of a
// pixel from pixels of like background, whatever their law.
// Scatter that hangs together over several pixels, such as grains, is not
// covered and gives false spots.
//
// A count map names no compound: every verdict is maps.CannotTell. The rest is
// as in Find; ExcessCounts are counts above the background.
func FindCounts(ctx context.Context, m maps.Map, opt CountOptions) (*Result, error) {
	if err := m.Check(); err != nil {
		return nil, fmt.Errorf("spots: %w", err)
	}
	s := &countSearch{n: make([]float64, len(m.V)), valid: make([]bool, len(m.V)), phi: 1}
	total, pixels := 0.0, 0
	for p, v := range m.V {
		if math.IsNaN(v) {
			continue
		}
		if v < 0 || v != math.Trunc(v) || math.IsInf(v, 0) {
			return nil, fmt.Errorf("spots: pixel (%d, %d) of %q holds %g; counts are whole numbers ≥ 0 or NaN", p%m.W, p/m.W, m.What, v)
		}
		s.n[p], s.valid[p] = v, true
		total += v
		pixels++
	}
	full := Options{Widths: opt.Widths, MinWidthPx: opt.MinWidthPx, Q: opt.Q, Alpha: opt.Alpha, Bootstrap: opt.Bootstrap, Seed: opt.Seed,
		MaxSpots: opt.MaxSpots, NoLimit: opt.NoLimit, Workers: opt.Workers, Progress: opt.Progress}
	if err := full.searchDefaults(m.W * m.H); err != nil {
		return nil, err
	}
	if err := full.levels(); err != nil {
		return nil, err
	}
	s.windowS = opt.BackgroundPx
	if s.windowS == 0 {
		s.windowS = 5 * full.Widths[len(full.Widths)-1]
	}
	if !(s.windowS >= 2*full.Widths[len(full.Widths)-1]) || math.IsInf(s.windowS, 0) {
		return nil, fmt.Errorf("spots: background window %g px; must be at least twice the largest width, %g px", s.windowS, full.Widths[len(full.Widths)-1])
	}
	s.search = search{w: m.W, h: m.H, pixel: m.Pixel, opt: full, progress: newProgress(full.Progress, full.Bootstrap)}
	res := &Result{Options: full, PValue: 1, Threshold: math.NaN(), ListThreshold: math.NaN(), Dispersion: 1, Limit: noLimit("no limit was asked for"),
		BlankP: math.NaN(), Excess: math.NaN(), ExcessSigma: math.NaN(), LineExcess: math.NaN(), LineExcessSigma: math.NaN()}
	if total == 0 {
		s.first = newScanned(len(m.V))
		res.LLR, res.Limit = s.llrMap(), noLimit("the map holds no counts")
		res.Remarks = append(res.Remarks, "the map holds no counts")
		return res, nil
	}
	s.mean = total / float64(pixels)
	s.prepare()
	if err := s.simulate(ctx); err != nil {
		return nil, err
	}
	if err := s.detect(ctx); err != nil {
		return nil, err
	}
	s.report(res)
	if !full.NoLimit {
		lim, err := s.limit(ctx)
		if err != nil {
			return nil, err
		}
		res.Limit = lim
	}
	return res, nil
}

// prepare estimates background and scatter without the alarms, three times.
func (s *countSearch) prepare() {
	out := maps.NewMask(s.w, s.h)
	s.plain = s.moments(nil)
	for range 3 {
		s.b = s.background(s.n, out.In)
		s.phi = s.dispersion(out.In)
		mean, pixels := 0.0, 0.0
		for p, v := range s.b {
			if s.valid[p] {
				mean += v
				pixels++
			}
		}
		s.mean, s.info = mean/pixels, 1/s.phi
		s.bank = newBank(s.w, s.h, law{2, func(g int, fk float64) float64 {
			if g == 0 {
				return math.Log1p(fk)
			}
			return -fk
		}}, s.opt.Widths, newTrials(s.opt.Widths, s.mean, s.info, additiveMost), s.opt.Workers)
		s.first = newScanned(s.w * s.h)
		s.bank.scanParallel(s.first, [][]float64{s.scaled(s.n), s.scaled(s.b)}, s.opt.Workers)
		// Only what is hardly chance: the replicas are not masked, and a mask that
		// cuts off the highest pixels of the background would lower it.
		out = s.alarms(s.alarmLevel() + 3)
	}
	s.sortQuiet(out.In)
	pull := s.scaled(s.b)
	s.m = &model{w: s.w, h: s.h, r: []float64{2}, class: [][]float64{s.scaled(s.n)}, weight: s.b, pull: pull, most: additiveMost, frac: make([]float64, s.w*s.h)}
	s.draw = s.replica
	s.residual = func(class [][]float64) {
		s.m.residual(class[:1])
		copy(class[1], pull)
	}
	s.inject = func(rng *rand.Rand, class [][]float64, pr profile, f float64) {
		s.m.each(pr, func(p int, k float64) {
			if s.valid[p] && k > 0 {
				class[0][p] += distuv.Poisson{Lambda: s.b[p] * f * k, Src: rng}.Rand() / s.phi
			}
		})
	}
}

// scaled returns v divided by the variance-to-mean ratio.
func (s *countSearch) scaled(v []float64) []float64 {
	out := make([]float64, len(v))
	for i := range v {
		out[i] = v[i] / s.phi
	}
	return out
}

// background returns the local level of the valid pixels outside the mask: the
// value at the pixel of a plane fitted with Gaussian weights (a local mean would
// be wrong along the frame wherever the background slopes). It is 0 where a pixel
// is not valid. Where too little is left nearby the mean of all stands in.
func (s *countSearch) background(n []float64, out []bool) []float64 {
	den := s.plain
	if out != nil {
		den = s.moments(out)
	}
	var num [3][]float64 // blurred moments of the counts: n, nx, ny
	for i := range num {
		num[i] = make([]float64, len(n))
	}
	sum, count := 0.0, 0.0
	for p, v := range n {
		if !s.valid[p] || out != nil && out[p] {
			continue
		}
		x, y := float64(p%s.w)/s.windowS, float64(p/s.w)/s.windowS
		num[0][p], num[1][p], num[2][p] = v, v*x, v*y
		sum += v
		count++
	}
	all := s.mean
	if count > 0 {
		all = sum / count
	}
	for i := range num {
		blur(num[i], s.w, s.h, s.windowS)
	}
	b := make([]float64, len(n))
	for p := range b {
		if !s.valid[p] {
			continue
		}
		x, y := float64(p%s.w)/s.windowS, float64(p/s.w)/s.windowS
		var d [6]float64
		for i := range d {
			d[i] = den[i][p]
		}
		v := all
		if d[0] >= 0.02 { // at least 2 % of the window
			v = planeAt(d, [3]float64{num[0][p], num[1][p], num[2][p]}, x, y)
		}
		// Never below half a count in all pixels together.
		b[p] = math.Max(v, 0.5/float64(len(b)))
	}
	return b
}

// moments returns the blurred moments 1, x, y, xx, xy, yy of the coordinates of
// the valid pixels outside the mask; nil masks nothing.
func (s *countSearch) moments(out []bool) *[6][]float64 {
	var den [6][]float64
	for i := range den {
		den[i] = make([]float64, len(s.valid))
	}
	for p, ok := range s.valid {
		if !ok || out != nil && out[p] {
			continue
		}
		x, y := float64(p%s.w)/s.windowS, float64(p/s.w)/s.windowS
		for i, m := range [6]float64{1, x, y, x * x, x * y, y * y} {
			den[i][p] = m
		}
	}
	for i := range den {
		blur(den[i], s.w, s.h, s.windowS)
	}
	return &den
}

// planeAt returns the value at (x, y) of the weighted least-squares plane with
// the moments d of the coordinates and n of the counts; the weighted mean where
// the pixels lie on a line.
func planeAt(d [6]float64, n [3]float64, x, y float64) float64 {
	// Moments about (x, y).
	s0, s1, s2 := d[0], d[1]-x*d[0], d[2]-y*d[0]
	s11 := d[3] - 2*x*d[1] + x*x*d[0]
	s12 := d[4] - x*d[2] - y*d[1] + x*y*d[0]
	s22 := d[5] - 2*y*d[2] + y*y*d[0]
	t0, t1, t2 := n[0], n[1]-x*n[0], n[2]-y*n[0]
	// Schur complement of the slopes.
	det := s11*s22 - s12*s12
	if !(det > 1e-6*s0*s0) {
		return t0 / s0
	}
	a1, a2 := (s22*s1-s12*s2)/det, (s11*s2-s12*s1)/det
	den := s0 - a1*s1 - a2*s2
	if !(den > 1e-6*s0) {
		return t0 / s0
	}
	return (t0 - a1*t1 - a2*t2) / den
}

// blur convolves v with a Gaussian of unit sum and standard deviation sd, cut
// at three of them; nothing lies beyond the frame.
func blur(v []float64, w, h int, sd float64) {
	r := int(math.Ceil(3 * sd))
	k := make([]float64, r+1)
	t := 0.0
	for i := range k {
		k[i] = math.Exp(-float64(i*i) / (2 * sd * sd))
		t += k[i]
		if i > 0 {
			t += k[i]
		}
	}
	line := make([]float64, max(w, h))
	pass := func(at, step, n int) {
		for i := range n {
			line[i] = v[at+i*step]
		}
		for i := range n {
			sum := k[0] * line[i]
			for d := 1; d <= r; d++ {
				if i-d >= 0 {
					sum += k[d] * line[i-d]
				}
				if i+d < n {
					sum += k[d] * line[i+d]
				}
				if i-d < 0 && i+d >= n {
					break
				}
			}
			v[at+i*step] = sum / t
		}
	}
	for y := range h {
		pass(y*w, 1, w)
	}
	for x := range w {
		pass(x, w, h)
	}
}

// dispersion returns the variance-to-mean ratio of the pixels outside the
// mask, 1 unless it is wider than Poisson's by dispersionZ standard errors (the
// variance of (n−b)²/b is 2 + 1/b).
func (s *countSearch) dispersion(out []bool) float64 {
	sum, variance, n := 0.0, 0.0, 0.0
	for p, b := range s.b {
		if !s.valid[p] || out[p] {
			continue
		}
		d := s.n[p] - b
		sum += d * d / b
		variance += 2 + 1/b
		n++
	}
	if n < 20 {
		return 1
	}
	phi := sum / n
	if (phi-1)*n < dispersionZ*math.Sqrt(variance) {
		return 1
	}
	return phi
}

// sortQuiet orders the pixels outside the mask by their background.
func (s *countSearch) sortQuiet(out []bool) {
	s.quiet = s.quiet[:0]
	for p, ok := range s.valid {
		if ok && !out[p] {
			s.quiet = append(s.quiet, p)
		}
	}
	slices.SortStableFunc(s.quiet, func(i, j int) int { return cmp.Compare(s.b[i], s.b[j]) })
	s.rank = make([]int, len(s.n))
	for p, b := range s.b {
		s.rank[p], _ = slices.BinarySearchFunc(s.quiet, b, func(q int, b float64) int { return cmp.Compare(s.b[q], b) })
	}
}

// replica draws a map without spots around the background and estimates its
// background anew.
func (s *countSearch) replica(class [][]float64, stream uint64) {
	rng := rand.New(rand.NewPCG(s.opt.Seed, stream))
	n := class[0]
	for p, b := range s.b {
		n[p] = 0
		if !s.valid[p] {
			continue
		}
		if s.phi == 1 || len(s.quiet) == 0 {
			n[p] = distuv.Poisson{Lambda: b, Src: rng}.Rand()
			continue
		}
		// One of the pixels next in background, 5 % of all or 100.
		k := min(max(100, len(s.quiet)/20), len(s.quiet))
		from := min(max(0, s.rank[p]-k/2), len(s.quiet)-k)
		n[p] = s.n[s.quiet[from+rng.IntN(k)]]
	}
	copy(class[1], s.background(n, nil))
	for p := range n {
		n[p] /= s.phi
		class[1][p] /= s.phi
	}
}

// report sizes and lists what was found.
func (s *countSearch) report(res *Result) {
	res.LLR = s.llrMap()
	res.Threshold = s.null.threshold(s.opt.Alpha)
	res.Information, res.Dispersion = s.info, s.phi
	res.Background = maps.Map{W: s.w, H: s.h, V: s.b, What: "background", Unit: "counts", Pixel: s.pixel}
	s.m.sumUp()
	whole := append([]float64(nil), s.m.frac...)
	list := make([]maps.Spot, len(s.spots))
	parallel(len(list), s.opt.Workers, func() func(int) {
		m := s.m.fork()
		return func(i int) {
			list[i], _ = s.measure(i, m, whole)
			list[i].LineCounts, list[i].LineSigma = list[i].ExcessCounts, list[i].ExcessSigma
			list[i].Reason = "a map of one line names no compound"
		}
	})
	var p []float64
	for i := range list {
		list[i].PValue = s.null.peakP(s.spots[i].u)
		p = append(p, list[i].PValue)
	}
	for _, pk := range localMaxima(nil, s.last.u, s.w, s.h) {
		p = append(p, s.null.peakP(pk.u))
	}
	q := poisson.BenjaminiHochberg(p)
	lowest := math.Inf(1)
	for i := range list {
		if list[i].QValue = q[i]; q[i] <= s.opt.Q {
			res.Spots = append(res.Spots, list[i])
			lowest = math.Min(lowest, s.spots[i].u)
		}
	}
	slices.SortStableFunc(res.Spots, func(a, b maps.Spot) int { return cmp.Compare(b.LogLikelihood, a.LogLikelihood) })
	for i := range res.Spots {
		res.Spots[i].ID = i + 1
	}
	if len(res.Spots) > 0 {
		res.ListThreshold, res.ExpectedFalse = lowest, s.null.falsePeaks(lowest)
	}
	res.PValue = s.null.fieldP(slices.Max(s.first.u))
	res.Detected = res.PValue <= s.opt.Alpha
	if s.phi > 1 {
		res.Remarks = append(res.Remarks, fmt.Sprintf("the background scatters %.2f times as wide (variance) as Poisson counts; the search allows for it", s.phi))
	}
}
