package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"example.org/fleck/maps"
	"example.org/fleck/maps/cube"
	"example.org/fleck/maps/record"
	"example.org/fleck/maps/spots"
	"example.org/fleck/maps/study"
	"github.com/urfave/cli/v2"
)

const groupMore = "Further questions"

// moreFlags ask further questions about the spots of a field.
func moreFlags() []cli.Flag {
	return []cli.Flag{
		valueFlag(groupMore, "other-beam", "`CUBE` of the same place at another beam energy, of as large pixels: its offset is found, and what both say of a spot is joined"),
		&cli.BoolFlag{DisableDefaultText: true, Name: "registered", Usage: "the fields of CUBE and --other-beam are registered: places in µm are the same", Category: groupMore},
		valueFlag(groupMore, "mask", "`IMAGE` of the field (PNG, TIFF, NPY or text) of as many pixels: do spots lie on its marked places, such as scratches? texture: the line features of CUBE itself (a file of that name is ./texture)"),
		valueFlag(groupMore, "mask-above", "`LEVEL` above which a pixel of the image is marked (default: 0)"),
		valueFlag(groupMore, "mask-below", "`LEVEL` below which a pixel of the image is marked"),
		&cli.BoolFlag{DisableDefaultText: true, Name: "screen", Usage: "look for lines of other elements that single places show", Category: groupMore},
	}
}

// moreNames are the names of those flags.
var moreNames = []string{"other-beam", "registered", "mask", "mask-above", "mask-below", "screen"}

// moreSettings records which further questions were asked.
func (e *env) moreSettings(c *cli.Context) error {
	if c.Bool("registered") && !c.IsSet("other-beam") {
		return usage("--registered needs --other-beam")
	}
	for _, name := range moreNames {
		if c.IsSet(name) {
			var v any = c.String(name)
			if name == "screen" || name == "registered" {
				v = c.Bool(name)
			}
			e.setting(strings.ReplaceAll(name, "-", "_"), v, fromFlag)
		}
	}
	return nil
}

// levelFlag reads a level; any number is accepted.
func levelFlag(c *cli.Context, name string, def float64) (float64, error) {
	if !c.IsSet(name) {
		return def, nil
	}
	var v float64
	if _, err := fmt.Sscanf(c.String(name), "%g", &v); err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, usage("--%s %s: a number is accepted", name, c.String(name))
	}
	return v, nil
}

// textureMask is the value of --mask that asks for the mask of the field itself.
const textureMask = "texture"

// readMask returns the mask of the flags; ok is false without an image.
func (e *env) readMask(c *cli.Context) (mask maps.Mask, ok bool, err error) {
	path := c.String("mask")
	if path == textureMask {
		if c.IsSet("mask-above") || c.IsSet("mask-below") {
			return mask, false, usage("--mask-above and --mask-below need an image; --mask texture finds its level itself (a file of that name is ./texture)")
		}
		return mask, false, nil
	}
	if path == "" {
		if c.IsSet("mask-above") || c.IsSet("mask-below") {
			return mask, false, usage("--mask-above and --mask-below need --mask")
		}
		return mask, false, nil
	}
	if c.IsSet("mask-above") && c.IsSet("mask-below") {
		return mask, false, usage("--mask-above and --mask-below exclude each other")
	}
	name, below := "mask-above", c.IsSet("mask-below")
	if below {
		name = "mask-below"
	}
	level, err := levelFlag(c, name, 0)
	if err != nil {
		return mask, false, err
	}
	img, err := e.readMap(c, path)
	if err != nil {
		return mask, false, err
	}
	if mask, err = spots.MaskAbove(img, level, below); err != nil {
		return mask, false, err
	}
	return mask, true, checkMarks(path, name, level, img, mask)
}

// checkMarks refuses a mask that marks nothing or everything: spots lie on neither
// more than by chance.
func checkMarks(path, name string, level float64, img maps.Map, mask maps.Mask) error {
	which := ""
	switch mask.Count() {
	case 0:
		which = "no pixel lies"
	case len(mask.In):
		which = "every pixel lies"
	default:
		return nil
	}
	has := "it has no values"
	if v, ok := img.Range(); ok {
		has = fmt.Sprintf("its values range from %g to %g", v.Low, v.High)
	}
	return usage("--mask %s: %s %s %g (--%s), %s; accepted is a mask that marks a part of the field", path, which, strings.TrimPrefix(name, "mask-"), level, name, has)
}

