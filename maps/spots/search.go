package spots

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"sync"

	"example.org/fleck/maps"
	"example.org/fleck/spectra/poisson"
)

const whatLLR = "log-likelihood ratio of a spot"

// search is what a search in a cube and one in a count map have in common.
type search struct {
	w, h     int
	pixel    maps.Pixel
	opt      Options
	bank     *bank
	first    *scanned // of the counts as they are
	last     *scanned // with the found spots taken out
	null     nullLaw
	m        *model
	spots    []found
	mean     float64   // counts per pixel
	info     float64   // per count and squared strength
	per      []float64 // the same of every class, in a cube
	progress *progress

	// draw fills the maps that the bank scans with replica number stream.
	draw func(class [][]float64, stream uint64)
	// scanner returns what works out the heights of replicas, for one goroutine. Nil:
	// the transforms of bank.
	scanner func() scanner
	// refine brings a scanned replica to the state of a field whose substrate was
	// estimated without its alarms; it reports whether it must be scanned again.
	// Nil: no need. The transforms alone ask for it.
	refine func(class [][]float64, now *scanned) bool
	// residual fills them with the counts less the spots found.
	residual func(class [][]float64)
	// inject puts a spot of strength f with the profile into a replica.
	inject func(rng *rand.Rand, class [][]float64, pr profile, f float64)
}

// alarms marks the pixels within three widths of maxima of a scan above level.
func (s *search) alarms(now *scanned, level float64) maps.Mask {
	mask := maps.NewMask(s.w, s.h)
	for _, pk := range localMaxima(nil, now.u, s.w, s.h) {
		if pk.u < level {
			break
		}
		r := 3 * s.opt.Widths[s.bank.trials[now.arg[pk.p]].width]
		x, y := pk.p%s.w, pk.p/s.w
		n := int(math.Ceil(r))
		for j := max(0, y-n); j <= min(s.h-1, y+n); j++ {
			for i := max(0, x-n); i <= min(s.w-1, x+n); i++ {
				if math.Hypot(float64(i-x), float64(j-y)) <= r {
					mask.In[j*s.w+i] = true
				}
			}
		}
	}
	return mask
}

// scanner works out heights u of a replica where they are asked for.
type scanner interface {
	// peaks returns the local maxima above floorU, in any order, and the largest u. The
	// list is overwritten by the next call.
	peaks(class [][]float64) (list []peak, top float64)
	// around returns a map of u that is right within r of the places.
	around(class [][]float64, places []place, r float64) []float64
}

// replicaScanner is scanner, or the transforms.
func (s *search) replicaScanner() scanner {
	if s.scanner != nil {
		return s.scanner()
	}
	return &transformScan{s: s, out: newScanned(s.w * s.h), scratch: s.bank.newScratch()}
}

// transformScan works out all heights by the transforms of the bank.
type transformScan struct {
	s       *search
	out     *scanned
	scratch *scratch
	list    []peak
}

func (t *transformScan) peaks(class [][]float64) ([]peak, float64) {
	t.s.bank.scan(t.out, class, t.scratch)
	if t.s.refine != nil && t.s.refine(class, t.out) {
		t.s.bank.scan(t.out, class, t.scratch)
	}
	t.list = localMaxima(t.list, t.out.u, t.s.w, t.s.h)
	return t.list, slices.Max(t.out.u)
}

func (t *transformScan) around(class [][]float64, _ []place, _ float64) []float64 {
	t.s.bank.scan(t.out, class, t.scratch)
	return t.out.u
}

// simulate scans replicas without spots.
func (s *search) simulate(ctx context.Context) error {
	m := s.opt.Bootstrap
	heights := make([][]float64, m)
	s.null = nullLaw{replicas: m, maxima: make([]float64, m)}
	parallel(m, s.opt.Workers, func() func(int) {
		scan := s.replicaScanner()
		class := newClassMaps(s.bank.law.n, s.w*s.h)
		return func(i int) {
			if ctx.Err() != nil {
				return
			}
			s.draw(class, uint64(i))
			var peaks []peak
			peaks, s.null.maxima[i] = scan.peaks(class)
			for _, p := range peaks {
				heights[i] = append(heights[i], p.u)
			}
			s.progress.step()
		}
	})
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("spots: stopped: %w", err)
	}
	s.null.heights = slices.Concat(heights...)
	slices.Sort(s.null.heights)
	slices.Sort(s.null.maxima)
	return nil
}

