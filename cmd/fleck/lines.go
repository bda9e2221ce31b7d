package main

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"example.org/fleck/maps/record"
	"example.org/fleck/spectra/fit"
	"example.org/fleck/spectra/xray"
	"github.com/urfave/cli/v2"
)

// Weights, as shares of a family: lines below them are not listed unless
// --min-weight asks for them, or not counted as a neighbour that hides another
// line. Common practice, no source.
const (
	lowestLineEV    = 30 // the tables hold no line below
	listedWeight    = 0.001
	neighbourWeight = 0.1
)

func linesCommand(e *env) *cli.Command {
	return &cli.Command{
		Name:      "lines",
		Usage:     "X-ray lines of elements, and what lies within the resolution",
		UsageText: "fleck lines ELEMENT…  or  fleck lines --near EV",
		Description: `ELEMENT is a symbol, a family "Si K" or a line "Si K-L3" ("Si Ka1"). Weights are
shares of the photons of a family under the beam.

Examples:
  fleck lines Ti "Ba L" --beam 15
  fleck lines --near 4508 --fwhm 80`,
		Flags: []cli.Flag{
			valueFlag("", "near", "list the lines of all elements near this energy, in `EV`"),
			valueFlag("", "fwhm", "window: full width at half maximum in `EV` (default: that of the detector at the line)"),
			valueFlag("", "min-weight", "leave out lines with less than this `SHARE` of their family (default: 0.001; near an energy: 0.01)"),
			valueFlag("", "beam", "leave out what this beam energy in `KEV` cannot excite"),
			detectorFlag(),
		},
		Action: e.action(func(_ context.Context, c *cli.Context) error { return e.lines(c) }),
	}
}

// tableLine is a line of the answer.
type tableLine struct {
	xray.WeightedLine
	family xray.Family
}

func (t tableLine) row() record.Object {
	return record.Of(
		"element", t.Element.Symbol(), "iupac", t.IUPAC(), "siegbahn", t.Siegbahn(),
		"energy_ev", float64(t.Energy), "weight", t.Weight, "family", t.family.String(), "source", t.Source,
	)
}

func (e *env) lines(c *cli.Context) error {
	near, err := numberFlag(c, "near", 0, 0, 200e3)
	if err != nil {
		return err
	}
	fwhm, err := numberFlag(c, "fwhm", 0, 0.1, 10e3)
	if err != nil {
		return err
	}
	least := listedWeight
	if c.IsSet("near") {
		least = 0.01
	}
	if least, err = numberFlag(c, "min-weight", least, 0, 1); err != nil {
		return err
	}
	beam, err := beamFlag(c)
	if err != nil {
		return err
	}
	det, err := e.readDetector(c)
	if err != nil {
		return err
	}
	det = det.WithDefaults()
	width := func(ev float64) float64 {
		if fwhm > 0 {
			return fwhm
		}
		return det.FWHM(xray.Energy(ev))
	}
	if beam > 0 {
		e.setting("beam_kev", beam.KeV(), fromFlag)
	}
	switch {
	case c.IsSet("near") && c.Args().Present():
		return usage("give either elements or --near, not both")
	case c.IsSet("near"):
		return e.linesNear(near, width(near), least, beam)
	case !c.Args().Present():
		return usage("no element given; expected symbols such as Ti, or --near EV")
	}
	return e.linesOf(c.Args().Slice(), width, least, beam)
}

// familyLines returns the lines of a family that the beam excites.
func familyLines(z xray.Element, f xray.Family, beam xray.Energy) []tableLine {
	var out []tableLine
	for _, w := range xray.FamilyWeights(z, f, beam) {
		out = append(out, tableLine{w, f})
	}
	return out
}

// elementLines returns all lines of an element.
func elementLines(z xray.Element, beam xray.Energy) []tableLine {
	var out []tableLine
	for _, f := range []xray.Family{xray.FamilyK, xray.FamilyL, xray.FamilyM} {
		out = append(out, familyLines(z, f, beam)...)
	}
	return out
}

// readLines reads one argument: element, family or line.
func readLines(arg string, beam xray.Energy, least float64) ([]tableLine, error) {
	arg = strings.TrimSpace(arg)
	symbol, _, named := strings.Cut(arg, " ")
	z, err := parseElement(symbol)
	if err != nil {
		if strings.Contains(arg, ",") {
			err = wrong(codeElement, "no element with the symbol %q; blanks between the elements are accepted, such as: Ti Ba", arg)
		}
		return nil, err
	}
	var out []tableLine
	if !named {
		out = elementLines(z, beam)
	} else if _, f, err := xray.ParseFamily(arg); err == nil {
		out = familyLines(z, f, beam)
	} else {
		parsed, err := xray.ParseLine(arg)
		if err != nil {
			return nil, wrong(codeLine, "%q: an element, a family (%q) or a line (%q or %q) is accepted: %w", arg, symbol+" K", symbol+" K-L3", symbol+" Ka1", err)
		}
		for _, t := range elementLines(z, beam) {
			if slices.ContainsFunc(parsed, func(l xray.Line) bool { return l.Initial == t.Initial && l.Final == t.Final }) {
				out = append(out, t)
			}
		}
		return out, nil // named one by one: small weights too
	}
	return slices.DeleteFunc(out, func(t tableLine) bool { return t.Weight < least }), nil
}