// checkMask refuses a mask of another size than the field.
func checkMask(path string, mask maps.Mask, h cube.Header) error {
	if mask.W == h.Width && mask.H == h.Height {
		return nil
	}
	return usage("--mask %s has %d × %d pixels, the field %d × %d", path, mask.W, mask.H, h.Width, h.Height)
}

// searched is the part of the channels that a study searches.
func searched(r *study.Result) spots.Range {
	return spots.Range{From: r.Fit.LowChannel, To: r.Fit.LowChannel + len(r.Fit.Model)}
}

// more answers the further questions about field 0 of a study.
func (e *env) more(ctx context.Context, c *cli.Context, s *study.Study, r *study.Result, mask maps.Mask, masked bool) error {
	f := &r.Fields[0]
	switch {
	case masked:
		if err := e.associate(c, f.Spots.Spots, mask); err != nil {
			return err
		}
	case c.String("mask") == textureMask:
		if err := e.texture(c, f); err != nil {
			return err
		}
	}
	e.printStability(f)
	if c.Bool("screen") {
		if err := e.screen(ctx, s, r); err != nil {
			return err
		}
	}
	e.spheres(r)
	return e.sizes(f)
}

// associate answers whether spots lie on the marked places.
func (e *env) associate(c *cli.Context, list []maps.Spot, mask maps.Mask) error {
	a, err := spots.Associate(list, mask, spots.AssociateOptions{Seed: e.seed})
	if err != nil {
		return usage("--mask %s: %w", c.String("mask"), err)
	}
	e.answer.Set("association", record.Association(a))
	e.printf("  mask: %d of %d spots lie on the marked places, %.1f by chance; mean distance %.1f px, %.1f by chance (closer p = %.2g, further p = %.2g, %d shifts)\n",
		a.Inside, a.Spots, a.Expected, a.MeanPx, a.MeanNull, a.Attracted, a.Avoided, a.Shifts)
	return nil
}

// texture answers whether spots lie on the line features that the counts of the field
// itself show.
func (e *env) texture(c *cli.Context, f *study.FieldResult) error {
	// Whatever was found is left out: a mask made of the spots would prove itself.
	skip := spots.Around(append(slices.Clone(f.Spots.Spots), f.Spots.Rejected...), f.Header.Width, f.Header.Height)
	mask, err := spots.TextureMask(f.Sums.PixelTotals, &skip, e.workers)
	if err != nil {
		return usage("--mask texture: %w", err)
	}
	share := float64(mask.Count()) / float64(len(mask.In))
	e.answer.Set("texture", record.Of("marked_share", share, "left_out_share", float64(skip.Count())/float64(len(skip.In))))
	if n := mask.Count(); n == 0 || n == len(mask.In) {
		e.answer.Set("association", nil)
		e.answer.Set("association_reason", "the counts of the field show no line features")
		e.printf("  texture: the counts of the field show no line features, such as scratches\n")
		return nil
	}
	e.warn("--mask texture: the marks come from the total counts of the field itself, without the surroundings of its spots, so that the spots do not make their own mask; faint spots in dark grooves are found less often than beside them")
	e.printf("  texture: %.2g %% of the pixels lie on line features\n", 100*share)
	return e.associate(c, f.Spots.Spots, mask)
}

