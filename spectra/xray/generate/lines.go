package main

import (
	"fmt"
	"os"
	"regexp"
	"strconv"
	"strings"
)

// Limits of lines.csv.
const (
	minLineEnergy = 30   // eV; nothing below it is recorded by a spectrometer
	minRate       = 1e-6 // forbidden transitions below it are dropped
)

// lineNumber is one macro of the header: initial level, final level or group, number.
type lineNumber struct {
	initial, final string
	number         int
}

// readLineNumbers finds the macros such as KL3_LINE -3 for initial levels K to M5.
func readLineNumbers(path string) ([]lineNumber, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	macro := regexp.MustCompile(`(?m)^#define (K|L[1-3]|M[1-5])([L-Q][0-9]*)_LINE (-[0-9]+)`)
	var out []lineNumber
	for _, m := range macro.FindAllStringSubmatch(string(b), -1) {
		n, err := strconv.Atoi(m[3])
		if err != nil {
			return nil, err
		}
		out = append(out, lineNumber{m[1], m[2], n})
	}
	if len(out) < 200 {
		return nil, fmt.Errorf("%s: found %d lines only", path, len(out))
	}
	return out, nil
}

// group is an unresolved final level of libxrl and how its rate is shared out: by the statistical weight of the
// levels, and 9:1 for L3-O5:L3-O4 as for L3-M5:L3-M4.
var groups = map[string][]struct {
	final string
	share float64
}{
	"O": {{"O2", 1. / 3}, {"O3", 2. / 3}}, "P": {{"P2", 1. / 3}, {"P3", 2. / 3}}, "N67": {{"N7", 1}},
	"O45": {{"O4", 0.1}, {"O5", 0.9}}, "P23": {{"P2", 1. / 3}, {"P3", 2. / 3}}, "P45": {{"P4", 0.1}, {"P5", 0.9}},
}

// line is one row of lines.csv in the making.
type line struct {
	energy sourced
	rate   sourced
}

func lineTable(numbers []lineNumber, measured map[lineKey]measuredEnergy) string {
	all := map[lineKey]*line{}
	get := func(k lineKey) *line {
		if all[k] == nil {
			all[k] = &line{energy: sourced{0, "TOI"}, rate: sourced{0, "SCOF"}}
		}
		return all[k]
	}
	for z := 1; z <= maxZ; z++ {
		for _, n := range numbers {
			energy, rate := xrlLineEnergy(z, n.number), xrlRate(z, n.number)
			parts, unresolved := groups[n.final]
			if !unresolved {
				l := get(lineKey{z, n.initial, n.final})
				l.energy.value = energy
				l.rate.value += rate
				continue
			}
			if rate <= 0 {
				continue
			}
			for _, p := range parts {
				l := get(lineKey{z, n.initial, p.final})
				if l.energy.value == 0 {
					l.energy.value = energy
				}
				l.rate.value += rate * p.share
			}
		}
	}
	for k, m := range measured {
		get(k).energy = m.sourced
	}
	for z := 1; z <= maxZ; z++ {
		fillBlends(z, get, measured)
		fillRates(z, get)
	}
	return printLines(all)
}

// fillBlends gives the energy of an unresolved group to its members that the source does not list, so that members of
// one peak do not lie apart because they come from different tables.
func fillBlends(z int, get func(lineKey) *line, measured map[lineKey]measuredEnergy) {
	copyTo := func(initial, from, to string, always bool) {
		m, ok := measured[lineKey{z, initial, from}]
		_, own := measured[lineKey{z, initial, to}]
		if ok && !own && (m.blend != "" || always) {
			get(lineKey{z, initial, to}).energy = m.sourced
		}
	}
	copyTo("K", "L3", "L2", z <= 10) // one peak up to Ne
	copyTo("K", "M3", "M2", false)
	copyTo("L3", "M5", "M4", false)
	copyTo("L3", "N5", "N4", false)
	copyTo("L3", "N7", "N6", false)
	copyTo("L1", "M3", "M2", false)
	// The Booklet gives M5-N7 only. M5-N6 and M4-N6 move with it: for Re and Pb the levels of libxrl are off by 5 and
	// 2 eV, and Mb of W to U then agrees with Bearden 1967 within 1 eV (values from memory, unverified).
	if m, ok := measured[lineKey{z, "M5", "N7"}]; ok {
		n7 := xrlLineEnergy(z, xrlM5N7)
		for _, initial := range []string{"M5", "M4"} {
			if n6 := get(lineKey{z, initial, "N6"}); n6.energy.value > 0 && n7 > 0 {
				n6.energy = sourced{n6.energy.value + m.value - n7, "TOIM"}
			}
		}
		if n6 := get(lineKey{z, "M5", "N6"}); n6.energy.value <= 0 {
			n6.energy = m.sourced
		}
	}
}

