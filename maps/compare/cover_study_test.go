//go:build study

package compare

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"example.org/fleck/spectra/poisson"
)

// TestStudyCoverage prints how often the 95 % interval of the ratio of two
// clustered densities holds the truth, for coupons with log-normal densities
// and Poisson counts of three fields each.
func TestStudyCoverage(t *testing.T) {
	const studies = 300
	spots := func(u unit) float64 { return float64(u.spots) }
	for _, n := range []int{3, 4, 6, 10} {
		for _, ratio := range []float64{1, 4} {
			for _, spread := range []float64{.3, .7} {
				rng := rand.New(rand.NewPCG(uint64(n), 5))
				var nb, fl, unbounded int
				for range studies {
					var units [2][]unit
					for side := range units {
						for range n {
							mu := 6 * math.Exp(rng.NormFloat64()*spread-spread*spread/2)
							if side == 0 {
								mu *= ratio
							}
							k := 0
							for range 3 {
								p := math.Exp(-mu)
								for u := rng.Float64(); u > p; u *= rng.Float64() {
									k++
								}
							}
							units[side] = append(units[side], unit{area: 3, spots: k})
						}
					}
					_, lo, hi, err := clusteredRatio(units, .95)
					if err != nil {
						t.Fatal(err)
					}
					if lo <= ratio && ratio <= hi {
						nb++
					}
					lo, hi, ok := fieller(sampleOf(units[0], spots), sampleOf(units[1], spots), .95)
					if lo <= ratio && ratio <= hi {
						fl++
					}
					if !ok {
						unbounded++
					}
				}
				fmt.Printf("%d + %d coupons, ratio %g, spread %.1f: negative binomial %.3f, Fieller %.3f (without upper end %.2f)\n", n, n, ratio, spread,
					float64(nb)/studies, float64(fl)/studies, float64(unbounded)/studies)
			}
		}
	}
}

// clusteredRatio returns the ratio of two densities of spots whose counts
// scatter more than Poisson counts, and its interval by the profile likelihood of
// the negative binomial law over the replicates.
func clusteredRatio(units [2][]unit, level float64) (ratio, low, high float64, err error) {
	var c [2]poisson.ClusteredCounts
	for side, us := range units {
		for _, u := range us {
			c[side].Counts = append(c[side].Counts, u.spots)
			c[side].Exposure = append(c[side].Exposure, u.area)
		}
	}
	r, err := poisson.NegativeBinomialRateRatio(c[0], c[1], level)
	if err != nil {
		return 0, 0, 0, fmt.Errorf("compare: %w", err)
	}
	return r.Ratio, r.Low, r.High, nil
}
