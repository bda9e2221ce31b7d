package main

import (
	"bytes"
	"context"
	"io"
	"path/filepath"
	"strings"

	"example.org/fleck/maps/cube"
	"example.org/fleck/maps/record"
	"example.org/fleck/maps/scene"
	"github.com/urfave/cli/v2"
)

func simulateCommand(e *env) *cli.Command {
	return &cli.Command{
		Name:      "simulate",
		Usage:     "cubes with known truth, from a scene",
		UsageText: "fleck simulate SCENE.toml --out FILE.nrrd",
		Description: `A scene states substrate, coating, conditions and the particles of every field.
--print-demo prints the scene of "fleck demo", which explains every key.
Beside FILE.nrrd comes FILE-truth.json, with the particles that were planted. A
scene of several fields needs --field, or gives FILE-NAME.nrrd for all of them.

Examples:
  fleck simulate --print-demo > scene.toml
  fleck simulate scene.toml --field T1 --out t1.nrrd --seed 7`,
		Flags: []cli.Flag{
			valueFlag("", "out", "output `FILE`, ending in .nrrd or .npy"),
			valueFlag("", "field", "simulate this field only, by `NAME`"),
			&cli.BoolFlag{DisableDefaultText: true, Name: "print-demo", Usage: "print the demo scene on standard output"},
		},
		Action: e.action(func(ctx context.Context, c *cli.Context) error {
			if c.Bool("print-demo") {
				if err := noFiles(c); err != nil {
					return err
				}
				e.text.Write(scene.DemoTOML())
				e.answer.Set("scene", string(scene.DemoTOML()))
				return nil
			}
			path, err := oneFile(c, "one scene file")
			if err != nil {
				return err
			}
			return e.simulate(ctx, c, path)
		}),
	}
}

func (e *env) simulate(ctx context.Context, c *cli.Context, path string) error {
	out := c.String("out")
	if out == "" {
		return usage("--out is missing; for example --out field.nrrd")
	}
	ext := strings.ToLower(filepath.Ext(out))
	if ext != ".nrrd" && ext != ".npy" {
		return usage("--out %s: a name ending in .nrrd or .npy is accepted", out)
	}
	data, err := e.readText(path)
	if err != nil {
		return err
	}
	sc, err := scene.Parse(bytes.NewReader(data))
	if err != nil {
		return failed(codeBadFile, path, "%w", err)
	}
	fields := sc.Fields()
	var names []string
	chosen := -1
	for i, f := range fields {
		names = append(names, f.Name)
		if f.Name == c.String("field") {
			chosen = i
		}
	}
	if c.IsSet("field") && chosen < 0 {
		return usage("--field %q: the scene has the fields %s%s", c.String("field"), strings.Join(names, ", "), didYouMean(nearest(c.String("field"), names)))
	}
	taken := slugs{}
	base := strings.TrimSuffix(out, filepath.Ext(out))
	type target struct {
		field        int
		file, record string
	}
	var targets []target
	for i, f := range fields {
		switch {
		case chosen >= 0 && i != chosen:
		case chosen >= 0 || len(fields) == 1:
			targets = append(targets, target{i, out, base + "-truth.json"})
		default:
			name := base + "-" + taken.of(f.Name)
			targets = append(targets, target{i, name + ext, name + "-truth.json"})
		}
	}
	for _, t := range targets {
		for _, p := range []string{t.file, t.record} {
			if err := e.checkOutput(p); err != nil {
				return err
			}
		}
	}
	rd, err := interruptible(ctx, func() (*scene.Renderer, error) { return scene.NewRenderer(sc) })
	if err != nil {
		return inFile(path, err)
	}
	rows := []record.Object{}
	e.printf("field  particles  file\n")
	for _, t := range targets {
		e.bar.say("simulating " + fields[t.field].Name)
		type rendered struct {
			mem   *cube.Memory
			truth scene.Truth
		}
		r, err := interruptible(ctx, func() (rendered, error) {
			mem, truth, err := rd.Render(t.field, e.seed, e.workers)
			return rendered{mem, truth}, err
		})
		if err != nil {
			return inFile(path, err)
		}
		err = e.writeFile(t.file, func(w io.Writer) error { return e.writeCube(ctx, w, r.mem, ext, cube.Gzip) })
		if err != nil {
			return err
		}
		o := truthObject(r.truth)
		o.Set("file", t.file)
		o.Set("truth_file", t.record)
		if err := e.writeTruth(t.record, o); err != nil {
			return err
		}
		rows = append(rows, o)
		e.printf("%-6s %9d  %s\n", fields[t.field].Name, len(r.truth.Spots), t.file)
	}
	e.answer.Set("fields", rows)
	return nil
}

// truthObject is what was planted in a field.
func truthObject(t scene.Truth) record.Object {
	list := []record.Object{}
	for i, s := range t.Spots {
		o := record.Of("id", i+1, "compound", s.Compound, "x_px", s.XPx, "y_px", s.YPx, "diameter_nm", s.DiameterNM)
		o.Number("line_counts", s.LineCounts, "")
		o.Number("own_counts", s.OwnCounts, "")
		list = append(list, o)
	}
	return record.Of("field", t.Field.Name, "coupon", t.Field.Coupon, "role", string(t.Field.Role), "seed", t.Seed, "counts_per_pixel", t.CountsPerPixel, "spots", list)
}

// writeTruth writes the truth of a field as a file of its own.
func (e *env) writeTruth(path string, o record.Object) error {
	head := record.Of("fleck_format", format, "version", versionText())
	data, err := record.Document(append(head, o...))
	if err != nil {
		return err
	}
	return e.writeFile(path, func(w io.Writer) error {
		_, err := w.Write(data)
		return err
	})
}
