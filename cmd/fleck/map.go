package main

import (
	"context"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"

	"example.org/fleck/maps"
	"example.org/fleck/maps/cube"
	"example.org/fleck/maps/figure"
	"example.org/fleck/maps/peaks"
	"example.org/fleck/maps/record"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/fit"
	"example.org/fleck/spectra/msa"
	"github.com/urfave/cli/v2"
)

func mapCommand(e *env) *cli.Command {
	return &cli.Command{
		Name:      "map",
		Usage:     "net-count maps of line families",
		UsageText: "fleck map CUBE --elements SYMBOLS --out DIR",
		Description: `The sum spectrum of the field is fitted first; with its shapes every pixel is
fitted for itself. DIR gets, for every family, the map as PNG, 32-bit TIFF and NPY
with its standard uncertainty, the status of every pixel (0 fitted, 1 empty, 2 not
converged, 3 failed), the sum spectrum with its fit, and result.json.
With --composition every pixel is corrected as a flat bulk of these elements as
well: maps of the mass fractions with their uncertainty from counting, and a flag
for every pixel. A thin particle looks like any other mixture; no flag finds it.

Examples:
  fleck map field.nrrd --elements "O,Ti K,Cr,Fe" --out maps
  fleck map field.nrrd --elements O,Ti,Cr,Fe --overlay "Ti K,O K,Cr K" --out maps
  fleck map rock.nrrd --elements Na,Mg,Al,Si,Ca,Fe --composition --oxygen stoichiometry --out maps`,
		Flags: slices.Concat([]cli.Flag{
			valueFlag("", "elements", "elements or families, `SYMBOLS` with commas (default: those identified in the sum spectrum)"),
			valueFlag("", "out", "output `DIR`, new, empty or of an earlier run"),
			valueFlag("", "low", "first energy used, in `EV` (default: 200)"),
			valueFlag("", "high", "last energy used, in `EV` (default: 5 % above the beam energy)"),
			valueFlag("", "overlay", "draw two or three `FAMILIES` with commas, such as \"Ti K,Ba L\", in one picture as well"),
			detectorFlag(),
		}, compositionFlags(), conditionFlags(), cubeFlags()),
		Action: e.action(func(ctx context.Context, c *cli.Context) error {
			path, err := oneFile(c, "one cube")
			if err != nil {
				return err
			}
			return e.mapCube(ctx, c, path)
		}),
	}
}

