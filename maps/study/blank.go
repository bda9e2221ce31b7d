package study

import (
	"context"
	"fmt"
	"math"

	"example.org/fleck/maps"
	"example.org/fleck/maps/spots"
)

// quickReplicas is the number of replicas of the first search of blank fields,
// the fewest that the search accepts.
const quickReplicas = 39

// maskBlanks takes what stands out of each blank field by itself out of its sum,
// so that the pooled blank spectrum holds the substrate alone.
func (r *Result) maskBlanks(ctx context.Context, fields []*spots.Field, blanks *blankSpectra, opt spots.Options) error {
	if len(blanks.sum) < 2 {
		return nil
	}
	opt.Bootstrap, opt.NoLimit = quickReplicas, true
	for i := range r.Fields {
		if r.Fields[i].Role != maps.Untreated {
			continue
		}
		res, err := r.find(ctx, i, fields[i], opt)
		if err != nil {
			return fmt.Errorf("study: field %q: %w", r.Fields[i].Name, err)
		}
		blanks.mask(i, fields[i], res)
	}
	return nil
}

// blankSpectra holds the sum spectrum of every blank field, without its spots
// once they are known.
type blankSpectra struct {
	sum map[int][]float64
}

func (r *Result) blankSpectra(fields []*spots.Field) *blankSpectra {
	b := &blankSpectra{sum: map[int][]float64{}}
	for i, f := range r.Fields {
		if f.Role == maps.Untreated && fields[i].Total() > 0 {
			b.sum[i] = fields[i].Sum()
		}
	}
	return b
}

// without returns the pooled blank spectrum without field i, nil when no other
// blank field is left.
func (b *blankSpectra) without(i int) ([]float64, float64) {
	var out []float64
	total := 0.0
	for k := 0; k <= maxKey(b.sum); k++ {
		s, ok := b.sum[k]
		if !ok || k == i {
			continue
		}
		if out == nil {
			out = make([]float64, len(s))
		}
		for c, v := range s {
			out[c] += v
			total += v
		}
	}
	return out, total
}

// blankPhases returns the phases of the blank fields but field i, nil when they
// are of one kind.
func (r *Result) blankPhases(fields []*spots.Field, i int) ([]spots.Phase, error) {
	var blanks []*spots.Field
	for k, f := range r.Fields {
		if f.Role == maps.Untreated && k != i && fields[k].Total() > 0 {
			blanks = append(blanks, fields[k])
		}
	}
	if len(blanks) == 0 {
		return nil, nil
	}
	phases, err := spots.FindPhases(blanks, r.Target.Template)
	if err != nil || len(phases) < 2 {
		return nil, err
	}
	return phases, nil
}

func maxKey(m map[int][]float64) int {
	top := -1
	for k := range m {
		top = max(top, k)
	}
	return top
}

// maskMargin is how many widths around a spot are left out of the blank
// spectrum, beyond which a Gaussian profile holds less than 0.1 %.
const maskMargin = 3.7

// mask takes the spots found in blank field i, named or not, out of its sum.
func (b *blankSpectra) mask(i int, f *spots.Field, res *spots.Result) {
	m := maps.NewMask(f.W, f.H)
	for k := range m.In {
		m.In[k] = true
	}
	for _, list := range [][]maps.Spot{res.Spots, res.Rejected} {
		for _, s := range list {
			reach := maskMargin*s.WidthPx + 1
			for y := max(0, int(s.YPx-reach)); y <= min(f.H-1, int(s.YPx+reach)+1); y++ {
				for x := max(0, int(s.XPx-reach)); x <= min(f.W-1, int(s.XPx+reach)+1); x++ {
					if math.Hypot(float64(x)-s.XPx, float64(y)-s.YPx) <= reach {
						m.In[y*f.W+x] = false
					}
				}
			}
		}
	}
	if 2*m.Count() < len(m.In) {
		return // a blank more than half covered is no blank without its cover
	}
	if sum, err := f.SumOver(m); err == nil {
		b.sum[i] = sum
	}
}
