package main

import (
	"bufio"
	"bytes"
	"context"
	"io"
	"math"
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
		Usage:     "cubes and spectra with known truth, by electron transport",
		UsageText: "fleck simulate SCENE.toml --out FILE.nrrd\n       fleck simulate --substrate MATERIAL --beam KEV --dose NAS --out FILE.msa",
		Description: `A scene states substrate, coating, conditions and the particles of every field.
--print-demo prints the scene of "fleck demo", which explains every key.
Beside FILE.nrrd comes FILE-truth.json, with the particles that were planted. A
scene of several fields needs --field, or gives FILE-NAME.nrrd for all of them.

Without a scene it makes one spectrum of a bulk, of films on it or of a sphere.

Examples:
  fleck simulate --print-demo > scene.toml
  fleck simulate scene.toml --field T1 --out t1.nrrd --seed 7
  fleck simulate scene.toml --field T1 --frames 8 --out frames.nrrd
  fleck simulate --substrate Al --target "SiO2:2.2g/cm3" --diameter 300 --beam 5 --dose 10 --out silica.msa`,
		Flags: append([]cli.Flag{
			valueFlag("", "out", "output `FILE`, ending in .nrrd or .npy; of one spectrum in .msa or .csv"),
			valueFlag("", "field", "simulate this field only, by `NAME`"),
			valueFlag("", "frames", "write `N` frames, scans one after the other that share the dose evenly; drifts of the scene go on over all of them (default: one scan)"),
			&cli.BoolFlag{DisableDefaultText: true, Name: "print-demo", Usage: "print the demo scene on standard output"},
		}, pointFlags()...),
		Action: e.action(func(ctx context.Context, c *cli.Context) error {
			if c.Bool("print-demo") {
				if err := noFiles(c); err != nil {
					return err
				}
				e.text.Write(scene.DemoTOML())
				e.answer.Set("scene", string(scene.DemoTOML()))
				return nil
			}
			if c.NArg() == 0 && c.String("substrate") != "" {
				if c.IsSet("frames") {
					return usage("--frames is for a scene; one spectrum has none")
				}
				return e.simulatePoint(ctx, c)
			}
			for _, f := range pointFlags() {
				if name := f.Names()[0]; c.IsSet(name) {
					return usage("--%s is for one spectrum; a scene states it itself, without a scene --substrate is needed", name)
				}
			}
			path, err := oneFile(c, "one scene file, or --substrate for one spectrum")
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
	if sc.Frames, err = wholeFlag(c, "frames", 1, 1, scene.MaxFrames); err != nil {
		return err
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
	taken := record.FileNames{}
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
			name := base + "-" + taken.Of(f.Name)
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
		field, truth, err := rd.Field(t.field, e.seed)
		if err != nil {
			return inFile(path, err)
		}
		if err := e.writeFile(t.file, func(w io.Writer) error { return e.writeSimulated(ctx, w, field, ext) }); err != nil {
			return err
		}
		o := truthObject(truth)
		if sc.Frames > 1 {
			o.Set("frames", sc.Frames)
		}
		o.Set("file", t.file)
		o.Set("truth_file", t.record)
		if err := e.writeTruth(t.record, o); err != nil {
			return err
		}
		rows = append(rows, o)
		e.printf("%-6s %9d  %s\n", fields[t.field].Name, len(truth.Spots), t.file)
	}
	e.answer.Set("fields", rows)
	return nil
}

// writeSimulated writes the rows of a field, or of each of its frames.
func (e *env) writeSimulated(ctx context.Context, w io.Writer, f *scene.Field, ext string) error {
	h := f.Header()
	if h.Frames < 2 {
		return e.writeCube(ctx, w, f, ext, cube.Gzip)
	}
	b := bufio.NewWriterSize(w, 1<<20)
	show := e.bar.of("writing")
	frame := func(k int) (cube.RowReader, error) {
		src, err := f.FrameSum(cube.FrameRange{From: k, To: k + 1})
		if err != nil {
			return nil, err
		}
		rows, err := src.Rows()
		if err != nil {
			return nil, err
		}
		report := func(done, height int) {
			if show != nil {
				show(k*height+done, h.Frames*height)
			}
		}
		return &watchedRows{RowReader: rows, ctx: ctx, report: report}, nil
	}
	var err error
	switch {
	case ext == ".npy":
		err = cube.WriteNPYFrames(b, h, h.Frames, frame)
	case 4*int64(h.RowLen())*int64(h.Height) > cube.DefaultMaxBytes:
		// Readers make the sum over compressed frames in memory, 4 bytes a value.
		err = cube.WriteNRRDFrames(b, h, h.Frames, frame, cube.Raw)
	default:
		err = cube.WriteNRRDFrames(b, h, h.Frames, frame, cube.Gzip)
	}
	if err != nil {
		return err
	}
	return b.Flush()
}

// truthObject is what was planted in a field.
func truthObject(t scene.Truth) record.Object {
	list := []record.Object{}
	for i, s := range t.Spots {
		o := record.Of("id", i+1, "compound", s.Compound, "x_px", s.XPx, "y_px", s.YPx, "diameter_nm", s.DiameterNM, "sunk", s.Sunk)
		o.Number("line_counts", s.LineCounts, "")
		o.Number("own_counts", s.OwnCounts, "")
		list = append(list, o)
	}
	films := []record.Object{}
	for _, f := range t.Films {
		films = append(films, record.Of("material", f.Material.String(), "region", f.Region))
	}
	scratches := []record.Object{}
	for _, s := range t.Scratches {
		scratches = append(scratches, record.Of("from", s.From, "to", s.To, "width_um", s.WidthUM, "slope_deg", s.SlopeDeg))
	}
	o := record.Of("field", t.Field.Name, "coupon", t.Field.Coupon, "role", string(t.Field.Role), "seed", t.Seed, "counts_per_pixel", t.CountsPerPixel, "pile_up", t.PileUp)
	rate, dead := t.RateCPS, t.DeadTime
	if rate == 0 {
		rate, dead = math.NaN(), math.NaN()
	}
	o.Number("count_rate_cps", rate, "the scene states no current and no rate")
	o.Number("dead_time", dead, "the scene states no current and no rate")
	return append(o, record.Of("spots", list, "films", films, "scratches", scratches)...)
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
