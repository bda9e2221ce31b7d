package main

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"strings"

	"example.org/fleck/maps"
	"example.org/fleck/maps/cube"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/msa"
	"github.com/urfave/cli/v2"
)

// openCube opens a cube with the flags that describe it, records it as input
// and shows its warnings.
func (e *env) openCube(c *cli.Context, path string) (*cube.File, error) {
	opt, err := cubeOptions(c)
	if err != nil {
		return nil, err
	}
	return e.openCubeAs(c, path, opt)
}

// openCubeAs is openCube with the description at hand.
func (e *env) openCubeAs(c *cli.Context, path string, opt cube.Options) (*cube.File, error) {
	k, err := sniff(path)
	if err != nil {
		return nil, err
	}
	if err := checkKind(path, k, opt); err != nil {
		return nil, err
	}
	opt.DecodeSpectrum = decodeSpectrum
	fsys, name := newRecorder(path)
	f, err := cube.Open(fsys, name, opt)
	if err != nil {
		return nil, cubeError(path, err)
	}
	in := &inputFile{path: path}
	if k != kindFolder {
		in.also = func() []string { return dataFiles(fsys, name) }
	}
	e.addInput(in)
	h := f.Header()
	for _, w := range h.Warnings {
		e.warn("%s: %s", path, w)
	}
	if k == kindArray {
		e.warnReplaced(path, opt, h)
	}
	if s := c.String("frames"); s != "" {
		e.setting("frames", s, fromFlag)
	}
	e.recordConditions(c, h.Conditions, h.Calibration, h.CalibrationKnown)
	if h.Pixel.Known() {
		from := fromFile
		if c.IsSet("pixel") {
			from = fromFlag
		}
		e.setting("pixel_um", []float64{round(h.Pixel.X.Um(), 1e-9), round(h.Pixel.Y.Um(), 1e-9)}, from)
	}
	return f, nil
}

// checkKind refuses files that by their first bytes are no cube.
func checkKind(path string, k kind, opt cube.Options) error {
	if k == kindBinary && len(opt.Shape) == 0 {
		return failed(codeNotCube, path, "neither NRRD, NPY nor a spectrum by its first bytes; a cube without header needs --shape, --type and --endian")
	}
	if k == kindText && len(opt.Shape) == 0 {
		return failed(codeNotCube, path, "a text; expected a count cube (NRRD, NPY, a folder of spectra, or --shape for data without header)")
	}
	if len(opt.Shape) > 0 && k != kindFolder && k != kindArray && opt.Axes == "" && len(opt.Shape) != 3 && len(opt.Shape) != 4 {
		return usage("shape %v: three sizes are accepted (height, width, channels), four with frames before them, or as many as the axes named", opt.Shape)
	}
	return nil
}

// cubeError names the file and translates the names of options into those of
// flags.
func cubeError(path string, err error) error {
	if err == nil {
		return nil
	}
	f := *classify(err)
	if f.file == "" {
		f.file = path
	}
	if strings.Contains(err.Error(), "state the width") {
		f.err = fmt.Errorf("%w (--shape HEIGHT,WIDTH)", err)
	}
	if strings.Contains(err.Error(), "axes stated") || strings.Contains(err.Error(), "needs its byte order") {
		f.code, f.exit = codeUsage, exitUsage
	}
	return &f
}

// dataFiles lists the files that a header led to.
func dataFiles(fsys *recorder, name string) []string {
	var out []string
	for _, n := range fsys.opened {
		if n != name {
			out = append(out, filepath.Join(fsys.dir, filepath.FromSlash(n)))
		}
	}
	return out
}

// decodeSpectrum reads one file of a folder of spectra.
func decodeSpectrum(r io.Reader) (spectra.Spectrum, error) {
	data, err := io.ReadAll(io.LimitReader(r, maxText+1))
	if err != nil {
		return spectra.Spectrum{}, err
	}
	if len(data) > maxText {
		return spectra.Spectrum{}, msa.ErrTooLarge
	}
	m, err := parseSpectrum(data)
	if err != nil {
		return spectra.Spectrum{}, err
	}
	return m.s, nil
}

// readMap reads a count map that was made elsewhere.
func (e *env) readMap(c *cli.Context, path string) (maps.Map, error) {
	if _, err := sniff(path); err != nil {
		return maps.Map{}, err
	}
	px, err := pixelFlag(c)
	if err != nil {
		return maps.Map{}, err
	}
	fsys, name := newRecorder(path)
	m, err := cube.ReadMap(fsys, name, cube.MapOptions{Pixel: px})
	if err != nil {
		f := *classify(err)
		if f.code == codeFailed {
			f.code = codeNotCube
		}
		if f.file == "" {
			f.file = path
		}
		return m, &f
	}
	e.addInput(&inputFile{path: path})
	return m, nil
}

// looksLikeTable reports whether the first line of numbers has several columns.
func looksLikeTable(data []byte) bool {
	for line := range bytes.Lines(data[:min(len(data), 1<<20)]) {
		s := strings.TrimSpace(string(line))
		if s == "" || s[0] == '#' {
			continue
		}
		fields := strings.FieldsFunc(s, func(r rune) bool { return strings.ContainsRune("\t;, ", r) })
		for _, f := range fields {
			if strings.Trim(f, "0123456789.eE+-") != "" && !strings.EqualFold(f, "nan") {
				return false
			}
		}
		return len(fields) > 2
	}
	return false
}

// warnReplaced says which conditions of a file flags replace: a blank recorded
// otherwise would pass unseen.
func (e *env) warnReplaced(path string, opt cube.Options, used cube.Header) {
	if opt.BeamEnergy == 0 && opt.Calibration.GainEV == 0 && !opt.Pixel.Known() {
		return
	}
	opt.BeamEnergy, opt.Calibration, opt.Pixel = 0, spectra.Calibration{}, maps.Pixel{}
	fsys, name := newRecorder(path)
	f, err := cube.Open(fsys, name, opt)
	if err != nil {
		return // not to be read without these flags
	}
	defer f.Close()
	h := f.Header()
	differ := func(a, b float64) bool { return math.Abs(a-b) > 1e-6*math.Max(math.Abs(a), math.Abs(b)) }
	if a, b := h.Conditions.BeamEnergy.KeV(), used.Conditions.BeamEnergy.KeV(); a > 0 && differ(a, b) {
		e.warn("%s: the stated beam energy, %g keV, replaces the %g keV of the file", path, b, a)
	}
	if a, b := h.Calibration, used.Calibration; h.CalibrationKnown && (differ(a.GainEV, b.GainEV) || differ(a.OffsetEV, b.OffsetEV)) {
		e.warn("%s: the stated energy axis, from %g eV in steps of %g eV, replaces that of the file, %g and %g eV", path, b.OffsetEV, b.GainEV, a.OffsetEV, a.GainEV)
	}
	if a, b := h.Pixel, used.Pixel; a.Known() && (differ(a.X.Um(), b.X.Um()) || differ(a.Y.Um(), b.Y.Um())) {
		e.warn("%s: the stated pixel size, %g µm, replaces the %g µm of the file", path, b.X.Um(), a.X.Um())
	}
}
