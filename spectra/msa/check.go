package msa

import (
	"fmt"
	"math"
	"strings"

	"example.org/fleck/spectra"
)

// Columns of a header line: '#', a field of 12 characters with the unit tag
// right-justified, ':', a blank, the value. Values from memory of version 1.0
// (1991), unverified.
const (
	nameColumn  = 2
	fieldWidth  = 12
	tagColumn   = 13
	colonColumn = 14
	valueColumn = 16
	maxText     = 64 // characters of a text value
	maxUserName = 11
)

// checkLayout lists what is unusual about one header line.
func checkLayout(k Keyword, l layout, raw string, dev *collector) {
	name := k.Standard()
	info := lookupKeyword(k.Name)
	if l.indent {
		dev.merge(k.Line, name, "blanks before '#'")
	}
	if !ascii(raw) {
		dev.merge(k.Line, name, "characters outside 7-bit ASCII")
	}
	switch {
	case l.colon == 0:
		dev.add(k.Line, name, "no colon after the keyword")
	case l.colon != colonColumn:
		dev.merge(k.Line, name, fmt.Sprintf("colon in position %d, not %d", l.colon, colonColumn))
	}
	if l.name > nameColumn {
		dev.merge(k.Line, name, "blanks between '#' and the keyword")
	}
	switch {
	case k.User():
		if n := width(k.Name) - 1; n > maxUserName {
			dev.cosmetic(k.Line, name, "name has %d characters; at most %d fit before the colon", n, maxUserName)
		}
	case info == nil:
		dev.add(k.Line, name, "not a keyword of the format; user-defined keywords begin with ##")
	case k.Name != info.name:
		dev.add(k.Line, name, "keyword spelled %q", shorten(k.Name))
	}
	if k.Unit != "" && l.colon > 0 {
		if l.tag == 0 {
			dev.add(k.Line, name, "unit tag %q does not begin with '-'", shorten(k.Unit))
		}
		if l.tagEnd != tagColumn {
			dev.cosmetic(k.Line, name, "unit tag ends in position %d, not %d", l.tagEnd, tagColumn)
		}
	}
	if l.value > 0 && l.value != valueColumn && l.colon == colonColumn {
		dev.cosmetic(k.Line, name, "value begins in position %d, not %d", l.value, valueColumn)
	}
	if l.tail && k.Value != "" {
		dev.cosmetic(k.Line, name, "blanks after the value")
	}
	if n := width(k.Value); n > maxText && (info == nil || info.kind == textValue) {
		dev.cosmetic(k.Line, name, "text of %d characters; at most %d", n, maxText)
	}
}

// checkHeader lists what is unusual about the header as a whole and about the
// values of keywords that the spectrum does not use. end is its last line.
func checkHeader(header []Keyword, end int, dev *collector) {
	checkOrder(header, dev)
	firstLine := make(map[string]int, len(header))
	for i, k := range header {
		name := k.Standard()
		info := lookupKeyword(k.Name)
		if line, repeated := firstLine[name]; repeated {
			if info != nil && name != "COMMENT" {
				dev.add(k.Line, name, "repeated; the value on line %d is used", line)
			}
			continue
		}
		firstLine[name] = k.Line
		if info == nil {
			continue
		}
		if k.Value == "" && info.required && name != "SPECTRUM" {
			dev.add(k.Line, name, "value is empty")
		}
		if k.Value != "" {
			checkValue(k, info, dev)
		}
		switch {
		case name == "FORMAT" && (i != 0 || k.Line != 1):
			dev.add(k.Line, name, "must be line 1")
		case name == "VERSION" && (i != 1 || k.Line != 2):
			dev.add(k.Line, name, "must be line 2")
		}
	}
	for _, name := range requiredHeader {
		if _, found := firstLine[name]; !found && name != "SPECTRUM" {
			dev.add(end, name, "required keyword missing")
		}
	}
}

// checkOrder lists required keywords that stand after a later one.
func checkOrder(header []Keyword, dev *collector) {
	rank := make(map[string]int, len(requiredHeader))
	for i, name := range requiredHeader {
		rank[name] = i
	}
	highest, before := -1, ""
	for _, k := range header {
		name := k.Standard()
		r, required := rank[name]
		if !required || name == "FORMAT" || name == "VERSION" {
			continue
		}
		if r < highest {
			dev.add(k.Line, name, "out of order: it belongs before %s", before)
		} else {
			highest, before = r, name
		}
	}
}

// checkValue lists what is unusual about the value of a keyword, leaving out
// the numbers that readHeader reads.
func checkValue(k Keyword, info *keywordInfo, dev *collector) {
	switch info.name {
	case "FORMAT":
		if !strings.EqualFold(k.Value, formatText) {
			dev.add(k.Line, info.name, "value %q; expected %q", shorten(k.Value), formatText)
		} else if k.Value != formatText {
			dev.cosmetic(k.Line, info.name, "value spelled %q", shorten(k.Value))
		}
	case "VERSION":
		if k.Value != Version1 && k.Value != Version2 {
			dev.add(k.Line, info.name, "version %q is not known; %s and %s are", shorten(k.Value), Version1, Version2)
		}
	case "DATE":
		checkDate(k, dev)
	case "TIME":
		checkTime(k, dev)
	case "NCOLUMNS":
		if q := readQuantity(k, info, nil); q.ok && (wholeAbove0(q) == 0 || wholeAbove0(q) > 5) {
			dev.add(k.Line, info.name, "%q; 1 to 5 expected", shorten(k.Value))
		}
	case "NPOINTS", "XPERCHAN", "OFFSET", "CHOFFSET", "BEAMKV", "PROBECUR", "ELEVANGLE", "XTILTSTGE", "LIVETIME", "REALTIME":
	default:
		switch info.kind {
		case numberValue:
			readQuantity(k, info, dev)
		case codeValue:
			checkCode(k, info, dev)
		}
	}
}

