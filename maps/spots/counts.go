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
	quietN  []float64 // their counts
	rank    []int     // of every pixel's background among quiet
	phi     float64   // variance-to-mean ratio of the background
	windowS float64
	plain   *[6][]float64 // moments of the coordinates without a mask
	planes  planes        // of plain
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
	if len(m.V) == 1 {
		s.first = newScanned(1)
		res.LLR, res.Limit = s.llrMap(), noLimit(onePixel)
		res.Remarks = append(res.Remarks, onePixel)
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
		out = s.alarms(s.first, s.alarmLevel()+3)
	}
	s.sortQuiet(out.In)
	s.planes = s.newPlanes()
	pull := s.scaled(s.b)
	s.m = &model{w: s.w, h: s.h, r: []float64{2}, class: [][]float64{s.scaled(s.n)}, weight: s.b, pull: pull, most: additiveMost, frac: make([]float64, s.w*s.h)}
	s.draw = s.replica
	s.scanner = func() scanner { return newCountScan(s.bank, s.valid) }
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
	if n, most := s.widest(res.Spots); n > 0 {
		res.Remarks = append(res.Remarks, fmt.Sprintf("%s as wide as the widest profile of the search (%.3g px at half maximum) or wider: sizes and counts of such grains come out too small", spotsAre(n), fwhm*most))
	}
}

// widest counts the spots at the end of the widths that are fitted, most.
func (s *countSearch) widest(list []maps.Spot) (n int, most float64) {
	most = 1.5 * s.opt.Widths[len(s.opt.Widths)-1]
	for _, sp := range list {
		if sp.WidthPx > 0.99*most {
			n++
		}
	}
	return n, most
}

// spotsAre is a number of spots with its verb.
func spotsAre(n int) string {
	if n == 1 {
		return "1 spot is"
	}
	return fmt.Sprintf("%d spots are", n)
}
