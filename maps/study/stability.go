package study

import (
	"context"
	"fmt"
	"hash"
	"strings"

	"example.org/fleck/maps/cube"
	"example.org/fleck/maps/spots"
)

// stabilityAlpha is the level of the statements on what the beam changed, shared by the
// fields with frames: each of four kinds of statement is made of any field of an
// unchanged study with this chance (choice of this package).
const stabilityAlpha = 0.01

// carbonFamily is the line that the beam deposits.
const carbonFamily = "C K"

// stability compares the first half of the frames with the second in every field that
// has frames.
func (r *Result) stability(ctx context.Context, progress Progress) error {
	type halves struct{ first, second cube.Source }
	pairs := map[int]halves{}
	for i := range r.Fields {
		first, second, ok, err := cube.Halves(r.Study.Fields[i].Source)
		if err != nil {
			return fmt.Errorf("study: field %q: %w", r.Fields[i].Name, err)
		}
		if ok {
			pairs[i] = halves{first, second}
		}
	}
	opt := spots.StabilityOptions{Target: r.Target.Template, Alpha: stabilityAlpha / float64(max(1, len(pairs)))}
	for _, n := range r.Nuisance() {
		if n.Name == carbonFamily {
			opt.Carbon = n
		}
	}
	done := 0
	for i := range r.Fields {
		p, ok := pairs[i]
		if !ok {
			continue
		}
		progress(StageStability, done, len(pairs))
		f := &r.Fields[i]
		o := opt
		o.Spots = f.Spots.Spots
		o.Exposure = exposure(p.first.Header(), p.second.Header())
		var err error
		f.Stability, err = kept(r, i, StageStability, func(h hash.Hash) {
			fmt.Fprintf(h, "%v %v %+v\n", f.Header.Selected, r.channels(), o)
		}, func() (*spots.StabilityResult, error) {
			var half [2]*spots.Field
			for k, src := range []cube.Source{p.first, p.second} {
				if half[k], err = spots.Load(ctx, src, r.channels(), r.Study.Options.Workers, nil); err != nil {
					return nil, err
				}
			}
			return spots.Stability(half[0], half[1], o)
		})
		if err != nil {
			return fmt.Errorf("study: field %q, halves of its frames: %w", f.Name, err)
		}
		for _, text := range f.Stability.Remarks {
			r.Remarks = append(r.Remarks, fmt.Sprintf("%s: first against second half of %d frames: %s", f.Name, f.frames(), text))
		}
		done++
	}
	return nil
}

// exposure returns how long two halves were counted: their live times where both state
// them, else their frames.
func exposure(a, b cube.Header) [2]float64 {
	if a.Conditions.LiveTimeS > 0 && b.Conditions.LiveTimeS > 0 {
		return [2]float64{a.Conditions.LiveTimeS, b.Conditions.LiveTimeS}
	}
	return [2]float64{float64(a.Selected.Count()), float64(b.Selected.Count())}
}

// frames returns how many frames the counts of a field are the sum of.
func (f *FieldResult) frames() int { return max(1, f.Header.Selected.Count()) }

// stable says in a sentence what the halves of a field show; "" without frames.
func (f *FieldResult) stable() string {
	if f.Stability == nil {
		return ""
	}
	if len(f.Stability.Remarks) > 0 {
		return fmt.Sprintf("Between the first and the second half of its %d frames: %s.", f.frames(), strings.Join(f.Stability.Remarks, "; "))
	}
	tested := "dose"
	if f.Stability.Carbon.Sigma > 0 {
		tested += ", carbon"
	}
	if f.Stability.Spots > 0 {
		tested += ", amount of target and place of the spots"
	}
	return fmt.Sprintf("The first and the second half of its %d frames agree (%s).", f.frames(), tested)
}
