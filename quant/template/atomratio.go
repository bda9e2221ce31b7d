package template

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"example.org/fleck/quant"
)

// Net is the net counts of a line family with their standard uncertainty.
type Net struct {
	Family        string // such as "Ti K"
	Counts, Sigma float64
}

// AtomRatio is the atoms of one element per atom of another in a particle.
type AtomRatio struct {
	Ratio    float64
	Sigma    float64 // from counting and the number of trajectories
	Compound float64 // that of the compound
}

// AtomRatio turns net counts of two of the compound's own families into the ratio of
// their elements in a particle of the diameter: that of the compound, times what was
// counted over what a sphere of the compound of this size sends. Size and
// substrate are thus allowed for, and composition to first order: another compound
// absorbs and slows down otherwise. Cross sections and yields of the two families add
// 10 to 40 % that Sigma does not hold, but for two lines of the K shell less. The
// diameter must lie within those of p.
func (p *Particles) AtomRatio(of, over Net, diameterNM float64) (AtomRatio, error) {
	i, zi, err := p.own(of)
	if err != nil {
		return AtomRatio{}, err
	}
	j, zj, err := p.own(over)
	if err != nil {
		return AtomRatio{}, err
	}
	expected := p.Sizes.Ratio(i, j, diameterNM*1e-9)
	if math.IsNaN(expected) || math.IsInf(expected, 0) {
		s := p.Spheres
		return AtomRatio{}, fmt.Errorf("template: diameter %g nm; %g to %g nm are predicted", diameterNM, s[0].DiameterNM, s[len(s)-1].DiameterNM)
	}
	perMass := func(n quant.Peak) float64 { return p.material.Fraction(n.Element) / n.Element.AtomicWeight() }
	out := AtomRatio{Compound: perMass(zi) / perMass(zj)}
	measured := of.Counts / over.Counts
	out.Ratio = out.Compound * measured / expected
	simulated := math.Hypot(p.Spheres[0].OwnErr[of.Family], p.Spheres[0].OwnErr[over.Family])
	relative := math.Sqrt(square(of.Sigma/of.Counts) + square(over.Sigma/over.Counts) + square(simulated))
	out.Sigma = math.Abs(out.Ratio) * relative
	if of.Counts == 0 {
		out.Sigma = out.Compound * of.Sigma / over.Counts / expected
	}
	return out, nil
}

func square(x float64) float64 { return x * x }

// own returns the place of a family among those of the compound.
func (p *Particles) own(n Net) (int, quant.Peak, error) {
	i := slices.IndexFunc(p.Sizes.Peaks, func(k quant.Peak) bool { return familyName(k) == n.Family })
	if i < 0 {
		var names []string
		for _, k := range p.Sizes.Peaks {
			names = append(names, familyName(k))
		}
		return 0, quant.Peak{}, fmt.Errorf("template: %s sends no %q of its own; it has %s", p.Compound, n.Family, strings.Join(names, ", "))
	}
	if !(n.Counts >= 0) || math.IsInf(n.Counts, 0) || !(n.Sigma >= 0) || math.IsInf(n.Sigma, 0) {
		return 0, quant.Peak{}, fmt.Errorf("template: %g ± %g counts of %s; finite numbers not below 0 are accepted", n.Counts, n.Sigma, n.Family)
	}
	return i, p.Sizes.Peaks[i], nil
}
