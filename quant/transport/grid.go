package transport

import "math"

// Tables run over energy in keV on a grid that needs no logarithm: the leading
// binsPerOctave·octave part of the bits of a float64 is a piecewise linear
// logarithm. Entries hold the value at the middle of their bin; the bins are
// 0.8 % wide or narrower, so that a power law averages to itself within 1e-5.
const (
	octaveBits    = 7
	binsPerOctave = 1 << octaveBits
	gridShift     = 52 - octaveBits
)

// grid is the energy axis of the tables: bins first to first+size−1.
type grid struct {
	first, size int
}

func newGrid(low, high float64) grid {
	first := gridBin(low)
	return grid{first, gridBin(high) - first + 1}
}

// gridBin returns the bin of an energy, counted from energy 0.
func gridBin(e float64) int { return int(math.Float64bits(e) >> gridShift) }

// middle returns the energy in the middle of entry i.
func (g grid) middle(i int) float64 {
	return (g.lower(i) + g.lower(i+1)) / 2
}

// lower returns the lower end of entry i.
func (g grid) lower(i int) float64 {
	return math.Float64frombits(uint64(g.first+i) << gridShift)
}