func (e *env) linesOf(args []string, width func(float64) float64, least float64, beam xray.Energy) error {
	var list []tableLine
	for _, a := range args {
		ls, err := readLines(a, beam, least)
		if err != nil {
			return err
		}
		if len(ls) == 0 {
			why := "the tables hold none"
			if beam > 0 {
				why = fmt.Sprintf("none is excited at %g keV", beam.KeV())
			}
			e.warn("%s: no lines: %s", a, why)
		}
		for _, l := range ls {
			if !slices.ContainsFunc(list, func(t tableLine) bool { return t.Line == l.Line }) {
				list = append(list, l)
			}
		}
	}
	e.printLines(list)
	overlaps := overlapsOf(list, width, beam)
	e.answer.Set("overlaps", overlaps)
	if len(overlaps) > 0 {
		e.printf("\nWithin the resolution of a main line (strongest lines of other elements, one per family):\n")
		for _, o := range overlaps {
			e.printf("  %s\n", overlapText(o))
		}
	}
	return nil
}

func (e *env) printLines(list []tableLine) {
	rows := []record.Object{}
	e.printf("element  line          Siegbahn   energy/eV  weight\n")
	for _, t := range list {
		rows = append(rows, t.row())
		e.printf("%-8s %-13s %-9s %10.1f  %.4f\n", t.Element, t.IUPAC(), t.Siegbahn(), float64(t.Energy), t.Weight)
	}
	e.answer.Set("lines", rows)
}

// overlapsOf lists, for the strongest line of every family in list, the nearest
// line of every family of other elements within one FWHM.
func overlapsOf(list []tableLine, width func(float64) float64, beam xray.Energy) []record.Object {
	out := []record.Object{}
	strongest := map[fit.Family]tableLine{}
	var order []fit.Family
	for _, t := range list {
		k := fit.Family{Element: t.Element, Family: t.family}
		if _, ok := strongest[k]; !ok {
			order = append(order, k)
		}
		if t.Weight > strongest[k].Weight {
			strongest[k] = t
		}
	}
	for _, k := range order {
		t := strongest[k]
		w := width(float64(t.Energy))
		type near struct {
			l   tableLine
			sep float64
		}
		var found []near
		for _, z := range fit.DefaultCandidates() {
			if z == t.Element {
				continue
			}
			for _, f := range fit.FamiliesOf([]xray.Element{z}, beam, 0, math.Inf(1)) {
				best := near{sep: math.Inf(1)}
				for _, l := range familyLines(z, f.Family, beam) {
					sep := float64(l.Energy - t.Energy)
					if l.Weight >= neighbourWeight && math.Abs(sep) < math.Abs(best.sep) {
						best = near{l, sep}
					}
				}
				if math.Abs(best.sep) <= w {
					found = append(found, best)
				}
			}
		}
		slices.SortFunc(found, func(a, b near) int { return cmp.Compare(math.Abs(a.sep), math.Abs(b.sep)) })
		for _, n := range found {
			out = append(out, record.Of(
				"line", t.Element.Symbol()+" "+t.IUPAC(), "with", n.l.Element.Symbol()+" "+n.l.IUPAC(),
				"energy_ev", float64(n.l.Energy), "separation_ev", round(n.sep, 0.01), "fwhm_ev", round(w, 0.01), "weight", n.l.Weight,
			))
		}
	}
	return out
}

func overlapText(o record.Object) string {
	get := func(key string) any {
		for _, m := range o {
			if m.Key == key {
				return m.Value
			}
		}
		return nil
	}
	return fmt.Sprintf("%-12s %-12s %+7.1f eV (FWHM %.0f eV), weight %.2f", get("line"), get("with"), get("separation_ev"), get("fwhm_ev"), get("weight"))
}

// linesNear lists the lines of all elements within one width of an energy.
func (e *env) linesNear(near, width, least float64, beam xray.Energy) error {
	var list []tableLine
	for z := xray.Element(1); z <= xray.MaxElement; z++ {
		for _, t := range elementLines(z, beam) {
			if math.Abs(float64(t.Energy)-near) <= width && t.Weight >= least {
				list = append(list, t)
			}
		}
	}
	slices.SortStableFunc(list, func(a, b tableLine) int {
		return cmp.Compare(math.Abs(float64(a.Energy)-near), math.Abs(float64(b.Energy)-near))
	})
	if near > 0 && near < lowestLineEV {
		e.warn("energies are in eV; for %g keV write --near %g", near, near*1000)
	}
	e.answer.Set("near_ev", near)
	e.answer.Set("window_ev", width)
	e.printf("Lines within %.0f eV of %g eV, the nearest first\n", width, near)
	e.printLines(list)
	e.answer.Set("overlaps", []record.Object{})
	return nil
}
