//go:build unix

package transport

import (
	"fmt"
	"syscall"
	"testing"
	"time"
)

// userTime is the processor time of the program, which other programs on the
// machine do not lengthen as they do the time on the wall.
func userTime(t testing.TB) time.Duration {
	var r syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &r); err != nil {
		t.Fatal(err)
	}
	return time.Duration(r.Utime.Nano())
}

// BenchmarkSphere reports trajectories per second of user time on one core: a
// 500 nm silica sphere on aluminium, three families.
func BenchmarkSphere(b *testing.B) {
	for _, beam := range []float64{5, 10, 15, 20} {
		b.Run(fmt.Sprintf("%gkeV", beam), func(b *testing.B) {
			c := Config{
				Geometry: keV(beam), Substrate: material(b, "Al"), Particle: &Particle{Material: material(b, "SiO2:2.2g/cm3"), DiameterM: 500e-9},
				Peaks: peaks(b, "Si K", "O K", "Al K"), Trajectories: 5000, Workers: 1,
			}
			start := userTime(b)
			n := 0
			for b.Loop() {
				simulate(b, c)
				n += c.Trajectories
			}
			b.ReportMetric(float64(n)/(userTime(b)-start).Seconds(), "trajectories/s")
		})
	}
}
