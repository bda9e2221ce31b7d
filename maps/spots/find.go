package spots

import (
	"context"
	"fmt"
	"math"
	"slices"

	"example.org/fleck/maps"
)

// Result is what Find found.
type Result struct {
	// PValue answers "is there any target in this field?": the probability of so
	// strong a spot with a significant own line in a field without spots. Spots
	// named as another compound do not count.
	PValue   float64
	Detected bool // PValue ≤ Options.Alpha

	Spots    []maps.Spot // strongest first
	Rejected []maps.Spot // as strong, but without the target's own line; Reason says so

	// Threshold is the decision threshold of one field: the value of LLR that a
	// field without target exceeds with probability Alpha.
	Threshold float64
	// ListThreshold is the height down to which maxima were listed; NaN when none was.
	ListThreshold float64
	// ExpectedFalse is the number of listed spots expected in a field without target.
	ExpectedFalse float64
	Limit         Limit

	// LLR is the logarithm of the likelihood ratio "spot here" to "no spot",
	// averaged over widths and strengths.
	LLR maps.Map

	Substrate       []float64 // spectrum used, sum 1; the average over several phases
	SubstrateCounts float64   // counts behind it, 0 = known exactly
	SubstrateFrom   string    // FromBlank or FromField
	// BlankP is the p-value of the agreement of the field, outside alarms, with
	// Options.Substrate; NaN without one.
	BlankP float64
	// Phases are those of the substrate in this field, largest first, by which every
	// pixel was weighed against the spectrum of its own, and PhaseOf the phase of
	// every pixel; nil when there is one.
	Phases  []Phase
	PhaseOf []uint8
	// Uneven says that the spectrum of the field varies from place to place by
	// itself; OddShare is the share of its pixels in blocks that stand out one by one.
	Uneven      bool
	OddShare    float64
	Information float64 // sum (s1−s0)²/s0 over the channel classes, per count

	// Excess is the number of target counts in the whole field by a fit of its
	// sum spectrum with Options.Substrate, LineExcess that of the own line family
	// with the rest free. Both are NaN without a blank. They hold what no spot
	// shows, but also every difference between blank and field.
	Excess, ExcessSigma         float64
	LineExcess, LineExcessSigma float64

	// Background and Dispersion (variance-to-mean ratio, ≥ 1) are filled by
	// FindCounts.
	Background maps.Map
	Dispersion float64
	Options    Options // resolved
	Remarks    []string
}

// Values of Result.SubstrateFrom.
const (
	FromBlank = "blank"
	FromField = "field"
)

// Find looks for spots of the target compound in f.
//
// The statistic of a place is the logarithm of the average likelihood ratio of
// "spot of target here" to "none" over the widths and strengths tried, given
// the counts of every pixel (Kulldorff 1997, Commun. Stat. 26, 1481, for the scan
// over place and size; the average is the Bayes factor of the trials). The verdict
// on the field compares the highest value with replicas of the field without
// spots; the list of spots controls the false discovery rate over local maxima
// with p-values from the pooled heights of the replicas (Chumbley et al. 2010,
// NeuroImage 49, 3057; Benjamini & Hochberg 1995). Spots are found strongest
// first; found spots are part of the model for the next.
//
// A spot must also be significant in the target's own line family with the rest
// of the target and the nuisance lines free. The other compounds offered take no
// part in that test: a spot of one that shares the line is listed, and named by
// its verdict.
//
// A target that the counts cannot tell from the substrate is an error that
// wraps ErrInseparable. The result is the same for any number of workers.
//
// A field of one pixel is not searched: with a blank its excess is in the result, and
// a remark says so.
func Find(ctx context.Context, f *Field, opt Options) (*Result, error) {
	opt, err := opt.withDefaults(f)
	if err != nil {
		return nil, err
	}
	res := &Result{Options: opt, PValue: 1, Threshold: math.NaN(), ListThreshold: math.NaN(), Dispersion: 1, BlankP: math.NaN(),
		Excess: math.NaN(), ExcessSigma: math.NaN(), LineExcess: math.NaN(), LineExcessSigma: math.NaN()}
	res.Limit = noLimit("no limit was asked for")
	total := f.Total()
	if total == 0 {
		res.LLR = maps.Map{W: f.W, H: f.H, V: make([]float64, f.W*f.H), What: whatLLR, Unit: "1", Pixel: f.Pixel}
		res.Substrate = opt.Substrate
		res.Limit = noLimit("the field holds no counts")
		res.Remarks = append(res.Remarks, "the field holds no counts in the channels used")
		return res, nil
	}
	s := newCubeSearch(f, opt)
	if f.W*f.H == 1 {
		if err := s.onePixel(ctx, res); err != nil {
			return nil, err
		}
		return res, nil
	}
	if err := s.prepare(ctx); err != nil {
		return nil, err
	}
	if err := s.simulate(ctx); err != nil {
		return nil, err
	}
	if err := s.detect(ctx); err != nil {
		return nil, err
	}
	if err := s.report(ctx, res); err != nil {
		return nil, err
	}
	return res, nil
}

