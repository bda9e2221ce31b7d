package main

import (
	"bufio"
	"context"
	"encoding/binary"
	"errors"
	"io"
	"path/filepath"
	"strings"

	"example.org/fleck/maps"
	"example.org/fleck/maps/cube"
	"example.org/fleck/maps/figure"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/msa"
	"github.com/urfave/cli/v2"
)

func convertCommand(e *env) *cli.Command {
	return &cli.Command{
		Name:      "convert",
		Usage:     "between file formats of spectra, cubes and maps",
		UsageText: "fleck convert IN OUT",
		Description: `IN is recognised by its content, OUT by the end of its name:
  .msa .emsa   spectrum, ISO 22029; of a cube its sum spectrum
  .csv         spectrum as a table; of a cube its sum spectrum
  .nrrd        cube with header      .npy   cube or map as a NumPy array
  .raw         cube without header, and beside it OUT with the end .nhdr, its header
  .nhdr        header for a cube without header (IN), which stays as it is
  .tif         map as 32-bit TIFF

Example:
  fleck convert field.npy field.nrrd --energy-first 0 --energy-step 10 --beam 15 --pixel 0.5`,
		Flags: append(append([]cli.Flag{
			valueFlag("", "encoding", "how an NRRD file stores its data, `NAME`: raw or gzip (default: raw)"),
		}, conditionFlags()...), cubeFlags()...),
		Action: e.action(func(ctx context.Context, c *cli.Context) error {
			if c.Args().Len() != 2 {
				return usage("%s; expected IN and OUT", filesGiven(c))
			}
			return e.convert(ctx, c, c.Args().Get(0), c.Args().Get(1))
		}),
	}
}

func (e *env) convert(ctx context.Context, c *cli.Context, in, out string) error {
	enc := cube.Raw
	if s := c.String("encoding"); s != "" {
		var err error
		if enc, err = cube.ParseEncoding(s); err != nil {
			return usage("--encoding: %w", err)
		}
	}
	e.answer.Set("in", in)
	e.answer.Set("out", out)
	files := []string{out}
	ext := strings.ToLower(filepath.Ext(out))
	var err error
	switch ext {
	case ".msa", ".emsa", ".csv":
		err = e.convertSpectrum(ctx, c, in, out, ext)
	case ".nrrd", ".npy", ".tif", ".tiff":
		err = e.convertArray(ctx, c, in, out, ext, enc)
	case ".raw":
		header := strings.TrimSuffix(out, filepath.Ext(out)) + ".nhdr"
		files = append(files, header)
		err = e.convertRaw(ctx, c, in, out, header)
	case ".nhdr":
		err = e.writeHeader(c, in, out)
	default:
		return usage("the name %s does not end in .msa, .emsa, .csv, .nrrd, .npy, .raw, .nhdr or .tif", out)
	}
	if err != nil {
		return err
	}
	e.answer.Set("files", files)
	for _, f := range files {
		e.printf("%s\n", f)
	}
	return nil
}

func (e *env) convertSpectrum(ctx context.Context, c *cli.Context, in, out, ext string) error {
	m, err := e.readSpectrum(ctx, c, in)
	if err != nil {
		return err
	}
	for _, w := range m.s.Check() {
		e.warn("%s: %s", in, w)
	}
	e.answer.Set("kind", "spectrum")
	return e.writeFile(out, func(w io.Writer) error {
		if ext == ".csv" {
			return msa.WriteCSV(w, m.s)
		}
		f := msa.FromSpectrum(m.s)
		if m.file != nil && !m.csv {
			f = m.file
			f.Spectrum = m.s
			if m.s.Calibration != m.file.Spectrum.Calibration {
				f.X = nil
			}
		}
		return msa.Write(w, f, msa.WriteOptions{})
	})
}

