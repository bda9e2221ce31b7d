package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"example.org/fleck/maps"
	"example.org/fleck/maps/cube"
	"example.org/fleck/maps/figure"
	"example.org/fleck/maps/record"
	"example.org/fleck/maps/spots"
	"github.com/urfave/cli/v2"
)

// countMap reads path if it is a single count map rather than a cube. What is wrong
// with the file is said here, before anything else is asked for.
func (e *env) countMap(ctx context.Context, c *cli.Context, path string) (m maps.Map, ok bool, err error) {
	k, err := sniff(path)
	if err != nil {
		return m, false, err
	}
	stated := c.String("shape") != ""
	switch {
	case k == kindText && !stated:
		data, err := e.readText(path)
		if err != nil {
			return m, false, err
		}
		if _, err := parseSpectrum(data); err == nil {
			return m, false, failed(codeNotCube, path, "a spectrum; expected a cube or a count map")
		}
		m, err = e.readMap(c, path)
		return m, true, err
	case k == kindImage && !stated:
		m, err = e.readMap(c, path)
		return m, true, err
	}
	opt, err := cubeOptions(c)
	if err != nil {
		return m, false, err
	}
	if err := checkKind(path, k, opt); err != nil {
		return m, false, err
	}
	opt.DecodeSpectrum = decodeSpectrum
	fsys, name := newRecorder(path)
	f, notCube := cube.Open(fsys, name, opt)
	if notCube == nil {
		defer f.Close()
	}
	if stated || k == kindFolder || notCube == nil && f.Header().Channels > 1 {
		return m, false, cubeError(path, notCube)
	}
	m, err = e.readMap(c, path)
	switch {
	case err == nil:
		return m, true, nil
	case notCube == nil:
		m, err = e.oneChannel(ctx, path, f)
		return m, true, err
	case errors.Is(notCube, cube.ErrAxes):
		return m, false, err
	}
	return m, false, cubeError(path, notCube)
}

// oneChannel returns the counts of a cube that has a single channel.
func (e *env) oneChannel(ctx context.Context, path string, f *cube.File) (maps.Map, error) {
	sums, err := cube.SumSpectra(ctx, f, e.workers, nil)
	if err != nil {
		return maps.Map{}, cubeError(path, err)
	}
	e.addInput(&inputFile{path: path})
	m := sums.PixelTotals
	m.What = f.Header().Title
	if m.What == "" {
		m.What = strings.TrimSuffix(filepath.Base(path), filepath.Ext(path))
	}
	return m, nil
}

// countSpots searches a single count map.
func (e *env) countSpots(ctx context.Context, c *cli.Context, path string, m maps.Map) error {
	if len(c.StringSlice("blank")) > 0 || len(c.StringSlice("confuser")) > 0 {
		return usage("%s is a single count map; --blank and --confuser need a cube", path)
	}
	for _, name := range append([]string{"beam-mode", "probe", "later", "frames"}, moreNames...) {
		if c.IsSet(name) {
			return usage("%s is a single count map; --%s needs a cube", path, name)
		}
	}
	opt, cond, err := e.countOptions(c)
	if err != nil {
		return err
	}
	out, complete, err := e.openFolder(c.String("out"))
	if err != nil {
		return err
	}
	if complete {
		return e.answerFromFolder(c.String("out"))
	}
	defer out.discard()
	res, err := spots.FindCounts(ctx, m, opt)
	if err != nil {
		return countsError(path, m, err)
	}
	for _, w := range res.Remarks {
		e.warn("%s: %s", path, w)
	}
	area := m.Pixel.AreaUm2() * float64(m.W*m.H) * 1e-6
	o := record.Of("name", path)
	o.Number("p_value", res.PValue, "")
	o.Set("detected", res.Detected)
	o.Number("threshold", res.Threshold, "the map holds no counts, or is one pixel")
	o.Number("list_threshold", res.ListThreshold, "no spot was listed")
	o.Number("expected_false", res.ExpectedFalse, "")
	o.Number("area_mm2", area, noPixelSize)
	a := &e.answer
	a.Set("field", o)
	a.Set("spots", record.Spots(nil, res.Spots, cond))
	a.Set("rejected", record.Spots(nil, res.Rejected, cond))
	a.Set("limit", record.Limit(res.Limit, nil, cond))
	verdict := "no spots of high counts found"
	switch n := len(res.Spots); {
	case len(m.V) == 1:
		verdict = "a map of one pixel, in which no spots are searched for"
	case n == 1:
		verdict = "1 spot of high counts found, which a single map cannot name"
	case n > 1:
		verdict = fmt.Sprintf("%d spots of high counts found, which a single map cannot name", n)
	case res.Detected:
		verdict = "counts higher than chance explains, but no spot above the level of the list"
	}
	e.printf("%s: %s (p = %.2g, alpha %g)\n", path, verdict, res.PValue, res.Options.Alpha)
	shown := *res
	shown.Spots = unnamed(res.Spots)
	e.printSpots(&shown, m.Pixel.Known(), "", false)
	e.printLimit(res.Limit, math.NaN(), area)
	if out == nil {
		return nil
	}
	if err := writeCountSpots(out, cond, path, m, res); err != nil {
		return err
	}
	a.Set("out", out.dir)
	e.printf("\nwritten to %s\n", out.dir)
	return e.finishFolder(out)
}