// checkCode lists codes that are not in the list of the keyword.
func checkCode(k Keyword, info *keywordInfo, dev *collector) {
	for _, c := range info.codes {
		if k.Value == c {
			return
		}
		if strings.EqualFold(k.Value, c) {
			dev.cosmetic(k.Line, info.name, "code spelled %q, not %q", k.Value, c)
			return
		}
	}
	if info.name == "SIGNALTYPE" {
		if right, ok := signalSynonyms[strings.ToUpper(k.Value)]; ok {
			dev.add(k.Line, info.name, "code %q stands for %q", k.Value, right)
			return
		}
	}
	dev.cosmetic(k.Line, info.name, "code %q is not one of %s", shorten(k.Value), strings.Join(info.codes, ", "))
}

// cautionCounts lists counts for which Poisson statistics do not hold.
func cautionCounts(counts []float64, lineOf func(i int) int, dev *collector) {
	kind, first := spectra.CheckCounts(counts)
	if kind == spectra.WholeCounts {
		return
	}
	negative, fractional, firstFraction := 0, 0, -1
	for i, n := range counts {
		if n < 0 {
			negative++
		}
		if n != math.Trunc(n) {
			if fractional == 0 {
				firstFraction = i
			}
			fractional++
		}
	}
	if negative > 0 {
		dev.caution(lineOf(first), "", "negative counts: not raw counts (first %g in channel %d, %d of %d values)",
			counts[first], first, negative, len(counts))
	}
	if fractional > 0 {
		dev.caution(lineOf(firstFraction), "", "counts are not whole numbers: Poisson statistics do not hold (first %g in channel %d, %d of %d values)",
			counts[firstFraction], firstFraction, fractional, len(counts))
	}
}

// cautionTimes lists live and real times from which no rate or dead time can
// be had. Values that could not be read are listed already. missing is the line
// to name for a time that is not there.
func cautionTimes(live, real quantity, missing int, dev *collector) {
	l, r := live.in(0), real.in(0)
	switch {
	case !live.present:
		dev.caution(missing, "LIVETIME", "live time missing: no count rates")
	case live.ok && l <= 0:
		dev.caution(live.keyword.Line, "LIVETIME", "live time is %g s: no count rates", l)
	}
	switch {
	case !real.present:
		dev.caution(missing, "REALTIME", "real time missing: no dead time")
	case real.ok && r <= 0:
		dev.caution(real.keyword.Line, "REALTIME", "real time is %g s: no dead time", r)
	case live.ok && real.ok && l > r:
		dev.caution(live.keyword.Line, "LIVETIME", "live time %g s is longer than the real time %g s: no dead time", l, r)
	}
}

// cautionHeader lists what a header says, or leaves unsaid, that limits the
// use of the spectrum. end is its last line.
func cautionHeader(header []Keyword, v *headerValues, s spectra.Spectrum, end int, dev *collector) {
	c := s.Conditions
	cautionTimes(v.live, v.real, end, dev)
	// Electron microscopes work at 0.1 to 1000 kV and EDS channels are 2 to 40 eV
	// wide (common practice, no source): beyond, a unit is probably wrong.
	if kv := c.BeamEnergy.KeV(); v.beam.ok && (kv < 0.1 || kv > 1000) {
		dev.caution(v.beam.keyword.Line, "BEAMKV", "beam voltage of %g kV; 0.1 to 1000 expected: check the unit", kv)
	}
	if s.Calibration.Valid() && (s.GainEV < 0.5 || s.GainEV > 500) {
		line := end
		if v.xunits.Line > 0 {
			line = v.xunits.Line
		}
		dev.caution(line, "XUNITS", "channels of %.6g eV; 2 to 40 eV are usual: check the unit", s.GainEV)
	}
	if q := v.elevation; q.ok && (c.TakeOff <= 0 || c.TakeOff.Degrees() > 90) {
		dev.caution(q.keyword.Line, "ELEVANGLE", "elevation is %s; 0 to 90 degrees expected", q.text)
	}
	if v.elevation.ok && v.tilt.ok && c.Tilt != 0 {
		dev.caution(v.elevation.keyword.Line, "ELEVANGLE", "taken as take-off angle, which it is for an untilted specimen; XTILTSTGE is %g degrees", c.Tilt.Degrees())
	}
	if k, found := lookup(header, "YUNITS"); found && k.Value != "" {
		switch strings.ToLower(k.Value) {
		case "counts", "count", "cts":
		default:
			dev.caution(k.Line, "YUNITS", "%q are not counts: Poisson statistics may not hold", shorten(k.Value))
		}
	}
	if k, found := lookup(header, "SIGNALTYPE"); found && k.Value != "" {
		code := strings.ToUpper(k.Value)
		if right, ok := signalSynonyms[code]; ok {
			code = right
		}
		if code != "EDS" {
			dev.caution(k.Line, "SIGNALTYPE", "%q is not an energy-dispersive X-ray spectrum", shorten(k.Value))
		}
	}
	// CHOFFSET is the channel of energy zero; sources differ by one channel in
	// where they count from, so it never calibrates.
	if q := v.choffset; q.ok && s.Calibration.Valid() {
		if want := s.Channel(0); math.Abs(q.raw()-want) > 1+1e-6*math.Abs(want) { // 1e-6: printed digits of a channel number
			dev.add(q.keyword.Line, "CHOFFSET", "%s disagrees with −OFFSET/XPERCHAN = %.6g; not used", q.text, want)
		}
	}
}
