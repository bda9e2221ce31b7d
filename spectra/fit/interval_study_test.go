//go:build study

package fit

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/poisson"
)

// TestStudyInterval measures coverage and width of the intervals of weak
// families, and coverage of their upper limits, alone and under the overlaps of
// TestStudyBound. The benchmark is the interval of Feldman & Cousins for a
// counting experiment with known background: its efficiency ε and background b
// are those for which (εA+b)/ε² is the Cramér–Rao bound of the family at no
// counts and at its true counts.
func TestStudyInterval(t *testing.T) {
	n := *spectraPerCase
	if testing.Short() {
		n = 24
	}
	det := spectra.DefaultDetector()
	fmt.Printf("%-15s %6s %7s %8s %9s %8s %8s %7s %6s\n", "case", "family", "counts", "bound", "covered", "limit", "width", "exact", "ratio")
	start := time.Now()
	total, covered, limited := 0, 0, 0
	for ci, tt := range boundCases() {
		for _, significance := range []float64{0, 1, 2.5, 4.5} {
			// The first family of a case is the weak one, the other holds 300 counts.
			var fams []family
			var fs []Family
			for k, f := range tt.fams {
				f.counts = 300
				if k == 0 {
					f.counts = 0
				}
				fams = append(fams, f)
				fs = append(fs, Family{element(t, f.z), f.f})
			}
			opt := Options{Families: fs, FixWeights: true}
			truth := func(counts float64) (*spectra.Spectrum, float64) {
				fams[0].counts = counts
				s := simulate(t, spectra.Calibration{GainEV: 10}, 1024, tt.beam, det, 3000, fams...)
				r, err := Spectrum(s, opt)
				if err != nil {
					t.Fatal(err)
				}
				return s, r.Families[0].Sigma * r.Families[0].Sigma
			}
			_, zero := truth(0)
			counts := significance * math.Sqrt(zero)
			_, near := truth(counts)
			counts = significance * math.Sqrt(near)
			s, far := truth(counts)
			eff := 1.0
			if far > zero && counts > 0 {
				eff = math.Min(1, counts/(far-zero))
			}
			b := zero * eff * eff
			exact := exactWidth(eff, counts, b)
			in, below, width := 0, 0, 0.0
			for i := range n {
				r, err := Spectrum(noisy(s, rand.New(rand.NewPCG(uint64(ci)<<8|uint64(significance*10), uint64(i)))), opt)
				if err != nil {
					t.Fatal(err)
				}
				p := r.Profile(0)
				low, high := p.Interval(0.95)
				if low <= counts && counts <= high {
					in++
				}
				if counts <= p.UpperLimit(0.95) {
					below++
				}
				width += high - low
			}
			fn := float64(n)
			width /= fn
			fmt.Printf("%-15s %-3s %-2s %7.1f %8.1f %9.3f %8.3f %8.1f %7.1f %6.3f\n", tt.name, tt.fams[0].z, tt.fams[0].f, counts, math.Sqrt(far), float64(in)/fn, float64(below)/fn, width, exact, width/exact)
			total, covered, limited = total+n, covered+in, limited+below
			// Limits of five standard errors.
			se := 5 * math.Sqrt(0.94*0.06/fn)
			if float64(in)/fn < 0.94-se || float64(below)/fn < 0.94-se {
				t.Errorf("%s, %.0f counts: intervals cover %.3f, limits %.3f", tt.name, counts, float64(in)/fn, float64(below)/fn)
			}
			if width/exact > 1.1*(1+2.5/math.Sqrt(fn)) {
				t.Errorf("%s, %.0f counts: intervals %.2f times the exact width", tt.name, counts, width/exact)
			}
		}
	}
	fmt.Printf("all: intervals cover %.4f, limits %.4f of %d; %.0f s\n", float64(covered)/float64(total), float64(limited)/float64(total), total, time.Since(start).Seconds())
}

// exactWidth is the mean width of the intervals of Feldman & Cousins over the
// Poisson law of the counting experiment.
func exactWidth(eff, counts, b float64) float64 {
	mu := eff*counts + b
	if mu > 400 {
		return normalWidth(counts, math.Sqrt(mu)/eff)
	}
	sum, norm := 0.0, 0.0
	for k := int(math.Max(0, mu-5*math.Sqrt(mu))); k < int(mu+6*math.Sqrt(mu)+10); k++ {
		lg, _ := math.Lgamma(float64(k) + 1)
		p := math.Exp(float64(k)*math.Log(mu) - mu - lg)
		if p < 1e-6 {
			continue
		}
		low, high := poisson.FeldmanCousins(k, b, 0.95)
		sum += p * (high - low) / eff
		norm += p
	}
	return sum / norm
}

// normalWidth is the same for an estimate of normal law and standard deviation
// sigma.
func normalWidth(counts, sigma float64) float64 {
	const step = 0.02
	var limit []float64
	for s := 0.0; s < 14; s += step {
		limit = append(limit, poisson.RatioThreshold(s*1e6, 1e12, 0.95)) // a signal of s standard deviations
	}
	t := counts / sigma
	sum, norm := 0.0, 0.0
	for x := t - 4; x < t+4; x += 0.1 {
		low, high := math.Inf(1), 0.0
		for i, c := range limit {
			s := float64(i) * step
			q := (x - s) * (x - s)
			if x < 0 {
				q -= x * x
			}
			if q <= c {
				low, high = math.Min(low, s), s
			}
		}
		p := math.Exp(-(x - t) * (x - t) / 2)
		sum += p * (high - math.Min(low, high)) * sigma
		norm += p
	}
	return sum / norm
}