// countOptions reads the search settings for count maps and the conditions that
// their rows carry.
func (e *env) countOptions(c *cli.Context) (spots.CountOptions, record.Object, error) {
	opt := spots.CountOptions{Seed: e.seed, Workers: e.workers, NoLimit: c.Bool("no-limit"), Progress: e.bar.of("searching")}
	var err error
	if opt.Q, err = numberFlag(c, "q", 0, 1e-6, 0.5); err != nil {
		return opt, nil, err
	}
	if opt.Alpha, err = numberFlag(c, "alpha", 0, 1e-6, 0.5); err != nil {
		return opt, nil, err
	}
	if opt.Bootstrap, err = wholeFlag(c, "replicas", 0, 19, 100000); err != nil {
		return opt, nil, err
	}
	cond := record.Object{}
	for _, name := range []string{"target", "substrate", "coating"} {
		if s := c.String(name); s != "" {
			e.setting(name, s, fromFlag)
			cond.Set(name, s)
		} else if name != "target" {
			cond.Text(name, "", record.NoneGiven)
		}
	}
	e.settingOr("q", opt.Q, 0.05)
	e.settingOr("alpha", opt.Alpha, 0.05)
	e.settingOr("replicas", float64(opt.Bootstrap), 199)
	return opt, cond, nil
}

// countsError says which pixel is not a count.
func countsError(path string, m maps.Map, err error) error {
	for _, v := range m.V {
		if !math.IsNaN(v) && (v < 0 || v != math.Floor(v)) {
			return failed(codeBadCounts, path, "%w", err)
		}
	}
	return inFile(path, err)
}

// unnamed returns the spots without a verdict: where there is no spectrum, nothing was
// weighed that could tell or not.
func unnamed(list []maps.Spot) []maps.Spot {
	out := slices.Clone(list)
	for i := range out {
		out[i].Verdict = ""
	}
	return out
}

// writeCountSpots writes table, likelihood and figure.
func writeCountSpots(out *outputFolder, cond record.Object, path string, m maps.Map, res *spots.Result) error {
	if err := out.write("spots.csv", func(w io.Writer) error { return writeSpotTable(w, cond, res.Spots) }); err != nil {
		return err
	}
	if err := out.write("likelihood.npy", func(w io.Writer) error { return cube.WriteMapNPY(w, res.LLR) }); err != nil {
		return err
	}
	return out.write("spots_figure.png", func(w io.Writer) error {
		opt := figure.SpotMapOptions{Title: filepath.Base(path), Caption: m.What + "; found in counts alone: no spectrum to name a spot", WidthMM: pageWidthMM}
		if v, ok := m.Range(); !ok || v.Low == v.High {
			opt.Scale = &maps.Scale{Low: 0, High: 1}
		}
		return figure.SpotMap(w, m, unnamed(res.Spots), opt)
	})
}
