//go:build study

package spots

import (
	"context"
	"fmt"
	"math/rand/v2"
	"syscall"
	"testing"
	"time"
)

// cpuSeconds returns the processor time of this process, user and system.
func cpuSeconds() float64 {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano()).Seconds()
}

// TestStudyLargeField prints the time of a whole search, bootstrap, verdicts and
// detection limit included, in a field of SIDE × SIDE pixels and 1024 channels.
func TestStudyLargeField(t *testing.T) {
	if testing.Short() {
		t.Skip("long: left out of short runs")
	}
	side := envInt("SIDE", 512)
	s0, target, confuser := wideWorld()
	rng := rand.New(rand.NewPCG(1, 1))
	sp := scatter(rng, 40*side*side/(512*512), side, side, 1.2, .12, 10, target.Spectrum)
	f := worldField(rng, side, side, 150, s0, sp)
	blank := blankSpectrum(rng, s0, f.Total())
	start, cpu := time.Now(), cpuSeconds()
	r, err := Find(context.Background(), f, Options{Substrate: blank, Target: target, Confusers: []Template{confuser}, Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	fmt.Printf("%d × %d × %d, 150 counts/px, %d spots put in, %d listed, %d replicas, limit %.0f counts: %.1f s CPU, %.1f s elapsed\n", side, side, len(s0), len(sp), len(r.Spots), r.Options.Bootstrap,
		r.Limit.ExcessCounts, cpuSeconds()-cpu, time.Since(start).Seconds())
}