func (e *env) mapCube(ctx context.Context, c *cli.Context, path string) error {
	list, err := elementsFlag(c, "elements")
	if err != nil {
		return err
	}
	over, err := overlayFlag(c)
	if err != nil {
		return err
	}
	dir := c.String("out")
	if dir == "" {
		return usage("--out is missing; for example --out maps")
	}
	correction, composed, err := e.readComposition(c, list)
	if err != nil {
		return err
	}
	var opt fit.Options
	if opt.LowEV, opt.HighEV, err = rangeFlags(c); err != nil {
		return err
	}
	if opt.Detector, err = e.readDetector(c); err != nil {
		return err
	}
	f, err := e.openCube(c, path)
	if err != nil {
		return err
	}
	defer f.Close()
	h := f.Header()
	if !h.CalibrationKnown {
		return needScale(path, &spectra.Spectrum{}, false)
	}
	like := &spectra.Spectrum{Calibration: h.Calibration, Conditions: h.Conditions}
	if err := needScale(path, like, composed); err != nil {
		return err
	}
	if composed {
		if err := e.readStandards(c, like, &correction); err != nil {
			return err
		}
	}
	e.settingOr("low_ev", opt.LowEV, defaultLowEV)
	if opt.HighEV > 0 {
		e.setting("high_ev", opt.HighEV, fromFlag)
	}
	if len(list) == 0 {
		e.setting("elements", "identified", fromDefault)
	} else {
		e.setting("elements", c.String("elements"), fromFlag)
	}
	if text := c.String("overlay"); text != "" {
		e.setting("overlay", text, fromFlag)
	}
	out, complete, err := e.openFolder(dir)
	if err != nil {
		return err
	}
	if complete {
		return e.answerFromFolder(dir)
	}
	defer out.discard()

	sums, err := cube.SumSpectra(ctx, f, e.workers, e.bar.of("reading"))
	if err != nil {
		return inFile(path, err)
	}
	for _, w := range sums.Warnings {
		e.warn("%s", w)
	}
	sum := peaks.SumSpectrum(h, sums.Sum)
	if err := e.checkCounts(path, sum); err != nil {
		return err
	}
	if len(list) == 0 {
		id, err := e.identifySpectrum(ctx, sum, fit.IdentifyOptions{Detector: opt.Detector, LowEV: opt.LowEV, HighEV: opt.HighEV})
		if err != nil {
			return inFile(path, err)
		}
		for _, el := range id.Elements {
			list = append(list, listed{element: el.Element})
		}
		if len(list) == 0 {
			return failed(codeFailed, path, "no element was identified in the sum spectrum; name them with --elements")
		}
		e.note("identified in the sum spectrum: %s; elements of small particles may be missing: name them with --elements", strings.Join(symbols(list.whole()), ", "))
		e.answer.Set("identified", symbols(list.whole()))
	}
	if composed {
		list = withShown(list, correction)
	}
	r, err := e.fitSpectrum(ctx, path, sum, list, opt)
	if err != nil {
		return err
	}
	fitter, err := r.Freeze()
	if err != nil {
		return inFile(path, err)
	}
	for _, fam := range over {
		if !slices.Contains(fitter.Families, fam) {
			return usage("--overlay %s: %s is not fitted; there are %s", c.String("overlay"), fam, familyList(fitter.Families))
		}
	}
	res, err := peaks.Fit(ctx, f, fitter, peaks.Options{Workers: e.workers, Progress: e.bar.of("fitting pixels")})
	if err != nil {
		return inFile(path, err)
	}
	names := record.FileNames{}
	if err := e.writeMaps(out, res, r, names); err != nil {
		return err
	}
	if len(over) > 0 {
		if err := e.overlay(out, res, over); err != nil {
			return err
		}
	}
	if composed {
		if err := e.mapComposition(ctx, out, res, r, sum, correction, names); err != nil {
			return err
		}
	}
	if err := writeSum(out, sum, r, filepath.Base(path)); err != nil {
		return err
	}
	e.answerFit(r)
	e.answer.Set("out", dir)
	e.answer.Set("pixels_empty", res.Empty)
	e.answer.Set("pixels_not_fitted", res.NotFitted)
	if res.NotFitted > 0 {
		e.warn("%d of %d pixels did not converge; see status.npy", res.NotFitted, h.Pixels())
	}
	return e.finishFolder(out)
}

// writeMaps writes the maps of all families and their row in the answer. Beside the
// mean of a map stands what the fit of the sum spectrum has per pixel: no pixel falls
// below 0, so that the mean of a weak family lies above it.
func (e *env) writeMaps(out *outputFolder, res *peaks.Result, sum *fit.Result, names record.FileNames) error {
	rows := []record.Object{}
	var raised []string
	e.printf("family    min      max    mean  sum fit  file\n")
	for i, fam := range res.Families {
		st := res.Stacks[i]
		base := names.Of(fam.String())
		if err := writeStack(out, base, st); err != nil {
			return err
		}
		stats := st.Value.Stats()
		o := record.Of("symbol", fam.Element.Symbol(), "family", fam.Family.String(),
			"file", base+".tif", "png", base+".png", "npy", base+".npy", "sigma_file", base+"_sigma.tif", "sigma_npy", base+"_sigma.npy",
			"unit", st.Value.Unit)
		o.Number("min", stats.Min, noPixel)
		o.Number("max", stats.Max, noPixel)
		o.Number("mean", stats.Mean, noPixel)
		pixels := float64(len(st.Value.V) - res.Empty)
		whole := sum.Families[i].NetCounts / pixels
		o.Number("sum_fit", whole, noPixel)
		rows = append(rows, o)
		if sigma := sum.Families[i].Sigma / pixels; stats.Mean > 1.1*whole+3*sigma {
			raised = append(raised, fam.String())
		}
		e.printf("%-6s %6.4g %8.4g %7.4g  %7.4g  %s\n", fam, stats.Min, stats.Max, stats.Mean, whole, filepath.Join(out.dir, base+".png"))
	}
	if len(raised) > 0 {
		e.warn("%s: no pixel falls below 0 counts, so the maps of weak families add up to more than the specimen sent; take totals from the fit of the sum spectrum (\"sum fit\", per pixel)", strings.Join(raised, ", "))
	}
	e.answer.Set("maps", rows)
	if len(res.Stacks) == 0 {
		return nil
	}
	first := res.Stacks[0]
	status := maps.New(first.Value.W, first.Value.H)
	status.What, status.Unit, status.Pixel = "status of the pixel's fit", "code", first.Value.Pixel
	for i, s := range first.Status {
		status.V[i] = float64(s)
	}
	e.answer.Set("status_file", "status.npy")
	return out.write("status.npy", func(w io.Writer) error { return cube.WriteMapNPY(w, status) })
}