// fillRates puts in the rates that libxrl lacks.
func fillRates(z int, get func(lineKey) *line) {
	set := func(initial, final string, rate float64, source string) {
		l := get(lineKey{z, initial, final})
		l.rate = sourced{rate, source}
	}
	switch {
	case z == 3 || z == 4: // one peak, K-L2,3 by statistical weight
		set("K", "L2", 1./3, "STAT")
		set("K", "L3", 2./3, "STAT")
	case z == 11 || z == 12: // Kb of the valence band, order of magnitude
		kb := map[int]float64{11: 0.002, 12: 0.005}[z]
		set("K", "M2", kb/3, "ESTI")
		set("K", "M3", kb*2/3, "ESTI")
	case z >= 40 && z <= 47: // rates of Cd, the lightest element that has them
		const cadmium = 48
		for _, t := range []lineNumber{{"M4", "N2", xrlM4N2}, {"M4", "N3", xrlM4N3}, {"M5", "N3", xrlM5N3}} {
			set(t.initial, t.final, xrlRate(cadmium, t.number), "MTRE")
		}
	case z >= 57 && z <= 63: // straight line through Gd to Yb
		if mb := get(lineKey{z, "M4", "N6"}); mb.energy.value <= 0 { // La, Eu; from Ma and the edges
			ma := get(lineKey{z, "M5", "N7"}).energy
			mb.energy = sourced{ma.value + xrlEdge(z, 7) - xrlEdge(z, 8), "ESTI"}
		}
		for _, m := range []struct {
			initial string
			lines   []lineNumber
		}{
			{"M5", []lineNumber{{"M5", "N6", xrlM5N6}, {"M5", "N7", xrlM5N7}}},
			{"M4", []lineNumber{{"M4", "N6", xrlM4N6}, {"M4", "N7", xrlM4N7}}},
		} {
			sum := 0.0
			for _, t := range m.lines {
				r := trend(z, func(z int) float64 { return xrlRate(z, t.number) })
				if get(lineKey{z, m.initial, t.final}).energy.value > 0 {
					set(m.initial, t.final, r, "MTRE")
					sum += r
				}
			}
			for _, final := range levels { // the other lines share what is left
				if l := get(lineKey{z, m.initial, final}); final != "N6" && final != "N7" {
					l.rate.value *= 1 - sum
				}
			}
		}
	}
}

// trend is the least-squares straight line through f(64) … f(70), at z.
func trend(z int, f func(int) float64) float64 {
	const first, last = 64, 70
	var n, sx, sy, sxx, sxy float64
	for x := first; x <= last; x++ {
		y := f(x)
		n, sx, sy, sxx, sxy = n+1, sx+float64(x), sy+y, sxx+float64(x*x), sxy+float64(x)*y
	}
	slope := (n*sxy - sx*sy) / (n*sxx - sx*sx)
	return max(0, sy/n+slope*(float64(z)-sx/n))
}

// printLines drops what has no usable energy and scales the rates of each sub-shell to 1.
func printLines(all map[lineKey]*line) string {
	var b strings.Builder
	b.WriteString("z,initial,final,energy_ev,rate,energy_source,rate_source\n")
	for z := 1; z <= maxZ; z++ {
		for _, initial := range levels[:inner] {
			sum := 0.0
			for _, final := range levels {
				if l := all[lineKey{z, initial, final}]; l != nil && l.energy.value >= minLineEnergy && l.rate.value >= minRate {
					sum += l.rate.value
				}
			}
			for _, final := range levels {
				l := all[lineKey{z, initial, final}]
				if l == nil || l.energy.value < minLineEnergy {
					continue
				}
				rate, source := 0.0, "NONE"
				if l.rate.value >= minRate {
					rate, source = l.rate.value/sum, l.rate.source
				} else if l.energy.source == "TOI" { // a level difference without a rate says nothing
					continue
				}
				fmt.Fprintf(&b, "%d,%s,%s,%s,%s,%s,%s\n", z, initial, final, format(l.energy.value, 7), format(rate, 5),
					l.energy.source, source)
			}
		}
	}
	return b.String()
}