// spheres answers with the spots named as the target as solid spheres.
func (e *env) spheres(r *study.Result) {
	if _, covered := coveredShare(r.Fields[0].Spots); covered {
		e.answer.Set("spheres", nil)
		e.answer.Set("spheres_reason", "the target covers much of the field: a layer is no sphere")
		return
	}
	rows := []record.Object{}
	assumed := ""
	for _, s := range r.Fields[0].Spots.Spots {
		if s.Verdict != maps.TargetVerdict {
			continue
		}
		z := r.Size(0, s)
		o := record.Of("id", s.ID)
		for _, n := range []struct {
			key string
			v   float64
		}{{"diameter_nm", z.DiameterNM}, {"low_nm", z.LowNM}, {"high_nm", z.HighNM}, {"mass_fg", z.MassFG}, {"mass_low_fg", z.MassLowFG}, {"mass_high_fg", z.MassHighFG}} {
			o.Number(n.key, n.v, z.Reason)
		}
		o.Set("outside_of_table", z.Outside)
		rows = append(rows, o)
		if z.Reason != "" {
			assumed = z.Reason
			continue
		}
		if len(rows) == 1 {
			e.printf("  as %s, from the counts of %s (95 %% intervals):\n", z.Assumed, r.Target.Own)
		}
		assumed = z.Assumed
		e.printf("%4d  diameter %6.0f nm (%.0f to %.0f)   mass %.3g fg (%.3g to %.3g)\n", s.ID, z.DiameterNM, z.LowNM, z.HighNM, z.MassFG, z.MassLowFG, z.MassHighFG)
	}
	e.answer.Set("spheres", record.Of("assumed", assumed, "spots", rows))
}

// openOther opens the same place at another beam energy, nil if none was given.
func (e *env) openOther(c *cli.Context, s *study.Study) (*study.Study, error) {
	path := c.String("other-beam")
	if path == "" {
		return nil, nil
	}
	if c.IsSet("beam") {
		return nil, usage("--other-beam %s: the cubes must state their beam energies themselves; --beam would hold for both", path)
	}
	other := *s
	other.Fields, other.Store, other.Title = nil, nil, path
	if err := e.addField(c, &other, path, maps.Treated); err != nil {
		return nil, err
	}
	a, b := s.Fields[0].Source.Header().Conditions.BeamEnergy, other.Fields[0].Source.Header().Conditions.BeamEnergy
	if math.Abs(float64(a-b)) < 0.01*float64(a) {
		closeFields(&other)
		return nil, usage("--other-beam %s: recorded at %g keV like the first cube; another energy is needed", path, b.KeV())
	}
	return &other, nil
}

// otherBeam searches the same place at another beam energy and joins the verdicts.
func (e *env) otherBeam(ctx context.Context, c *cli.Context, other *study.Study, r *study.Result) error {
	path := other.Title
	q, err := e.runStudy(ctx, other)
	if err != nil {
		return err
	}
	list, offset, sigma, err := e.alignedSpots(&r.Fields[0], &q.Fields[0], path, c.Bool("registered"))
	if err != nil {
		return err
	}
	// Spots of the two belong together within two pixels of the coarser field.
	px := math.Max(r.Fields[0].Header.Pixel.X.Um(), q.Fields[0].Header.Pixel.X.Um())
	joined, n, err := spots.Combine(r.Fields[0].Spots.Spots, list, 2*px+sigma, 0)
	if err != nil {
		return usage("--other-beam %s: %w", path, err)
	}
	r.Fields[0].Spots.Spots = joined
	e.answer.Set("other_beam", record.Of("beam_kev", q.Sum.BeamEnergy.KeV(), "spots", len(q.Fields[0].Spots.Spots), "joined", n, "offset", offset))
	e.printf("  %d spots joined with those of %s at %g keV\n", n, path, q.Sum.BeamEnergy.KeV())
	return nil
}

// load reads the searched channels of a cube.
func (e *env) load(ctx context.Context, r *study.Result, in study.FieldInput) (*spots.Field, error) {
	return spots.Load(ctx, in.Source, searched(r), e.workers, nil)
}

// printStability writes what the halves of the frames show.
func (e *env) printStability(f *study.FieldResult) {
	st := f.Stability
	if st == nil {
		return
	}
	e.printf("  first against second half of %d frames:\n", f.Header.Selected.Count())
	if d := st.Dose; d.First > 0 {
		e.printf("    dose    %+.2f %% ± %.2f %% (p = %.2g)\n", 100*(d.Second/d.First-1), 100*d.Sigma/d.First, d.PValue)
	}
	if c := st.Carbon; c.Sigma > 0 {
		e.printf("    carbon  %+.2g ± %.2g of all counts (p = %.2g)\n", c.Second-c.First, c.Sigma, c.PValue)
	}
	if t := st.Target; t.Sigma > 0 {
		e.printf("    target  %.0f, then %.0f counts, difference ± %.0f, in %d spots (p = %.2g)\n", t.First, t.Second, t.Sigma, st.Spots, t.PValue)
	}
	if !math.IsNaN(st.DriftSigma) {
		e.printf("    drift   (%.2f, %.2f) ± %.2f px\n", st.DriftX, st.DriftY, st.DriftSigma)
	}
	if len(st.Remarks) == 0 {
		e.printf("    they agree: no change is shown\n")
	}
}