// cubeSearch is a search in a cube.
type cubeSearch struct {
	search
	f       *Field
	total   float64
	ground  ground
	class   [][]float64
	sim     *simulator
	match   blankMatch
	patches patchwork
}

func newCubeSearch(f *Field, opt Options) *cubeSearch {
	s := &cubeSearch{f: f, total: f.Total(), patches: f.evenness(opt.Target.Line, nil, 1)}
	s.search = search{w: f.W, h: f.H, pixel: f.Pixel, opt: opt, progress: newProgress(opt.Progress, opt.Bootstrap)}
	return s
}

// build makes classes and kernels for a substrate.
func (s *cubeSearch) build(g ground) error {
	g.classify(s.opt.Target.Spectrum, s.opt.Classes)
	s.ground = g
	info, least := g.information()
	if info < least {
		return fmt.Errorf("spots: target %q and the substrate %w: information %.2g per count, at least %.2g is needed", s.opt.Target.Name, ErrInseparable, info, least)
	}
	mean := s.total / float64(s.f.W*s.f.H)
	r := g.ratios()
	s.bank = newBank(s.f.W, s.f.H, mixtureLaw(r), s.opt.Widths, newTrials(s.opt.Widths, mean, info, maxTrial), s.opt.Workers)
	s.class = g.mapsOf(s.f)
	s.first = newScanned(s.f.W * s.f.H)
	s.bank.scanParallel(s.first, s.class, s.opt.Workers)
	totals := s.f.Totals().V
	s.sim = newSimulator(totals, &s.ground)
	s.m = newModel(s.f.W, s.f.H, r, s.class, totals)
	s.m.ground = &s.ground
	s.mean = s.total / float64(len(totals))
	s.info, s.per = info, g.perClass()
	s.draw = func(class [][]float64, stream uint64) { s.sim.draw(class, s.opt.Seed, stream) }
	s.refine = nil
	if g.refit() {
		s.refine = s.withoutAlarms
	}
	s.residual = s.m.residual
	s.inject = s.injectTarget
	return nil
}

// prepare finds the substrate spectrum and scans the field.
func (s *cubeSearch) prepare(ctx context.Context) error {
	s.match.p = math.NaN()
	if blank, given := s.blankGround(); given {
		if len(blank.phases) > 1 {
			s.patches = s.f.evenness(s.opt.Target.Line, blank.of, len(blank.phases))
		}
		if err := s.build(blank); err != nil {
			return err
		}
		match, err := s.matchBlank(s.outside())
		if err != nil {
			return err
		}
		if err := s.fieldExcess(&match); err != nil {
			return err
		}
		s.match = match
		if s.opt.KeepBlank || match.p >= blankAlpha {
			return nil
		}
	}
	// Phases are looked for where one spectrum does not do, and no blank fits: what a
	// field has beside a blank that fits is no phase.
	var of []uint8
	n := 1
	s.patches = s.f.evenness(s.opt.Target.Line, nil, 1)
	if s.patches.uneven || s.patches.share >= phaseShare {
		var err error
		if of, n, err = s.ownPhases(); err != nil {
			return err
		}
		s.patches = s.f.evenness(s.opt.Target.Line, of, n)
	}
	return s.fromField(ctx, of, n)
}

