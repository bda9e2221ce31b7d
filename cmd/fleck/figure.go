package main

import (
	"cmp"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"example.org/fleck/maps/figure"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/fit"
	"github.com/urfave/cli/v2"
)

// pageWidthMM is the width of figures: two columns of print.
const pageWidthMM = 170

// markWeight is the share of a family from which a line is marked.
const markWeight = 0.05

// checkFigure refuses the file of --figure before the work is done.
func (e *env) checkFigure(c *cli.Context) error {
	path := c.String("figure")
	switch {
	case c.Bool("linear") && c.Bool("log"):
		return usage("give either --linear or --log, not both")
	case path == "" && (c.Bool("linear") || c.Bool("log")):
		return usage("--linear and --log are for --figure")
	case path == "":
		return nil
	}
	if _, err := figureFormat(path); err != nil {
		return err
	}
	return e.checkOutput(path)
}

func figureFormat(path string) (figure.Format, error) {
	switch strings.ToLower(filepath.Ext(path)) {
	case ".png":
		return figure.PNG, nil
	case ".svg":
		return figure.SVG, nil
	}
	return "", usage("--figure %s: a name ending in .png or .svg is accepted", path)
}

// drawFit draws the spectrum with its fit into the file of --figure.
func (e *env) drawFit(c *cli.Context, s *spectra.Spectrum, r *fit.Result, marked []fit.Family) error {
	path := c.String("figure")
	if path == "" {
		return nil
	}
	format, err := figureFormat(path)
	if err != nil {
		return err
	}
	opt := figure.SpectrumOptions{Title: s.Title, Format: format, Log: c.Bool("log") || !c.Bool("linear") && wideRange(s.Counts), WidthMM: pageWidthMM, HighEV: shownEnd(r)}
	if opt.Title == "" {
		opt.Title = filepath.Base(c.Args().First())
	}
	err = e.writeFile(path, func(w io.Writer) error { return figure.Spectrum(w, spectrumData(s, r, marked), opt) })
	if err != nil {
		return inFile(path, err)
	}
	e.answer.Set("figure", path)
	e.printf("figure        %s\n", path)
	return nil
}

// wideRange reports whether the highest channel holds more than a hundred times
// the median of the occupied ones: on a linear scale all but a few peaks would
// lie on the axis.
func wideRange(counts []float64) bool {
	var some []float64
	for _, n := range counts {
		if n > 0 {
			some = append(some, n)
		}
	}
	if len(some) == 0 {
		return false
	}
	slices.Sort(some)
	return some[len(some)-1] > 100*some[len(some)/2]
}

// spectrumData is the spectrum with model, continuum and marks for a figure.
func spectrumData(s *spectra.Spectrum, r *fit.Result, marked []fit.Family) figure.SpectrumData {
	n := len(s.Counts)
	d := figure.SpectrumData{Counts: s.Counts}
	for i := range n {
		d.EnergyEV = append(d.EnergyEV, float64(r.Calibration.Energy(float64(i))))
	}
	spread := func(part []float64) []float64 {
		full := make([]float64, n)
		for i := range full {
			full[i] = math.NaN()
		}
		copy(full[r.LowChannel:], part)
		return full
	}
	d.Model, d.Continuum = spread(r.Model), spread(r.Continuum)
	for _, f := range marked {
		if fr, ok := r.Find(f); ok && fr.NetCounts > 0 {
			d.Marks = append(d.Marks, marksOf(fr, r.Detector)...)
		}
	}
	return d
}

// marksOf marks the stronger lines of a family; lines that the detector cannot
// separate share a mark.
func marksOf(f fit.FamilyResult, det spectra.Detector) []figure.Mark {
	var lines []fit.LineResult
	for _, l := range f.Lines {
		if l.Counts >= markWeight*f.NetCounts {
			lines = append(lines, l)
		}
	}
	slices.SortFunc(lines, func(a, b fit.LineResult) int { return cmp.Compare(a.Line.Energy, b.Line.Energy) })
	var marks []figure.Mark
	for len(lines) > 0 {
		n := 1
		for n < len(lines) && float64(lines[n].Line.Energy-lines[0].Line.Energy) < 0.6*det.FWHM(lines[0].Line.Energy) {
			n++
		}
		marks = append(marks, markOf(lines[:n]))
		lines = lines[n:]
	}
	return marks
}

// markOf is the mark of lines that lie under one peak, at their mean energy.
// Final levels of one shell are written together, as in K-L2,3.
func markOf(lines []fit.LineResult) figure.Mark {
	var m figure.Mark
	strongest := lines[0]
	for _, l := range lines {
		m.Weight += l.Counts
		m.EnergyEV += l.Counts * float64(l.Line.Energy)
		if l.Counts > strongest.Counts {
			strongest = l
		}
	}
	m.EnergyEV /= m.Weight
	initial, final := strongest.Line.Initial.String(), strongest.Line.Final.String()
	var levels []string
	for _, l := range lines {
		if s := l.Line.Final.String(); l.Line.Initial.String() == initial && s[0] == final[0] && len(s) > 1 && !slices.Contains(levels, s[1:]) {
			levels = append(levels, s[1:])
		}
	}
	slices.Sort(levels)
	m.Label = strongest.Line.String()
	if len(levels) > 1 {
		m.Label = strongest.Line.Element.Symbol() + " " + initial + "-" + final[:1] + strings.Join(levels, ",")
	}
	return m
}

// shownEnd is the energy where figures of spectra end: a little above what was
// fitted.
func shownEnd(r *fit.Result) float64 {
	last := r.LowChannel + len(r.Model) - 1
	return math.Min(r.Options.HighEV, float64(r.Calibration.Energy(float64(last))))
}
