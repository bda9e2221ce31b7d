package scene

import (
	"math"
	"math/rand/v2"
	"sort"

	"example.org/fleck/spectra/synth"
)

// counting turns photons into recorded counts.
type counting struct {
	electrons float64 // per pixel times Ω/4π, at the mean dose, all frames together
	perFrame  float64 // of these in one frame
	// rate is the photons per second that a count per electron and 4π stands for,
	// 0 = not known.
	rate            float64
	pulsePair, dead float64 // s
	pile            float64 // share of sums in the plain substrate, where no rate is known
	plain           float64 // counts per electron of the plain substrate
	shift           float64 // channel of energy 0 eV, downwards
}

// electronsPerNAs is 1e-9 A·s over the elementary charge (SI 2019).
const electronsPerNAs = 1e-9 / 1.602176634e-19

// newCounting works out dose and rates from what the scene states.
func (s *Scene) newCounting(plain *ground) counting {
	c := s.rates(plain)
	c.perFrame = c.electrons / float64(s.frames())
	return c
}

// rates is newCounting before the dose is dealt out to frames.
func (s *Scene) rates(plain *ground) counting {
	c := counting{pulsePair: s.PulsePairS, dead: s.DeadTimeS, pile: s.PileUp, plain: plain.total, shift: s.Calibration.OffsetEV / s.Calibration.GainEV}
	perNA := electronsPerNAs * s.Detector.SolidAngleSr / (4 * math.Pi)
	switch {
	case s.CurrentNA > 0:
		c.rate = s.CurrentNA * perNA
	case s.RateCPS > 0:
		c.rate = s.RateCPS / plain.total
	}
	if s.CountsPerPixel > 0 {
		// The mean is that of recorded counts.
		c.electrons = s.CountsPerPixel / plain.total * (1 + c.sums(plain.total))
		return c
	}
	c.electrons = s.CurrentNA * s.DwellS * perNA
	return c
}

// sums returns the probability that a recorded event is the sum of two photons, at a
// place of that many counts per electron: 1 − exp(−Rτ), the rate of photons within
// the pulse-pair time of a first one.
func (c *counting) sums(counts float64) float64 {
	if c.pulsePair > 0 {
		return 1 - math.Exp(-c.rate*counts*c.pulsePair)
	}
	return c.pile * counts / c.plain
}

// live returns the share of the time in which the detector can record, for a
// paralysable dead time.
func (c *counting) live(counts float64) float64 {
	return math.Exp(-c.rate * counts * c.dead)
}

// record draws the counts of one pixel in one frame and adds them to px. Photons number in the mean
// dose·perFrame·total; draw returns the channel of one.
func (c *counting) record(px []uint32, rng *rand.Rand, dose, total float64, draw func() int) {
	pile := c.sums(total * dose)
	mean := dose * c.perFrame * total * c.live(total*dose) / (1 + pile)
	for range synth.Poisson(rng, mean) {
		k := draw()
		if pile > 0 && rng.Float64() < pile {
			// E1 + E2 = 2·offset + gain·(i + j).
			k = int(math.Floor(float64(k+draw()) + c.shift + rng.Float64()))
		}
		if k >= 0 && k < len(px) {
			px[k]++
		}
	}
}

// drawer draws channels from a spectrum of its own, by its running sum.
type drawer struct {
	sum []float64
}

// set takes a spectrum, of which values below zero count as zero, and returns its
// total.
func (d *drawer) set(spectrum []float64) float64 {
	t := 0.0
	d.sum = d.sum[:0]
	for _, v := range spectrum {
		t += math.Max(0, v)
		d.sum = append(d.sum, t)
	}
	return t
}

func (d *drawer) draw(rng *rand.Rand) int {
	u := rng.Float64() * d.sum[len(d.sum)-1]
	return min(sort.Search(len(d.sum), func(i int) bool { return d.sum[i] > u }), len(d.sum)-1)
}
