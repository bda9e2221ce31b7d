package main

import (
	"context"
	"io"
	"path/filepath"
	"slices"

	"example.org/fleck/maps"
	"example.org/fleck/maps/record"
	"example.org/fleck/maps/study"
	"github.com/urfave/cli/v2"
)

func spotsCommand(e *env) *cli.Command {
	flags := []cli.Flag{
		listFlag("", "later", "`CUBE` of the same field, recorded after CUBE; all are added up, and the first half is tested against the second"),
		listFlag("", "blank", "blank `CUBE` (untreated), recorded alike"),
		valueFlag("", "out", "output `DIR` for table, maps and figures, new, empty or of an earlier run"),
		detectorFlag(),
	}
	return &cli.Command{
		Name:      "spots",
		Usage:     "spots of a target compound in a cube",
		UsageText: "fleck spots CUBE --target MATERIAL --substrate MATERIAL [--blank CUBE]…",
		Description: `The predicted spectrum of particles of the target is searched in the counts,
against the substrate as blank fields show it (or the field itself, without its
spots). Verdicts: target, other_compound, artefact, substrate (occurs in blanks
too), cannot_tell. "Nothing found" is an answer and comes with the limit reached.

Where CUBE holds frames, or --later names cubes of the same field in order of time, the
first half is tested against the second for a change of dose, growth of carbon, loss of
the target and drift.

CUBE may also be a single count map (see: fleck help cubes): then spots of high counts
are found and sized but not named; --target and --substrate only label the answer.

An image for --mask must mark the surface, not the particles that it shows as well:
those lie on their own marks. --mask texture leaves the spots out by itself.

Example:
  fleck spots t1.nrrd --blank b1.nrrd --target "TiO2:4.23g/cm3" \
    --substrate "Fe-18Cr-0.5Nb-0.2Ti:7.7g/cm3" --coating "C:2.0g/cm3:8nm" \
    --coating-order over --confuser "BaSO4:4.5g/cm3" --out spots`,
		Flags: append(append(append(append(append(flags, specimenFlags()...), searchFlags()...), moreFlags()...), conditionFlags()...), cubeFlags()...),
		Action: e.action(func(ctx context.Context, c *cli.Context) error {
			path, err := oneFile(c, "one cube")
			if err != nil {
				return err
			}
			return e.spots(ctx, c, path)
		}),
	}
}

func (e *env) spots(ctx context.Context, c *cli.Context, path string) error {
	if m, ok, err := e.countMap(ctx, c, path); err != nil || ok {
		if err != nil {
			return err
		}
		return e.countSpots(ctx, c, path, m)
	}
	s, err := e.readSpecimen(c)
	if err != nil {
		return err
	}
	if err := e.readSearch(c, s); err != nil {
		return err
	}
	mode, err := e.readBeamMode(c)
	if err != nil {
		return err
	}
	if s.Detector, err = e.readDetector(c); err != nil {
		return err
	}
	mask, masked, err := e.readMask(c)
	if err != nil {
		return err
	}
	if err := e.moreSettings(c); err != nil {
		return err
	}
	later := c.StringSlice("later")
	if len(later) > 0 {
		e.setting("later", later, fromFlag)
	}
	s.Title = path
	if err := e.addField(c, s, path, maps.Treated, later...); err != nil {
		return err
	}
	defer closeFields(s)
	if masked {
		if err := checkMask(c.String("mask"), mask, s.Fields[0].Source.Header()); err != nil {
			return err
		}
	}
	for _, b := range c.StringSlice("blank") {
		if slices.Contains(later, b) {
			return usage("%s is given both as --later and as --blank", b)
		}
		if err := e.addField(c, s, b, maps.Untreated); err != nil {
			return err
		}
	}
	other, err := e.openOther(c, s)
	if err != nil {
		return err
	}
	if other != nil {
		defer closeFields(other)
	}
	out, complete, err := e.openFolder(c.String("out"))
	if err != nil {
		return err
	}
	if complete {
		return e.answerFromFolder(c.String("out"))
	}
	defer out.discard()
	r, err := e.runStudy(ctx, s)
	if err != nil {
		return err
	}
	if other != nil {
		if err := e.otherBeam(ctx, c, other, r); err != nil {
			return err
		}
	}
	e.answerField(r, 0, mode)
	e.printField(r, 0, mode)
	if err := e.more(ctx, c, s, r, mask, masked); err != nil {
		return err
	}
	if out == nil {
		return nil
	}
	if err := e.writeField(out, r, 0, "", record.FileNames{}); err != nil {
		return err
	}
	sum, of := *r.Sum, filepath.Base(path)
	if len(r.Fields) > 1 {
		of += " and its blank fields"
		sum.Title = "sum spectrum of " + of
	}
	if err := writeSum(out, &sum, r.Fit, of); err != nil {
		return err
	}
	e.answer.Set("out", out.dir)
	e.printf("\nwritten to %s\n", out.dir)
	return e.finishFolder(out)
}

// runStudy runs the job and shows its remarks.
func (e *env) runStudy(ctx context.Context, s *study.Study) (*study.Result, error) {
	r, err := interruptible(ctx, func() (*study.Result, error) {
		return study.Run(ctx, s, func(stage study.Stage, done, total int) {
			if show := e.bar.of(string(stage)); show != nil {
				show(done, total)
			}
		})
	})
	if err != nil {
		return nil, err
	}
	for _, w := range r.FieldRemarks(func(f *study.FieldResult) []string {
		return slices.Concat(f.Sums.Warnings, f.Spots.Remarks)
	}) {
		e.warn("%s", w)
	}
	for _, w := range r.Remarks {
		if w != noComparison {
			e.warn("%s", w)
		}
	}
	e.warnOwn(r)
	return r, nil
}

// noComparison is what a study says when it has only one kind of field.
const noComparison = "no comparison: it needs treated and untreated fields"

// warnOwn says when the family that decides belongs to an element that the
// substrate has as well.
func (e *env) warnOwn(r *study.Result) {
	for _, z := range study.Distinct(r.Study.Target, r.Study.Substrate, r.Study.Coating) {
		if f := r.Target.Own; len(f) > len(z.Symbol()) && f[:len(z.Symbol())+1] == z.Symbol()+" " {
			return
		}
	}
	e.warn("the line family that decides, %s, belongs to an element that substrate or coating hold as well: particles can be missed", r.Target.Own)
}

// closeFields closes the files of a study.
func closeFields(s *study.Study) {
	for _, f := range s.Fields {
		if c, ok := f.Source.(io.Closer); ok {
			c.Close()
		}
	}
}
