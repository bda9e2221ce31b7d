package transport

import (
	"context"
	"runtime"
	"sync"
)

// tally is what one block of trajectories gives.
type tally struct {
	made, sent       []float64 // per group of every body
	peaks            []moments
	continuum        []glow
	back, through    [2]float64 // sum and sum of squares of weights
	depth, sentDepth []float64
	radial           []float64
	trajectories     int
}

// moments are sums over trajectories of one peak and of their squares.
type moments struct {
	made2, sent2, own2 float64
}

// Run simulates the configuration. It stops early with the error of ctx.
func Run(ctx context.Context, cfg Config) (*Result, error) {
	c, err := cfg.withDefaults()
	if err != nil {
		return nil, err
	}
	s := prepare(c)
	sum := s.newTally()
	err = c.blocks(ctx, []*tally{sum}, func() func(first, n int) []*tally {
		t := s.newTracker()
		return func(first, n int) []*tally { return []*tally{t.block(first, n)} }
	})
	if err != nil {
		return nil, err
	}
	return s.result(sum), nil
}

// blocks runs all blocks of trajectories and adds what they give to sums. Each
// worker gets a function that runs n trajectories from the first.
//
// Blocks go out in their order and come back in any; sums are taken in order, so
// that the bits do not depend on the workers. Blocks cost about the same, so that
// few wait for an earlier one.
func (c *Config) blocks(ctx context.Context, sums []*tally, worker func() func(first, n int) []*tally) error {
	blocks := (c.Trajectories + BlockSize - 1) / BlockSize
	workers := c.Workers
	if workers == 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	var mu sync.Mutex
	var wg sync.WaitGroup
	next, added, done := 0, 0, 0
	waiting := map[int][]*tally{}
	for range min(workers, blocks) {
		wg.Go(func() {
			run := worker()
			for {
				mu.Lock()
				i := next
				next++
				mu.Unlock()
				if i >= blocks || ctx.Err() != nil {
					return
				}
				got := run(i*BlockSize, min(BlockSize, c.Trajectories-i*BlockSize))
				mu.Lock()
				waiting[i] = got
				done += got[0].trajectories
				for waiting[added] != nil {
					for k, s := range sums {
						s.add(waiting[added][k])
					}
					delete(waiting, added)
					added++
				}
				if c.Progress != nil {
					c.Progress(done, c.Trajectories)
				}
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	return ctx.Err()
}

func (s *simulation) newTally() *tally {
	return &tally{
		made: make([]float64, s.nTallies), sent: make([]float64, s.nTallies), peaks: make([]moments, len(s.Peaks)), continuum: make([]glow, len(s.Continuum)),
		depth: make([]float64, s.bins*len(s.Peaks)), sentDepth: make([]float64, s.bins*len(s.Peaks)), radial: make([]float64, s.bins*len(s.Peaks)),
	}
}

func (a *tally) add(b *tally) {
	for _, x := range []struct{ to, from []float64 }{{a.made, b.made}, {a.sent, b.sent}, {a.depth, b.depth}, {a.sentDepth, b.sentDepth}, {a.radial, b.radial}, {a.back[:], b.back[:]}, {a.through[:], b.through[:]}} {
		for i, v := range x.from {
			x.to[i] += v
		}
	}
	for i, m := range b.peaks {
		a.peaks[i].made2 += m.made2
		a.peaks[i].sent2 += m.sent2
		a.peaks[i].own2 += m.own2
	}
	for i, g := range b.continuum {
		c := &a.continuum[i]
		c.sent += g.sent
		c.sent2 += g.sent2
		c.own += g.own
		c.own2 += g.own2
	}
	a.trajectories += b.trajectories
}

func (s *simulation) newTracker() *tracker {
	return &tracker{
		simulation: s, made: make([]float64, s.nTallies), sent: make([]float64, s.nTallies), ways: make([]float64, len(s.specimen.bodies)),
		glow: make([]float64, len(s.Continuum)), ownGlow: make([]float64, len(s.Continuum)), per: make([][3]float64, len(s.Peaks)),
	}
}

// block runs n trajectories from the first.
func (t *tracker) block(first, n int) *tally {
	t.tally = t.newTally()
	for i := range n {
		t.run(uint64(first + i))
		t.score()
	}
	t.tally.trajectories = n
	return t.tally
}

// run follows one trajectory from its start to its end.
func (t *tracker) run(trajectory uint64) {
	clear(t.made)
	clear(t.sent)
	clear(t.glow)
	clear(t.ownGlow)
	t.streams.seed(t.Seed, trajectory)
	t.exit = exit{}
	// Before the start, which takes more numbers where a particle is aimed at: the
	// segments that count are then the same with the particle and without.
	r := t.streams[aimStream].Uint64()
	t.turn, t.skip = int(r>>32%rayStride), int(r>>48%thinning)
	start := t.start()
	if t.weight == 0 {
		return
	}
	switch t.follow(start) {
	case backscattered:
		t.tally.back[0] += t.weight
		t.tally.back[1] += t.weight * t.weight
	case transmitted:
		t.tally.through[0] += t.weight
		t.tally.through[1] += t.weight * t.weight
	}
}

// score adds what the trajectory gave to the tally.
func (t *tracker) score() {
	clear(t.per)
	for i, b := range t.specimen.bodies {
		for j, g := range b.groups {
			made, sent := t.made[b.first+j], t.sent[b.first+j]
			t.tally.made[b.first+j] += made
			t.tally.sent[b.first+j] += sent
			t.per[g.peak][0] += made
			t.per[g.peak][1] += sent
			if i == t.specimen.particle {
				t.per[g.peak][2] += sent
			}
		}
	}
	for i, v := range t.per {
		m := &t.tally.peaks[i]
		m.made2 += v[0] * v[0]
		m.sent2 += v[1] * v[1]
		m.own2 += v[2] * v[2]
	}
	for i, v := range t.glow {
		own := t.ownGlow[i]
		c := &t.tally.continuum[i]
		c.sent += v
		c.sent2 += v * v
		c.own += own
		c.own2 += own * own
	}
}
