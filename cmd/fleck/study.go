package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"example.org/fleck/maps"
	"example.org/fleck/maps/study"
	"github.com/urfave/cli/v2"
)

func studyCommand(e *env) *cli.Command {
	return &cli.Command{
		Name:      "study",
		Usage:     "the whole job for many fields, as a study file states it",
		UsageText: "fleck study STUDY.toml --out DIR",
		Description: `The file names target, substrate, coating and the fields with their coupons and
roles; cubes are named relative to its folder. The coupon is the replicate. In short:

  fleck_format = 1
  title = "Rinse on panels"
  target = "TiO2:4.23g/cm3"
  substrate = "Fe-18Cr-0.5Nb-0.2Ti:7.7g/cm3"

  [[field]]
  name = "T1"
  coupon = "panel A"
  role = "treated"
  cube = "t1.nrrd"

  [[field]]
  name = "B1"
  coupon = "panel D"
  role = "untreated"
  cube = "b1.nrrd"

--print-example prints a file with every key and what it means.

A run that was interrupted goes on where it stopped when the command is given again;
after a change of settings (with --force) only what depends on it is computed again.
What is kept for that lies in DIR/.resume, which can be deleted at any time.

Examples:
  fleck study --print-example > study.toml
  fleck study study.toml --out results`,
		Flags: []cli.Flag{
			valueFlag("", "out", "output `DIR`, new, empty or of an earlier run"),
			noLimitFlag(""),
			&cli.BoolFlag{DisableDefaultText: true, Name: "print-example", Usage: "print a study file that explains every key"},
		},
		Action: e.action(func(ctx context.Context, c *cli.Context) error {
			if c.Bool("print-example") {
				return e.printExample(c)
			}
			path, err := oneFile(c, "one study file")
			if err != nil {
				return err
			}
			return e.study(ctx, c, path)
		}),
	}
}

func (e *env) printExample(c *cli.Context) error {
	if err := noFiles(c); err != nil {
		return err
	}
	e.answer.Set("text", study.Example)
	e.printf("%s", study.Example)
	return nil
}

func (e *env) study(ctx context.Context, c *cli.Context, path string) error {
	dir := c.String("out")
	if dir == "" {
		return usage("--out is missing; for example --out results")
	}
	data, err := e.readText(path)
	if err != nil {
		return err
	}
	file, err := study.Parse(bytes.NewReader(data))
	if err != nil {
		return inFile(path, err)
	}
	s, mode, err := e.openStudy(c, path, file)
	defer closeFields(s)
	if err != nil {
		return err
	}
	if file.Paired {
		if err := checkPairs(fieldsOf(s)); err != nil {
			return err
		}
	}
	out, complete, err := e.openFolder(dir)
	if err != nil {
		return err
	}
	if complete {
		return e.answerFromFolder(dir)
	}
	defer out.discard()
	store := newResumeStore(dir)
	if store != nil {
		s.Store = store
	}
	r, err := e.runStudy(ctx, s)
	if err != nil {
		if store != nil && os.Remove(store.dir) != nil && ctx.Err() != nil { // an empty folder goes
			e.note("%s keeps the fields that are done; the same command goes on from there", dir)
		}
		return err
	}
	e.noteReused(r)
	cmp, err := e.comparison(r, mode, file.Paired)
	if err != nil {
		return err
	}
	e.answerStudy(r, cmp, mode)
	e.printStudy(r, cmp)
	again := "fleck study " + filepath.Base(path) + " --out " + filepath.Base(dir)
	if c.Bool("no-limit") {
		again += " --no-limit"
	}
	if err := e.writeReport(out, r, cmp, "", again); err != nil {
		return err
	}
	if err := e.finishFolder(out); err != nil {
		return err
	}
	if store != nil {
		store.prune()
	}
	return nil
}

// openStudy opens the cubes of a study file and records its settings.
func (e *env) openStudy(c *cli.Context, path string, file *study.File) (*study.Study, beamMode, error) {
	s := file.Study()
	names := make([]study.FieldInput, 0, len(s.Fields))
	names, s.Fields = append(names, s.Fields...), nil
	mode := beamMode{stationary: file.Stationary, probe: maps.Length(file.ProbeNM) * maps.Nanometre}
	switch {
	case file.Unknown:
		e.warnUnknownMode()
	case !file.Has("beam_mode"):
		e.warnRastered()
	}
	switch {
	case c.IsSet("seed"):
		s.Options.Seed = e.seed
		e.setting("seed", strconv.FormatUint(e.seed, 10), fromFlag)
	case file.Has("seed"):
		e.seed = s.Options.Seed
		e.setting("seed", strconv.FormatUint(e.seed, 10), fromFile)
	default:
		s.Options.Seed = e.seed
		e.setting("seed", strconv.FormatUint(e.seed, 10), fromDefault)
	}
	s.Options.Workers = e.workers
	if c.Bool("no-limit") {
		s.Options.NoLimit = true
		e.setting("limit", false, fromFlag)
	}
	if file.Detector != "" {
		d, err := e.detectorFrom(filepath.Join(filepath.Dir(path), filepath.FromSlash(file.Detector)), fromFile)
		if err != nil {
			return s, mode, err
		}
		s.Detector = d
	}
	for i, f := range names {
		var paths []string
		for _, name := range append([]string{f.Input}, file.Fields[i].Later...) {
			if name = filepath.FromSlash(name); !filepath.IsAbs(name) {
				name = filepath.Join(filepath.Dir(path), name)
			}
			paths = append(paths, name)
		}
		src, err := e.openSeries(c, paths[0], paths[1:], e.framesOf(paths[0], f.Role, file.Cube))
		if err != nil {
			failure := *classify(err)
			if failure.file == "" {
				failure.file, failure.line = path, file.Fields[i].Line
			}
			return s, mode, &failure
		}
		f.Source, f.Input = src, strings.Join(paths, ", ")
		if f.SHA256, err = e.digestOfAll(paths); err != nil {
			return s, mode, inFile(paths[0], bare(err))
		}
		s.Fields = append(s.Fields, f)
	}
	for _, o := range file.Settings() { // what the cubes and flags settled stays
		if e.settings.Get(o.Key) == nil {
			e.setting(o.Key, o.Value, origin(o.Origin))
		}
	}
	for _, o := range []struct {
		key    string
		absent float64
	}{{"q", 0.05}, {"alpha", 0.05}, {"bootstrap", 199}} {
		if !file.Has(o.key) && !(o.key == "bootstrap" && file.Has("replicas")) {
			e.setting(o.key, o.absent, fromDefault)
		}
	}
	return s, mode, nil
}
