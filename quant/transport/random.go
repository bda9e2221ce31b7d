package transport

import (
	"math"
	"math/bits"
	"math/rand/v2"
)

// newStream returns the random numbers of one block.
func newStream(seed, block uint64) *rand.PCG {
	// The second word is spread out, since blocks count from 0.
	return rand.NewPCG(seed, (block+1)*0x9e3779b97f4a7c15)
}

// Tables of the inner loop: −ln of the mantissa, and directions on the circle.
const (
	logBits  = 9
	turnBits = 10
)

type chance struct {
	log  [1<<logBits + 1]float64 // −ln((1+i/2^logBits)/2)
	turn [1 << turnBits][2]float64
}

func newChance() *chance {
	c := new(chance)
	for i := range c.log {
		c.log[i] = -math.Log((1 + float64(i)/(1<<logBits)) / 2)
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