// overlayFlag reads the families to draw in one picture.
func overlayFlag(c *cli.Context) ([]fit.Family, error) {
	text := c.String("overlay")
	if text == "" {
		return nil, nil
	}
	var out []fit.Family
	for _, name := range strings.Split(text, ",") {
		fam, err := fit.ParseFamily(strings.TrimSpace(name))
		if err != nil {
			return nil, usage("--overlay %s: %w", text, err)
		}
		if slices.Contains(out, fam) {
			return nil, usage("--overlay %s: %s twice; different families are accepted", text, fam)
		}
		out = append(out, fam)
	}
	if n := len(out); n < 2 || n > 3 {
		return nil, usage("--overlay %s: number of families %d; two or three are accepted", text, n)
	}
	return out, nil
}

// overlay draws mapped families in one picture.
func (e *env) overlay(out *outputFolder, res *peaks.Result, families []fit.Family) error {
	var layers []figure.Layer
	for _, fam := range families {
		layers = append(layers, figure.Layer{Map: res.Stacks[slices.Index(res.Families, fam)].Value, Name: fam.String()})
	}
	e.answer.Set("overlay_file", "overlay.png")
	return out.write("overlay.png", func(w io.Writer) error {
		return figure.Overlay(w, layers, figure.OverlayOptions{WidthMM: pageWidthMM})
	})
}

func familyList(list []fit.Family) string {
	names := make([]string, len(list))
	for i, f := range list {
		names[i] = f.String()
	}
	return strings.Join(names, ", ")
}

const noPixel = "no pixel has a value"

// writeStack writes a map as picture, TIFF and NPY, its uncertainty where it has
// one.
func writeStack(out *outputFolder, base string, st maps.Stack) error {
	type file struct {
		name  string
		write func(io.Writer) error
	}
	files := []file{
		{base + ".png", func(w io.Writer) error { return drawMap(w, st.Value, st.Value.What) }},
		{base + ".tif", func(w io.Writer) error { return figure.FloatTIFF(w, st.Value) }},
		{base + ".npy", func(w io.Writer) error { return cube.WriteMapNPY(w, st.Value) }},
	}
	if len(st.Sigma.V) > 0 {
		files = append(files,
			file{base + "_sigma.tif", func(w io.Writer) error { return figure.FloatTIFF(w, st.Sigma) }},
			file{base + "_sigma.npy", func(w io.Writer) error { return cube.WriteMapNPY(w, st.Sigma) }})
	}
	for _, f := range files {
		if err := out.write(f.name, f.write); err != nil {
			return fmt.Errorf("%s: %w", f.name, err)
		}
	}
	return nil
}

// drawMap draws a map; one without counts, which has no range, from 0 to 1.
func drawMap(w io.Writer, m maps.Map, title string) error {
	opt := figure.MapOptions{Title: title}
	if r, ok := m.Range(); !ok || r.Low == r.High {
		opt.Scale = &maps.Scale{Low: 0, High: 1}
		if ok && r.High > 0 {
			opt.Scale.High = r.High
		}
	}
	return figure.ElementMap(w, m, opt)
}

// writeSum writes the sum spectrum, and the figure with its fit.
func writeSum(out *outputFolder, sum *spectra.Spectrum, r *fit.Result, title string) error {
	file := msa.FromSpectrum(*sum)
	if err := out.write("sum.msa", func(w io.Writer) error { return msa.Write(w, file, msa.WriteOptions{}) }); err != nil {
		return err
	}
	marked := significantFamilies(r)
	slices.SortStableFunc(marked, func(a, b fit.Family) int { return int(a.Element) - int(b.Element) })
	return out.write("sum.png", func(w io.Writer) error {
		opt := figure.SpectrumOptions{Title: "sum spectrum of " + title, WidthMM: pageWidthMM, HighEV: shownEnd(r), Log: true}
		return figure.Spectrum(w, spectrumData(sum, r, marked), opt)
	})
}