// blankGround returns the ground that the options give, if they do.
func (s *cubeSearch) blankGround() (ground, bool) {
	if len(s.opt.Phases) > 1 {
		return groundOf(s.f, s.opt.Phases, s.opt.Target.Line), true
	}
	if s.opt.Substrate == nil {
		return ground{}, false
	}
	return newGround(s.f, nil, newBackground(s.opt.Substrate, s.opt.SubstrateCounts, false)), true
}

// ownPhases parts the field into phases of its own, without those that hold the
// target.
func (s *cubeSearch) ownPhases() (of []uint8, n int, err error) {
	fields := []*Field{s.f}
	labels, n := partition(fields, s.opt.Target.Line)
	if n == 1 {
		return nil, 1, nil
	}
	phases := phasesOf(fields, labels, n)
	j := newJudge(s.opt, s.f.Channels.From)
	beside := slices.Concat(j.local, j.other)
	for _, t := range s.opt.Nuisance {
		beside = append(beside, t.Spectrum)
	}
	kept, err := withoutTarget(phases, s.opt.Target, beside)
	if err != nil {
		return nil, 1, err
	}
	if len(kept) < 2 {
		return nil, 1, nil
	}
	if len(kept) == n {
		return labels[0], n, nil
	}
	return s.f.labelBy(kept, s.opt.Target.Line), len(kept), nil
}

// alarmLevel is the height that about one false maximum per field exceeds
// (found by simulation: exp(−u)/150 per pixel).
func (s *search) alarmLevel() float64 {
	return math.Max(2, math.Log(float64(s.w*s.h)/150))
}

// withoutAlarms scales the classes of a replica as if their shares had been
// estimated without its alarms, as those of the field were.
func (s *cubeSearch) withoutAlarms(class [][]float64, now *scanned) bool {
	mask := s.alarms(now, s.alarmLevel())
	all := 0.0
	left := make([]float64, len(s.ground.phases))
	sum := make([]float64, len(class))
	some := false
	for p, in := range mask.In {
		if in {
			some = true
			continue
		}
		k := s.ground.at(p)
		ph := &s.ground.phases[k]
		left[k] += s.sim.totals[p]
		all += s.sim.totals[p]
		for g := ph.first; g < ph.first+ph.cl.n(); g++ {
			sum[g] += class[g][p]
		}
	}
	if !some || all < s.total/4 {
		return false
	}
	for k := range s.ground.phases {
		ph := &s.ground.phases[k]
		for g, share := range ph.cl.s0 {
			if sum[ph.first+g] <= 0 {
				continue
			}
			scale := share * left[k] / sum[ph.first+g]
			m := class[ph.first+g]
			for p := range m {
				m[p] *= scale
			}
		}
	}
	return true
}

// outside marks what does not speak for the substrate: alarms and blocks of
// another spectrum.
func (s *cubeSearch) outside() maps.Mask {
	m := s.alarms(s.first, s.alarmLevel())
	if s.patches.share < 0.5 {
		for p, odd := range s.patches.odd.In {
			m.In[p] = m.In[p] || odd
		}
	}
	return m
}

// fromField estimates the substrate, phase by phase, from the field itself: all
// pixels, then those away from alarms.
func (s *cubeSearch) fromField(ctx context.Context, of []uint8, n int) error {
	g := newGround(s.f, of, make([]background, n)...)
	sums := g.sums(s.f, maps.NewMask(s.f.W, s.f.H))
	for range 3 {
		if err := ctx.Err(); err != nil {
			return fmt.Errorf("spots: stopped: %w", err)
		}
		backgrounds := make([]background, n)
		for k, sum := range sums {
			backgrounds[k] = newBackground(unitSum(sum), sumOf(sum), true)
		}
		if err := s.build(newGround(s.f, of, backgrounds...)); err != nil {
			return err
		}
		left := 0.0
		next := s.ground.sums(s.f, s.outside())
		for k, sum := range next {
			counts := sumOf(sum)
			left += counts
			if counts < s.ground.phases[k].total/4 {
				next[k] = sums[k]
			}
		}
		if left < s.total/4 {
			break // next to nothing is left: keep the last
		}
		sums = next
	}
	return nil
}