// convertArray writes a cube or a map.
func (e *env) convertArray(ctx context.Context, c *cli.Context, in, out, ext string, enc cube.Encoding) error {
	k, err := sniff(in)
	if err != nil {
		return err
	}
	stated := c.String("shape") != ""
	if k == kindText && !stated {
		data, err := e.readText(in)
		if err != nil {
			return err
		}
		if _, err := parseSpectrum(data); err == nil {
			return failed(codeNotCube, in, "a spectrum; the name of OUT may end in .msa, .emsa or .csv")
		}
	}
	if k == kindText && !stated || k == kindImage {
		m, err := e.readMap(c, in)
		if err != nil {
			return err
		}
		return e.writeMap(c, m, out, ext, enc)
	}
	f, err := e.openCube(c, in)
	if err != nil {
		if k == kindArray && !stated {
			if m, errMap := e.readMap(c, in); errMap == nil {
				return e.writeMap(c, m, out, ext, enc)
			}
		}
		return err
	}
	defer f.Close()
	e.answer.Set("kind", "cube")
	if ext == ".tif" || ext == ".tiff" {
		return usage("%s is a cube; a TIFF file holds one map: see fleck map", in)
	}
	e.noteFrames(f)
	h := f.Header()
	if ext == ".npy" && (h.CalibrationKnown || h.Pixel.Known()) {
		e.note("NPY carries no energy axis, pixel size or conditions; NRRD does")
	}
	if ext == ".nrrd" {
		e.checkAxis(h, out)
	}
	return e.writeFile(out, func(w io.Writer) error { return e.writeCube(ctx, w, f, ext, enc) })
}

// noteFrames says that a cube with frames is written as their sum.
func (e *env) noteFrames(f *cube.File) {
	if h := f.Header(); h.Frames > 1 {
		e.note("frames %s of %d are written, as their sum", h.Selected, h.Frames)
	}
}

func (e *env) writeCube(ctx context.Context, w io.Writer, src cube.Source, ext string, enc cube.Encoding) error {
	rows, err := src.Rows()
	if err != nil {
		return err
	}
	if cl, ok := rows.(io.Closer); ok {
		defer cl.Close()
	}
	b := bufio.NewWriterSize(w, 1<<20)
	counted := &watchedRows{RowReader: rows, ctx: ctx, report: e.bar.of("writing")}
	if ext == ".npy" {
		err = cube.WriteNPY(b, src.Header(), counted)
	} else {
		err = cube.WriteNRRD(b, src.Header(), counted, enc)
	}
	if err != nil {
		return err
	}
	return b.Flush()
}

// watchedRows reports how far the rows are and stops when the context ends.
type watchedRows struct {
	cube.RowReader
	ctx    context.Context
	report func(done, total int)
	done   int
}

// ReadRow reads the next row.
func (r *watchedRows) ReadRow(dst []uint32) error {
	if err := r.ctx.Err(); err != nil {
		return err
	}
	err := r.RowReader.ReadRow(dst)
	if err == nil && r.report != nil {
		r.done++
		r.report(r.done, r.Header().Height)
	}
	return err
}

// writeMap writes a single map; NRRD takes it as a cube of one channel.
func (e *env) writeMap(c *cli.Context, m maps.Map, out, ext string, enc cube.Encoding) error {
	e.answer.Set("kind", "map")
	switch ext {
	case ".npy":
		return e.writeFile(out, func(w io.Writer) error { return cube.WriteMapNPY(w, m) })
	case ".nrrd":
		src, err := cube.MapAsSource(m)
		if err != nil {
			return failed(codeBadCounts, c.Args().First(), "%w", err)
		}
		return e.writeFile(out, func(w io.Writer) error { return e.writeCube(c.Context, w, src, ext, enc) })
	}
	return e.writeFile(out, func(w io.Writer) error { return figure.FloatTIFF(w, m) })
}

