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
	blocks := (c.Trajectories + BlockSize - 1) / BlockSize
	workers := c.Workers
	if workers == 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	workers = min(workers, blocks)

	// Blocks go out in their order and come back in any; sums are taken in
	// order, so that the bits do not depend on the workers. Blocks cost about the
	// same, so that few wait for an earlier one.
	var mu sync.Mutex
	var wg sync.WaitGroup
	next, added, done := 0, 0, 0
	waiting := map[int]*tally{}
	sum := s.newTally()
	for range workers {
		wg.Go(func() {
			t := s.newTracker()
			for {
				mu.Lock()
				i := next
				next++
				mu.Unlock()
				if i >= blocks || ctx.Err() != nil {
					return
				}
				got := t.block(i, min(BlockSize, c.Trajectories-i*BlockSize))
				mu.Lock()
				waiting[i] = got
				done += got.trajectories
				for waiting[added] != nil {
					sum.add(waiting[added])
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
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	return s.result(sum), nil
}

func (s *simulation) newTally() *tally {
	return &tally{
		made: make([]float64, s.nTallies), sent: make([]float64, s.nTallies), peaks: make([]moments, len(s.Peaks)),
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
	a.trajectories += b.trajectories
}

func (s *simulation) newTracker() *tracker {
	return &tracker{simulation: s, made: make([]float64, s.nTallies), sent: make([]float64, s.nTallies), ways: make([]float64, len(s.specimen.bodies))}
}

// block runs the trajectories of one block.
func (t *tracker) block(index, n int) *tally {
	t.rng = newStream(t.Seed, uint64(index))
	t.tally = t.newTally()
	per := make([][3]float64, len(t.Peaks))
	for range n {
		clear(t.made)
		clear(t.sent)
		switch t.follow(t.start()) {
		case backscattered:
			t.tally.back[0] += t.weight
			t.tally.back[1] += t.weight * t.weight
		case transmitted:
			t.tally.through[0] += t.weight
			t.tally.through[1] += t.weight * t.weight
		}
		clear(per)
		for i, b := range t.specimen.bodies {
			for j, g := range b.groups {
				made, sent := t.made[b.first+j], t.sent[b.first+j]
				t.tally.made[b.first+j] += made
				t.tally.sent[b.first+j] += sent
				per[g.peak][0] += made
				per[g.peak][1] += sent
				if i == t.specimen.particle {
					per[g.peak][2] += sent
				}
			}
		}
		for i, v := range per {
			m := &t.tally.peaks[i]
			m.made2 += v[0] * v[0]
			m.sent2 += v[1] * v[1]
			m.own2 += v[2] * v[2]
		}
	}
	t.tally.trajectories = n
	return t.tally
}
