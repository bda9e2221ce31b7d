package xray

import (
	"fmt"
	"slices"
	"strings"
)

// greek spells the letters of Siegbahn names in the Latin form of the aliases.
var greek = strings.NewReplacer("α", "a", "β", "b", "γ", "g", "ζ", "z", "η", "n", "ν", "v", "ℓ", "l",
	"₁", "1", "₂", "2", "₃", "3", "₄", "4", "₅", "5", "₆", "6", "₇", "7")

// ParseLine reads an element and a line, separated by one space: IUPAC notation as in "Si K-L3", with shared subscripts
// for unresolved lines as in "Si K-L2,3" or "Au M4,5-N6,7", or a Siegbahn name as in "Si Ka1", "Si Ka", "Si Kα".
// It returns the lines that the tables know, by ascending energy; an unresolved name gives several.
// A line for which the tables have no energy is an error.
func ParseLine(s string) ([]Line, error) {
	z, name, err := splitElement(s, "line", "Si K-L3, Si K-L2,3 or Si Ka1")
	if err != nil {
		return nil, err
	}
	want, err := parseTransitions(s, name)
	if err != nil {
		return nil, err
	}
	var out []Line
	for _, t := range want {
		if l, ok := z.LineOf(t.initial, t.final); ok {
			out = append(out, l)
		}
	}
	if slices.ContainsFunc(out, func(l Line) bool { return l.Rate > 0 }) {
		out = slices.DeleteFunc(out, func(l Line) bool { return l.Rate == 0 })
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("xray: line %q: the tables have no such line of %v", s, z)
	}
	slices.SortFunc(out, compareLines)
	return out, nil
}

// ParseFamily reads an element and a line family, separated by one space, as in "Si K".
func ParseFamily(s string) (Element, Family, error) {
	z, name, err := splitElement(s, "line family", "Si K")
	if err != nil {
		return 0, 0, err
	}
	for f := FamilyK; f.Valid(); f++ {
		if f.String() == name {
			return z, f, nil
		}
	}
	return 0, 0, fmt.Errorf("xray: line family %q: no family %q; accepted are K, L and M, as in Si K", s, name)
}

// splitElement cuts "Si K-L3" into element and rest.
func splitElement(s, what, example string) (Element, string, error) {
	symbol, name, ok := strings.Cut(strings.TrimSpace(s), " ")
	if !ok || name == "" {
		return 0, "", fmt.Errorf("xray: %s %q: want an element and a %s, as in %s", what, s, what, example)
	}
	z, err := ParseElement(symbol)
	if err != nil {
		return 0, "", fmt.Errorf("xray: %s %q: no element with symbol %q", what, s, symbol)
	}
	return z, name, nil
}

func parseTransitions(s, name string) ([]transition, error) {
	if from, to, ok := strings.Cut(name, "-"); ok {
		initial, ok1 := parseLevels(from)
		final, ok2 := parseLevels(to)
		if !ok1 || !ok2 {
			return nil, fmt.Errorf("xray: line %q: %q is not a line in IUPAC notation, as in K-L3 or L3-M4,5", s, name)
		}
		var out []transition
		for _, i := range initial {
			for _, f := range final {
				if int(i) >= numInner || f <= i {
					return nil, fmt.Errorf("xray: line %q: %v-%v: the initial vacancy comes first and lies in K, L1 to L3 or M1 to M5", s, i, f)
				}
				out = append(out, transition{i, f})
			}
		}
		return out, nil
	}
	if name == "K" || name == "L" || name == "M" {
		return nil, fmt.Errorf("xray: line %q is a whole family; a line is written as in Si K-L3, Si K-L2,3 or Si Ka1", s)
	}
	if ts := siegbahnLines(greek.Replace(name)); ts != nil {
		return ts, nil
	}
	return nil, fmt.Errorf("xray: line %q: no line %q; accepted are IUPAC names as in K-L3, K-L2,3 and Siegbahn names as in Ka1, Ka", s, name)
}

// parseLevels reads "L3" or "M4,5" (shared letter, subscripts after a comma).
func parseLevels(s string) ([]Shell, bool) {
	if s == "" {
		return nil, false
	}
	if s == "K" {
		return []Shell{K}, true
	}
	letter := s[:1]
	var out []Shell
	for _, sub := range strings.Split(s[1:], ",") {
		sh, ok := shellOf(letter + sub)
		if !ok || slices.Contains(out, sh) {
			return nil, false
		}
		out = append(out, sh)
	}
	return out, true
}
