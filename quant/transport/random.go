package transport

import (
	"math"
	"math/bits"
	"math/rand/v2"
)

// The streams of random numbers of one trajectory.
const (
	aimStream   = iota // where it starts
	aboveStream        // until it first enters a planar body
	belowStream        // from there on
	nStreams
)

// streams are the random numbers of one trajectory. That they do not depend on how
// many numbers the start or the particle took makes the trajectories of two
// specimens alike below the particle, so that the difference of two specimens has
// a smaller error than either (common random numbers).
type streams [nStreams]rand.PCG

// seed makes the streams those of the trajectory.
func (s *streams) seed(seed, trajectory uint64) {
	for i := range s {
		s[i].Seed(mix(seed), mix(mix(seed)+trajectory*nStreams+uint64(i)))
	}
}

// mix spreads consecutive numbers over all bits: the finaliser of SplitMix64,
// Steele, Lea & Flood 2014, Proc. OOPSLA, 453.
func mix(x uint64) uint64 {
	x += 0x9e3779b97f4a7c15
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return x ^ x>>31
}

// Tables of the inner loop: −ln of the mantissa, and directions on the circle.
const (
	logBits  = 9
	turnBits = 10
)

type chance struct {
	log  [1<<logBits + 1]float64 // −ln((1+i/2^logBits)/2)
	turn [1 << turnBits][2]float64
	exp  [decaySteps*decayEnd + 1]float64 // exp(−i/decaySteps)
}

// The table of exp(−x): decaySteps per unit up to decayEnd, where nothing is left.
const (
	decaySteps = 32
	decayEnd   = 40
)

// decay returns exp(−x) for x ≥ 0, and from rounding a little below, within 4e-8 of
// it.
func (c *chance) decay(x float64) float64 {
	if x >= decayEnd {
		return 0
	}
	i := int(x * decaySteps)
	f := x - float64(i)*(1.0/decaySteps)
	return c.exp[i] * (1 - f*(1-f*(0.5-f*(1.0/6))))
}

func newChance() *chance {
	c := new(chance)
	for i := range c.log {
		c.log[i] = -math.Log((1 + float64(i)/(1<<logBits)) / 2)
	}
	for i := range c.exp {
		c.exp[i] = math.Exp(-float64(i) / decaySteps)
	}
	for i := range c.turn {
		s, cos := math.Sincos(2 * math.Pi * (float64(i) + 0.5) / (1 << turnBits))
		c.turn[i] = [2]float64{cos, s}
	}
	return c
}

// exponential turns random bits into an exponential number of mean 1, exact
// within 5e-7. It uses the leading bits; the last 16 are as good as independent
// of it.
func (c *chance) exponential(r uint64) float64 {
	n := bits.LeadingZeros64(r | 1<<15)
	m := r << (n + 1) // fraction of the mantissa
	i := m >> (64 - logBits)
	f := float64(m<<logBits>>32) * (1.0 / (1 << 32))
	a := c.log[i]
	return float64(n)*math.Ln2 + a + f*(c.log[i+1]-a)
}

// part returns the last 16 bits as a number between 0 and 1.
func part(r uint64) float64 { return (float64(r&0xffff) + 0.5) * (1.0 / (1 << 16)) }

// uniform returns a number between 0 and 1, ends excluded.
func uniform(r uint64) float64 { return (float64(r>>12) + 0.5) * (1.0 / (1 << 52)) }