// checkAxis says that a header will state no energy axis, or one in another unit.
func (e *env) checkAxis(h cube.Header, out string) {
	if !h.CalibrationKnown {
		if h.Channels > 1 {
			e.warn("%s states no energy axis, since none is known: --energy-first and --energy-step, in eV, give it one", out)
		}
		return
	}
	s := spectra.Spectrum{Counts: make([]float64, h.Channels), Calibration: h.Calibration, Conditions: h.Conditions}
	for _, w := range s.Check() {
		if w.Kind == spectra.EnergyUnit {
			e.warn("%s: %s (--energy-first and --energy-step are in eV, --beam in keV)", out, w)
		}
	}
}

// convertRaw writes data without header, and the header beside it.
func (e *env) convertRaw(ctx context.Context, c *cli.Context, in, out, header string) error {
	f, err := e.openCube(c, in)
	if err != nil {
		return err
	}
	defer f.Close()
	e.answer.Set("kind", "cube")
	e.noteFrames(f)
	h := f.Header()
	if h.Type == 0 {
		h.Type = cube.U32
	}
	if err := e.checkOutput(header); err != nil {
		return err
	}
	e.checkAxis(h, header)
	if err := e.writeFile(out, func(w io.Writer) error { return e.writeRows(ctx, w, f, h.Type) }); err != nil {
		return err
	}
	return e.writeFile(header, func(w io.Writer) error {
		return cube.WriteNRRDDetached(w, h, cube.RawFile{Name: filepath.Base(out), Endian: cube.LittleEndian})
	})
}

// writeRows writes the counts alone, little-endian, channel fastest.
func (e *env) writeRows(ctx context.Context, w io.Writer, src cube.Source, t cube.Type) error {
	rows, err := src.Rows()
	if err != nil {
		return err
	}
	if cl, ok := rows.(io.Closer); ok {
		defer cl.Close()
	}
	counted := &watchedRows{RowReader: rows, ctx: ctx, report: e.bar.of("writing")}
	dst := make([]uint32, src.Header().RowLen())
	buf := make([]byte, 0, len(dst)*t.Size())
	for {
		if err := counted.ReadRow(dst); errors.Is(err, io.EOF) {
			return nil
		} else if err != nil {
			return err
		}
		buf = buf[:0]
		for _, n := range dst {
			switch t {
			case cube.U8:
				buf = append(buf, byte(n))
			case cube.U16:
				buf = binary.LittleEndian.AppendUint16(buf, uint16(n))
			default:
				buf = binary.LittleEndian.AppendUint32(buf, n)
			}
		}
		if _, err := w.Write(buf); err != nil {
			return err
		}
	}
}

// writeHeader writes an NRRD header for data that stay as they are.
func (e *env) writeHeader(c *cli.Context, in, out string) error {
	if c.String("shape") == "" {
		return usage("a header needs --shape, --type and, for 16 and 32 bits, --endian of %s", in)
	}
	if c.IsSet("frames") {
		return usage("--frames: a header describes all frames of %s", in)
	}
	f, err := e.openCube(c, in)
	if err != nil {
		return err
	}
	defer f.Close()
	e.answer.Set("kind", "cube")
	opt, err := cubeOptions(c)
	if err != nil {
		return err
	}
	dirOut, err := filepath.Abs(filepath.Dir(out))
	if err != nil {
		return err
	}
	absIn, err := filepath.Abs(in)
	if err != nil {
		return err
	}
	name, err := filepath.Rel(dirOut, absIn)
	if err != nil || !filepath.IsLocal(name) {
		return usage("%s: a header must lie beside its data or in a folder above them", out)
	}
	h := f.Header()
	h.Type = opt.Type // of a frame, not of their sum
	e.checkAxis(h, out)
	raw := cube.RawFile{Name: filepath.ToSlash(name), Endian: opt.Endian, Axes: opt.Axes, Offset: opt.Offset, Frames: h.Frames}
	return e.writeFile(out, func(w io.Writer) error { return cube.WriteNRRDDetached(w, h, raw) })
}
