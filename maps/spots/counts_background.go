package spots

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// leastWindow is the share of the window in which a background is fitted that must
// be left; choice of this package.
const leastWindow = 0.02

// background returns the local level of the valid pixels outside the mask: the
// value at the pixel of a plane fitted with Gaussian weights (a local mean would
// be wrong along the frame wherever the background slopes). It is 0 where a pixel
// is not valid. Where too little is left nearby the mean of all stands in.
func (s *countSearch) background(n []float64, out []bool) []float64 {
	den := s.plain
	if out != nil {
		den = s.moments(out)
	}
	var num [3][]float64 // blurred moments of the counts: n, nx, ny
	for i := range num {
		num[i] = make([]float64, len(n))
	}
	sum, count := 0.0, 0.0
	for p, v := range n {
		if !s.valid[p] || out != nil && out[p] {
			continue
		}
		x, y := float64(p%s.w)/s.windowS, float64(p/s.w)/s.windowS
		num[0][p], num[1][p], num[2][p] = v, v*x, v*y
		sum += v
		count++
	}
	all := s.mean
	if count > 0 {
		all = sum / count
	}
	for i := range num {
		blur(num[i], s.w, s.h, s.windowS)
	}
	b := make([]float64, len(n))
	for p := range b {
		if !s.valid[p] {
			continue
		}
		x, y := float64(p%s.w)/s.windowS, float64(p/s.w)/s.windowS
		var d [6]float64
		for i := range d {
			d[i] = den[i][p]
		}
		v := all
		if d[0] >= leastWindow {
			// A plane may dip below zero beside something bright: not below a tenth of
			// the local mean.
			a1, a2, den := slopes(d, x, y)
			t0, t1, t2 := num[0][p], num[1][p]-x*num[0][p], num[2][p]-y*num[0][p]
			v = math.Max((t0-a1*t1-a2*t2)/den, 0.1*num[0][p]/d[0])
		}
		// Never below half a count in all pixels together.
		b[p] = math.Max(v, 0.5/float64(len(b)))
	}
	return b
}

// moments returns the blurred moments 1, x, y, xx, xy, yy of the coordinates of
// the valid pixels outside the mask; nil masks nothing.
func (s *countSearch) moments(out []bool) *[6][]float64 {
	var den [6][]float64
	for i := range den {
		den[i] = make([]float64, len(s.valid))
	}
	for p, ok := range s.valid {
		if !ok || out != nil && out[p] {
			continue
		}
		x, y := float64(p%s.w)/s.windowS, float64(p/s.w)/s.windowS
		for i, m := range [6]float64{1, x, y, x * x, x * y, y * y} {
			den[i][p] = m
		}
	}
	for i := range den {
		blur(den[i], s.w, s.h, s.windowS)
	}
	return &den
}

// slopes returns a1, a2 and den of the weighted least-squares plane with the
// moments d of the coordinates, whose value at (x, y) is (t0 − a1·t1 − a2·t2)/den with the
// moments t of the counts about (x, y); that of the weighted mean where the pixels
// lie on a line.
func slopes(d [6]float64, x, y float64) (a1, a2, den float64) {
	// Moments about (x, y).
	s0, s1, s2 := d[0], d[1]-x*d[0], d[2]-y*d[0]
	s11 := d[3] - 2*x*d[1] + x*x*d[0]
	s12 := d[4] - x*d[2] - y*d[1] + x*y*d[0]
	s22 := d[5] - 2*y*d[2] + y*y*d[0]
	// Schur complement of the slopes.
	det := s11*s22 - s12*s12
	if !(det > 1e-6*s0*s0) {
		return 0, 0, s0
	}
	a1, a2 = (s22*s1-s12*s2)/det, (s11*s2-s12*s1)/det
	den = s0 - a1*s1 - a2*s2
	if !(den > 1e-6*s0) {
		return 0, 0, s0
	}
	return a1, a2, den
}

// dispersion returns the variance-to-mean ratio of the pixels outside the
// mask, 1 unless it is wider than Poisson's by dispersionZ standard errors (the
// variance of (n−b)²/b is 2 + 1/b).
func (s *countSearch) dispersion(out []bool) float64 {
	sum, variance, n := 0.0, 0.0, 0.0
	for p, b := range s.b {
		if !s.valid[p] || out[p] {
			continue
		}
		d := s.n[p] - b
		sum += d * d / b
		variance += 2 + 1/b
		n++
	}
	if n < 20 {
		return 1
	}
	phi := sum / n
	if (phi-1)*n < dispersionZ*math.Sqrt(variance) {
		return 1
	}
	return phi
}

// sortQuiet orders the pixels outside the mask by their background.
func (s *countSearch) sortQuiet(out []bool) {
	s.quiet = s.quiet[:0]
	for p, ok := range s.valid {
		if ok && !out[p] {
			s.quiet = append(s.quiet, p)
		}
	}
	slices.SortStableFunc(s.quiet, func(i, j int) int { return cmp.Compare(s.b[i], s.b[j]) })
	s.quietN = make([]float64, len(s.quiet))
	for i, p := range s.quiet {
		s.quietN[i] = s.n[p]
	}
	s.rank = make([]int, len(s.n))
	for p, b := range s.b {
		s.rank[p], _ = slices.BinarySearchFunc(s.quiet, b, func(q int, b float64) int { return cmp.Compare(s.b[q], b) })
	}
}

// replica draws a map without spots around the background and estimates its
// background anew.
func (s *countSearch) replica(class [][]float64, stream uint64) {
	rng := rand.New(rand.NewPCG(s.opt.Seed, stream))
	n := class[0]
	for p, b := range s.b {
		n[p] = 0
		if !s.valid[p] {
			continue
		}
		if s.phi == 1 || len(s.quiet) == 0 {
			n[p] = distuv.Poisson{Lambda: b, Src: rng}.Rand()
			continue
		}
		// One of the pixels next in background, 5 % of all or 100.
		k := min(max(100, len(s.quiet)/20), len(s.quiet))
		from := min(max(0, s.rank[p]-k/2), len(s.quiet)-k)
		n[p] = s.quietN[from+rng.IntN(k)]
	}
	s.level(class[1], n)
	for p := range n {
		n[p] /= s.phi
		class[1][p] /= s.phi
	}
}