func newClassMaps(k, n int) [][]float64 {
	out := make([][]float64, k)
	for g := range out {
		out[g] = make([]float64, n)
	}
	return out
}

// detect finds components strongest first, in rounds: the maxima of one round
// that do not touch each other are fitted, put into the model and taken out of
// the counts for the next. A particle that is no Gaussian takes several.
func (s *search) detect(ctx context.Context) error {
	w := s.w
	least := s.opt.MinWidthPx
	most := 1.5 * s.opt.Widths[len(s.opt.Widths)-1]
	res := newClassMaps(s.bank.law.n, s.w*s.h)
	now := s.first
	for range 12 {
		if err := ctx.Err(); err != nil {
			return fmt.Errorf("spots: stopped: %w", err)
		}
		peaks := localMaxima(nil, now.u, w, s.h)
		level := s.candidateLevel(peaks)
		var taken []component
		before := len(s.m.parts)
		for _, pk := range peaks {
			if pk.u < level || len(s.m.parts) >= s.opt.MaxSpots {
				break
			}
			tr := s.bank.trials[now.arg[pk.p]]
			c := component{x: float64(pk.p % w), y: float64(pk.p / w), s: s.opt.Widths[tr.width], f: tr.f, u: pk.u}
			if slices.ContainsFunc(taken, func(o component) bool {
				return math.Hypot(o.x-c.x, o.y-c.y) < 3*(o.s+c.s)
			}) {
				continue
			}
			taken = append(taken, c)
			if c = s.m.fit(c, least, most); c.f > 0 {
				s.m.parts = append(s.m.parts, s.m.split(c, least, most))
			}
		}
		if len(s.m.parts) == before {
			break
		}
		s.polish(least, most)
		s.residual(res)
		if now == s.first {
			now = newScanned(s.w * s.h)
		}
		s.bank.scanParallel(now, res, s.opt.Workers)
	}
	s.last = now
	pruned := s.prune(least, most)
	if s.dropFaint() || pruned {
		s.polish(least, most)
		s.residual(res)
		s.bank.scanParallel(now, res, s.opt.Workers)
	}
	s.group()
	return nil
}

// candidateLevel is the height down to which maxima are fitted: one false one
// per field, or more when so many are true that the list will reach deeper.
func (s *search) candidateLevel(peaks []peak) float64 {
	p := make([]float64, 0, len(peaks)+len(s.m.parts))
	for _, pk := range peaks {
		p = append(p, s.null.peakP(pk.u))
	}
	for _, c := range s.m.parts {
		p = append(p, s.null.peakP(c.u))
	}
	n := 0
	for _, ok := range poisson.Rejected(p, s.opt.Q) {
		if ok {
			n++
		}
	}
	return s.null.levelOf(math.Max(1, 1.5*s.opt.Q*float64(n)))
}

// polish fits components that overlap others once more and sums up the model.
func (s *search) polish(least, most float64) {
	s.m.sumUp()
	for i, c := range s.m.parts {
		near := false
		for k, o := range s.m.parts {
			near = near || k != i && math.Hypot(o.x-c.x, o.y-c.y) < reach*(o.s+c.s)
		}
		if !near {
			continue
		}
		s.m.put(c, -1)
		if n := s.m.fit(c, least, most); n.f > 0 {
			c = n
		}
		s.m.parts[i] = c
		s.m.put(c, 1)
	}
	s.m.sumUp()
}

// progress counts finished steps; safe for many goroutines.
type progress struct {
	mu          sync.Mutex
	done, total int
	call        func(done, total int)
}

func newProgress(call func(done, total int), total int) *progress {
	return &progress{call: call, total: total}
}

func (p *progress) step() {
	if p.call == nil {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.done++
	p.call(p.done, p.total)
}
