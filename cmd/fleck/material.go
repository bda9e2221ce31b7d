package main

import (
	"slices"
	"strings"

	"example.org/fleck/spectra/fit"
	"example.org/fleck/spectra/xray"
	"github.com/urfave/cli/v2"
)

// parseElement reads a symbol and suggests one where it fails.
func parseElement(s string) (xray.Element, error) {
	z, err := xray.ParseElement(s)
	if err != nil {
		return 0, wrong(codeElement, "no element with the symbol %q%s", s, didYouMean(suggestElement(s)))
	}
	return z, nil
}

// elementList is what --elements names, in the order written: whole elements
// and single families.
type elementList []listed

type listed struct {
	element xray.Element
	family  *fit.Family // nil for the whole element
}

// whole returns the elements that were named as such.
func (l elementList) whole() []xray.Element {
	var out []xray.Element
	for _, x := range l {
		if x.family == nil {
			out = append(out, x.element)
		}
	}
	return out
}

// all returns every element of the list.
func (l elementList) all() []xray.Element {
	var out []xray.Element
	for _, x := range l {
		out = append(out, x.element)
	}
	return out
}

// within returns the families to fit: those of the elements that the beam
// excites within the energies, and the ones that were named. Elements without
// any come apart.
func (l elementList) within(beam xray.Energy, lowEV, highEV float64) ([]fit.Family, []xray.Element) {
	var out []fit.Family
	var invisible []xray.Element
	for _, x := range l {
		fs := fit.FamiliesOf([]xray.Element{x.element}, beam, lowEV, highEV)
		if x.family != nil {
			fs = []fit.Family{*x.family}
		} else if len(fs) == 0 {
			invisible = append(invisible, x.element)
		}
		for _, f := range fs {
			if !slices.Contains(out, f) {
				out = append(out, f)
			}
		}
	}
	return out, invisible
}

// elementsFlag reads a list such as "Al,Si" or "Al,Ti K".
func elementsFlag(c *cli.Context, name string) (elementList, error) {
	var l elementList
	s := c.String(name)
	if s == "" {
		return l, nil
	}
	for _, part := range strings.Split(s, ",") {
		part = strings.TrimSpace(part)
		if part == "" {
			return l, usage("--%s %q: an empty entry; elements with commas between them are accepted, such as Al,Si", name, s)
		}
		if symbol, _, ok := strings.Cut(part, " "); ok {
			if _, err := parseElement(symbol); err != nil {
				return l, err
			}
			f, err := fit.ParseFamily(part)
			if err != nil {
				return l, wrong(codeLine, "--%s: %q: an element or an element and its family K, L or M is accepted, such as Ti or \"Ti K\"", name, part)
			}
			l = append(l, listed{f.Element, &f})
			continue
		}
		z, err := parseElement(part)
		if err != nil {
			return l, err
		}
		l = append(l, listed{z, nil})
	}
	return l, nil
}

// parseMaterial reads a material and names the flag it came from.
func parseMaterial(flag, s string) (xray.Material, error) {
	m, err := xray.ParseMaterial(s)
	if err != nil {
		hint := ""
		if !strings.ContainsAny(s, "0123456789:-") {
			hint = didYouMean(suggestElement(s))
		}
		return m, wrong(codeMaterial, "--%s: %w%s", flag, err, hint)
	}
	return m, nil
}

// materialFlag reads a material that must be given.
func materialFlag(c *cli.Context, name, example string) (xray.Material, error) {
	s := c.String(name)
	if s == "" {
		return xray.Material{}, usage("--%s is missing; for example --%s %q", name, name, example)
	}
	m, err := parseMaterial(name, s)
	if err == nil && m.MassDepth > 0 {
		return m, wrong(codeMaterial, "--%s %q states a thickness; it stands for a bulk or a particle, which has none", name, s)
	}
	return m, err
}

// lacking names what a layer does not state: the thickness, or the density that
// makes a mass per area of it.
func lacking(m xray.Material) string {
	if m.ThicknessM > 0 {
		return "density"
	}
	return "thickness"
}

// materialList reads a flag that may be repeated.
func materialList(c *cli.Context, name string) ([]xray.Material, error) {
	var out []xray.Material
	for _, s := range c.StringSlice(name) {
		m, err := parseMaterial(name, s)
		if err != nil {
			return nil, err
		}
		for _, o := range out {
			if o.Name == m.Name {
				return nil, usage("--%s %q is given twice", name, s)
			}
		}
		out = append(out, m)
	}
	return out, nil
}

// materialNames returns the materials as written.
func materialNames(ms []xray.Material) []string {
	out := []string{}
	for _, m := range ms {
		out = append(out, m.String())
	}
	return out
}
