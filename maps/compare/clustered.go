package compare

import "math"

// Clustered counts: the spots of replicate i follow the negative binomial law of
// mean μ·a_i and shape k (variance m + m²/k), with one k for both sides. The
// densities have Jeffreys' prior given k, μ^(−1/2)·(1+μ·a/k)^(−1/2) with the mean
// area a; 1/k has equal weight between 1/shapeHigh and 1/shapeLow and is integrated
// out (Berger, Liseo & Wolpert 1999, Statist. Sci. 14, 1, for integrated
// likelihoods). The prior of k is the choice of this package with which intervals
// hold the truth as often as stated for k = 0.5 and five replicates a side; equal
// weight per ln k, or the likelihood maximised over k with chi-square limits, holds
// it in 90 % or less.
const (
	shapeLow, shapeHigh = 0.1, 1000.0
	shapeSteps          = 25
	densitySteps        = 321
	densitySpan         = 1e4 // largest ratio of a density to the observed one
)

// clustered holds the law of the densities of both sides given the counts, on a
// logarithmic grid, for every shape k.
type clustered struct {
	log  [2][]float64        // ln μ
	p    [shapeSteps]float64 // weight of the shape
	dens [shapeSteps][2][]float64
	// ln ratio of the densities and its weights, not normalised
	ratios, weight []float64
}

func newClustered(units [2][]unit) *clustered {
	c := &clustered{}
	var like [shapeSteps][2][]float64 // logarithms
	top := [2]float64{math.Inf(-1), math.Inf(-1)}
	for side, us := range units {
		n, a := 0.0, 0.0
		for _, u := range us {
			n += float64(u.spots)
			a += u.area
		}
		centre := math.Log((n + .5) / a)
		c.log[side] = make([]float64, densitySteps)
		for i := range c.log[side] {
			c.log[side][i] = centre + math.Log(densitySpan)*(2*float64(i)/(densitySteps-1)-1)
		}
		mean := a / float64(len(us))
		for j := range shapeSteps {
			k := shapeAt(j)
			l := make([]float64, densitySteps)
			for i, x := range c.log[side] {
				mu := math.Exp(x)
				l[i] = x - .5*x - .5*math.Log1p(mu*mean/k) // dμ = μ·d ln μ
				for _, u := range us {
					l[i] += logNegativeBinomial(u.spots, mu*u.area, k)
				}
				top[side] = math.Max(top[side], l[i])
			}
			like[j][side] = l
		}
	}
	total := 0.0
	for j := range like {
		c.p[j] = 1 / shapeAt(j)
		for side, l := range like[j] {
			sum := 0.0
			d := make([]float64, densitySteps)
			for i := range l {
				d[i] = math.Exp(l[i] - top[side])
				sum += d[i]
			}
			for i := range d {
				d[i] /= math.Max(sum, 1e-300)
			}
			c.dens[j][side] = d
			c.p[j] *= sum
		}
		total += c.p[j]
	}
	for j := range c.p {
		c.p[j] /= total
	}
	c.divide()
	return c
}

func shapeAt(j int) float64 {
	return shapeLow * math.Pow(shapeHigh/shapeLow, float64(j)/(shapeSteps-1))
}

// logNegativeBinomial returns the logarithm of the probability of n counts of
// mean m and shape k.
func logNegativeBinomial(n int, m, k float64) float64 {
	v := k * math.Log(k/(k+m))
	if n == 0 {
		return v
	}
	x := float64(n)
	a, _ := math.Lgamma(x + k)
	b, _ := math.Lgamma(k)
	f, _ := math.Lgamma(x + 1)
	return v + a - b - f + x*math.Log(m/(k+m))
}

// density returns the quantile p of the density of one side.
func (c *clustered) density(side int, p float64) float64 {
	sum := make([]float64, densitySteps)
	for j, w := range c.p {
		for i, v := range c.dens[j][side] {
			sum[i] += w * v
		}
	}
	return math.Exp(quantile(c.log[side], sum, p))
}

// ratio returns the quantile p of the ratio of the densities, first over second
// side.
func (c *clustered) ratio(p float64) float64 { return math.Exp(quantile(c.ratios, c.weight, p)) }

// notAbove returns the probability that the first density is not above the second.
func (c *clustered) notAbove() float64 {
	step := c.ratios[1] - c.ratios[0]
	below, total := 0.0, 0.0
	for i, w := range c.weight {
		below += w * math.Max(0, math.Min(1, .5-c.ratios[i]/step))
		total += w
	}
	return below / total
}

// difference returns the quantile p of the first density less the second, of the same
// law as ratio and notAbove, so that the three agree on which density is higher.
func (c *clustered) difference(p float64) float64 {
	var below [shapeSteps][]float64 // running sums of the second density
	for j, d := range c.dens {
		below[j] = make([]float64, densitySteps+1)
		for i, v := range d[1] {
			below[j][i+1] = below[j][i] + v
		}
	}
	first, step := c.log[1][0], c.log[1][1]-c.log[1][0]
	// The probability that the difference is not above x: each place of the second grid
	// is spread evenly over its step.
	notAbove := func(x float64) float64 {
		sum := 0.0
		for i, at := range c.log[0] {
			least := math.Exp(at) - x // of the second density
			cell, part := 0, 0.0
			if least > 0 {
				f := (math.Log(least)-first)/step + .5
				if f >= densitySteps {
					continue
				}
				if f > 0 {
					cell = int(f)
					part = f - float64(cell)
				}
			}
			for j, w := range c.p {
				if v := c.dens[j][0][i]; w*v > 1e-15 {
					s := below[j]
					sum += w * v * (1 - s[cell] - part*(s[cell+1]-s[cell]))
				}
			}
		}
		return sum
	}
	low, high := -math.Exp(c.log[1][densitySteps-1]), math.Exp(c.log[0][densitySteps-1])
	for range 100 {
		if m := (low + high) / 2; notAbove(m) < p {
			low = m
		} else {
			high = m
		}
	}
	return (low + high) / 2
}

// divide fills in the law of ln ratio.
func (c *clustered) divide() {
	// Both grids have the same step, so that differences of ln μ fall on a grid.
	n := 2*densitySteps - 1
	sum, at := make([]float64, n), make([]float64, n)
	step := c.log[0][1] - c.log[0][0]
	for i := range at {
		at[i] = c.log[0][0] - c.log[1][0] + step*float64(i-densitySteps+1)
	}
	for j, w := range c.p {
		if w < 1e-6 {
			continue
		}
		for i, v := range c.dens[j][0] {
			if v < 1e-9 {
				continue
			}
			for k, u := range c.dens[j][1] {
				sum[i-k+densitySteps-1] += w * v * u
			}
		}
	}
	c.ratios, c.weight = at, sum
}

// quantile returns the place at which the running sum of the weights, each spread
// evenly over its step, reaches p.
func quantile(at, weight []float64, p float64) float64 {
	total := 0.0
	for _, w := range weight {
		total += w
	}
	step := at[1] - at[0]
	sum := 0.0
	for i, w := range weight {
		if sum+w >= p*total && w > 0 {
			return at[i] + step*((p*total-sum)/w-.5)
		}
		sum += w
	}
	return at[len(at)-1]
}
