package main

import (
	"context"
	"io"
	"path/filepath"
	"strconv"

	"example.org/fleck/maps/cube"
	"example.org/fleck/maps/record"
	"example.org/fleck/maps/scene"
	"example.org/fleck/maps/study"
	"github.com/urfave/cli/v2"
)

func demoCommand(e *env) *cli.Command {
	return &cli.Command{
		Name:      "demo",
		Usage:     "the whole job on an invented scene, to see what comes out",
		UsageText: "fleck demo --out DIR",
		Description: `Simulates treated and blank fields (titania particles on stainless steel, all of it
invented), searches them and compares. DIR gets index.html with tables, maps and
figures beside it, and truth.json with what was planted.

Example:
  fleck demo --out demo --no-limit`,
		Flags: append([]cli.Flag{
			valueFlag("", "out", "output `DIR`, new, empty or of an earlier run"),
			&cli.BoolFlag{DisableDefaultText: true, Name: "cubes", Usage: "write the simulated cubes too"},
		}, searchFlags()...),
		Action: e.action(func(ctx context.Context, c *cli.Context) error {
			if err := noFiles(c); err != nil {
				return err
			}
			return e.demo(ctx, c)
		}),
	}
}

// demoReplicas is the number of replicas of each field in the demo: fewer than
// elsewhere, so that it is over within a minute.
const demoReplicas = 99

func (e *env) demo(ctx context.Context, c *cli.Context) error {
	dir := c.String("out")
	if dir == "" {
		return usage("--out is missing; for example --out demo")
	}
	sc := scene.Demo()
	var search study.Study
	if err := e.readSearch(c, &search); err != nil {
		return err
	}
	if search.Options.Bootstrap == 0 {
		search.Options.Bootstrap = demoReplicas
		e.setting("replicas", demoReplicas, fromDefault)
	}
	seedFrom := fromDefault
	if c.IsSet("seed") {
		seedFrom = fromFlag
	}
	e.setting("seed", strconv.FormatUint(e.seed, 10), seedFrom)
	e.setting("scene", sc.Title, fromDefault)
	e.setting("target", sc.Target.String(), fromDefault)
	e.setting("substrate", sc.Substrate.String(), fromDefault)
	if sc.Coating != nil {
		e.setting("coating", sc.Coating.String(), fromDefault)
		e.setting("coating_order", string(sc.Order), fromDefault)
	}
	e.setting("confusers", materialNames(sc.Confusers), fromDefault)
	e.setting("cubes", c.Bool("cubes"), fromDefault)
	if c.Bool("cubes") {
		e.setting("cubes", true, fromFlag)
	}
	out, complete, err := e.openFolder(dir)
	if err != nil {
		return err
	}
	if complete {
		return e.answerFromFolder(dir)
	}
	defer out.discard()
	e.bar.say("simulating")
	rd, err := interruptible(ctx, func() (*scene.Renderer, error) { return scene.NewRenderer(sc) })
	if err != nil {
		return err
	}
	truths := []record.Object{}
	var cubes []*cube.Memory
	for i, f := range sc.Fields() {
		e.bar.say("simulating " + f.Name)
		if err := ctx.Err(); err != nil {
			return err
		}
		mem, truth, err := rd.Render(i, e.seed, e.workers)
		if err != nil {
			return err
		}
		cubes = append(cubes, mem)
		truths = append(truths, truthObject(truth))
		if c.Bool("cubes") {
			err := out.write(record.FileName(f.Name)+".nrrd", func(w io.Writer) error { return e.writeCube(ctx, w, mem, ".nrrd", cube.Gzip) })
			if err != nil {
				return err
			}
		}
	}
	s := study.FromScene(sc, cubes)
	s.Options = search.Options
	r, err := e.runStudy(ctx, s)
	if err != nil {
		return err
	}
	e.answerStudy(r, r.Comparison, beamMode{})
	e.printStudy(r, r.Comparison)
	data, err := record.Document(record.Of("fleck_format", format, "version", versionText(), "seed", e.seed, "fields", truths))
	if err != nil {
		return err
	}
	if err := out.write("truth.json", func(w io.Writer) error { _, err := w.Write(data); return err }); err != nil {
		return err
	}
	invented := "Everything here is invented: workshop, rinse, panels and counts. The fields are simulated (seed " + strconv.FormatUint(e.seed, 10) + "); truth.json holds what was planted."
	if err := e.writeReport(out, r, r.Comparison, invented, "fleck demo --out "+filepath.Base(dir)+" --seed "+strconv.FormatUint(e.seed, 10)); err != nil {
		return err
	}
	return e.finishFolder(out)
}
