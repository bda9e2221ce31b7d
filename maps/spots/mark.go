package spots

import (
	"fmt"
	"slices"

	"example.org/fleck/maps"
	"example.org/fleck/spectra/poisson"
)

// Population is the spots of one field and the area they were looked for in,
// in any unit that all populations share.
type Population struct {
	Spots []maps.Spot
	Area  float64
}

// Occurrence compares how often one compound was named in treated and blank
// fields.
type Occurrence struct {
	Compound       string
	Treated, Blank int     // spots
	PValue         float64 // of "treated fields hold more per area" (E-test)
	Marked         bool    // the spots were given to the substrate
}

// MarkSubstrate returns the treated populations with every spot whose compound
// also occurs in the blank fields, and not significantly more often per area
// in the treated ones, given the verdict maps.SubstrateSpot. The compound stays.
// A compound that no blank field shows is never marked. The occurrences are
// sorted by compound; alpha 0 means 0.05.
//
// The comparison is the E-test of Krishnamoorthy & Thomson (2004) on the counts
// of spots. It takes spots as independent: clustered inclusions make it call
// treated fields richer too often, so that compounds are marked too rarely.
func MarkSubstrate(treated, blanks []Population, alpha float64) ([]Population, []Occurrence, error) {
	if alpha == 0 {
		alpha = defaultAlpha
	}
	if !(alpha > 0 && alpha < 1) {
		return nil, nil, fmt.Errorf("spots: alpha %g; must lie between 0 and 1", alpha)
	}
	count := map[string]*Occurrence{}
	area := [2]float64{}
	var names []string
	for side, pops := range [][]Population{treated, blanks} {
		for i, p := range pops {
			if !(p.Area > 0) {
				return nil, nil, fmt.Errorf("spots: population %d of %s: area %g; must be above 0", i, [2]string{"treated", "blank"}[side], p.Area)
			}
			area[side] += p.Area
			for _, s := range p.Spots {
				if s.Compound == "" {
					continue
				}
				o := count[s.Compound]
				if o == nil {
					o = &Occurrence{Compound: s.Compound}
					count[s.Compound] = o
					names = append(names, s.Compound)
				}
				if side == 0 {
					o.Treated++
				} else {
					o.Blank++
				}
			}
		}
	}
	slices.Sort(names)
	var occ []Occurrence
	for _, n := range names {
		o := count[n]
		o.PValue = 1
		if area[0] > 0 && area[1] > 0 {
			o.PValue, _ = poisson.ETest(o.Treated, area[0], o.Blank, area[1], 0)
		}
		o.Marked = o.Blank > 0 && o.PValue > alpha
		occ = append(occ, *o)
	}
	out := make([]Population, len(treated))
	for i, p := range treated {
		out[i] = Population{Spots: slices.Clone(p.Spots), Area: p.Area}
		for k := range out[i].Spots {
			s := &out[i].Spots[k]
			if o := count[s.Compound]; s.Compound != "" && o.Marked {
				s.Verdict = maps.SubstrateSpot
				s.Reason = fmt.Sprintf("%s occurs in the blank fields as well: %d spots there, %d in the treated ones (p = %.2g)", s.Compound, o.Blank, o.Treated, o.PValue)
			}
		}
	}
	return out, occ, nil
}
