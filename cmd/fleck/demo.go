package main

import (
	"context"
	"io"

	"example.org/fleck/maps/cube"
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
invented), searches them and compares. DIR gets the tables, maps and figures, and
truth.json with what was planted.

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
	e.setting("scene", sc.Title, fromDefault)
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
	truths := []object{}
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
			err := out.write(slug(f.Name)+".nrrd", func(w io.Writer) error { return e.writeCube(ctx, w, mem, ".nrrd", cube.Gzip) })
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
	data, err := encodeJSON(object{{"fleck_format", format}, {"version", versionText()}, {"seed", e.seed}, {"fields", truths}})
	if err != nil {
		return err
	}
	if err := out.write("truth.json", func(w io.Writer) error { _, err := w.Write(data); return err }); err != nil {
		return err
	}
	if err := e.writeStudy(out, r, r.Comparison); err != nil {
		return err
	}
	return e.finishFolder(out)
}