// screen looks for lines of other elements.
func (e *env) screen(ctx context.Context, s *study.Study, r *study.Result) error {
	f, err := e.load(ctx, r, s.Fields[0])
	if err != nil {
		return err
	}
	cal := r.Fit.Calibration
	// Lines of the compounds asked for are no news.
	known := make([]bool, f.NumChannels())
	for _, t := range append(append([]study.Predicted{}, r.Confusers...), r.Target) {
		for _, part := range t.Template.Parts[:len(t.Template.Parts)-1] { // the last is the continuum
			top := slices.Max(part.Spectrum)
			for c, v := range part.Spectrum {
				known[c] = known[c] || v > .01*top
			}
		}
	}
	for _, n := range r.Nuisance() {
		top := slices.Max(n.Spectrum)
		for c, v := range n.Spectrum {
			known[c] = known[c] || v > .01*top
		}
	}
	// Spots found say what they are themselves; where one takes the place of the
	// substrate, all shares change.
	skip := spots.Around(r.Fields[0].Spots.Spots, f.W, f.H)
	res, err := spots.Screen(ctx, f, spots.ScreenOptions{Skip: &skip, LineChannels: max(2, int(math.Round(r.Fit.Detector.FWHM(2000)/cal.GainEV))), Exclude: known, Seed: e.seed, Workers: e.workers})
	if err != nil {
		return err
	}
	e.answer.Set("screen", record.Strangers(res, func(ch float64) float64 { return float64(cal.Energy(ch)) }))
	if len(res.Strangers) == 0 {
		e.printf("  screen: no window of %d shows more anywhere than the mean spectrum explains\n", res.Windows)
	}
	for _, x := range res.Strangers {
		e.printf("  screen: %.0f eV at pixel (%d, %d): %.0f counts, %.1f expected (p = %.2g)\n", float64(cal.Energy((float64(x.From)+float64(x.To)-1)/2)), x.X, x.Y, x.Counts, x.Expected, x.PValue)
	}
	return nil
}

// sizes answers with the size distribution of the spots named as the target, where
// there are enough.
func (e *env) sizes(f *study.FieldResult) error {
	var list []maps.Spot
	for _, s := range f.Spots.Spots {
		if s.Verdict == maps.TargetVerdict {
			list = append(list, s)
		}
	}
	o := record.Object{}
	e.answer.Set("sizes", nil)
	if !f.Header.Pixel.Known() {
		e.answer.Set("sizes_reason", noPixelSize)
		return nil
	}
	sizes, unresolved, touching, err := spots.Sizes(list, f.Header.Width, f.Header.Height, f.Header.Pixel)
	if err != nil {
		return err
	}
	p, err := spots.Percentiles(sizes, []float64{.1, .5, .9}, .95, e.seed)
	switch {
	case errors.Is(err, spots.ErrTooFew):
		e.answer.Set("sizes_reason", plain(err.Error()))
		return nil
	case err != nil:
		return err
	}
	o.Set("by_number", record.Percentiles(p))
	o.Set("spots", len(sizes))
	o.Set("unresolved", unresolved)
	o.Set("touching_edge", touching)
	_, err = spots.MassPercentiles(sizes, []float64{.5}, .95, e.seed)
	if err != nil {
		o.Set("by_mass", nil)
		o.Set("by_mass_reason", plain(err.Error()))
	}
	e.answer.Set("sizes", o)
	e.printf("  diameters by number: median %.3f µm (95 %% interval %.3f to %.3f), from %d resolved spots; %d not resolved, %d cut by the frame\n", p[1].Value, p[1].Low, p[1].High, len(sizes), unresolved, touching)
	return nil
}
