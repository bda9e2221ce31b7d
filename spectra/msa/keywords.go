package msa

import "strings"

// keywordKind is the type of a keyword's value.
type keywordKind uint8

const (
	textValue keywordKind = iota
	numberValue
	codeValue // one of a list of codes
)

// keywordInfo describes one keyword of the format.
type keywordInfo struct {
	name     string
	kind     keywordKind
	dim      dimension
	unit     string // standard unit tag, "" if none
	codes    []string
	required bool
}

// keywordTable holds the keywords of the format, the required ones first in
// their canonical order. Names, units and codes from memory of version 1.0
// (1991), unverified; the codes of silicon drift detectors (SD…) belong to
// version 2.0, unverified and in doubt.
var keywordTable = []keywordInfo{
	{name: "FORMAT", required: true},
	{name: "VERSION", required: true},
	{name: "TITLE", required: true},
	{name: "DATE", required: true},
	{name: "TIME", required: true},
	{name: "OWNER", required: true},
	{name: "NPOINTS", kind: numberValue, required: true},
	{name: "NCOLUMNS", kind: numberValue, required: true},
	{name: "XUNITS", required: true},
	{name: "YUNITS", required: true},
	{name: "DATATYPE", kind: codeValue, codes: []string{"XY", "Y"}, required: true},
	{name: "XPERCHAN", kind: numberValue, dim: dimEnergy, required: true},
	{name: "OFFSET", kind: numberValue, dim: dimEnergy, required: true},
	{name: "SPECTRUM", required: true},
	{name: "ENDOFDATA", required: true},

	{name: "SIGNALTYPE", kind: codeValue, codes: []string{"EDS", "WDS", "ELS", "AES", "PES", "XRF", "CLS", "GAM"}},
	{name: "XLABEL"},
	{name: "YLABEL"},
	{name: "CHOFFSET", kind: numberValue},
	{name: "COMMENT"},

	{name: "BEAMKV", kind: numberValue, dim: dimVoltage, unit: "kV"},
	{name: "EMISSION", kind: numberValue, dim: dimCurrent, unit: "uA"},
	{name: "PROBECUR", kind: numberValue, dim: dimCurrent, unit: "nA"},
	{name: "BEAMDIAM", kind: numberValue, dim: dimLength, unit: "nm"},
	{name: "MAGCAM", kind: numberValue},
	{name: "OPERMODE", kind: codeValue, codes: []string{"IMAGE", "DIFFR", "SCIMG", "SCDIF"}},
	{name: "CONVANGLE", kind: numberValue, dim: dimAngle, unit: "mR"},

	{name: "THICKNESS", kind: numberValue, dim: dimLength, unit: "nm"},
	{name: "XTILTSTGE", kind: numberValue, dim: dimAngle, unit: "dg"},
	{name: "YTILTSTGE", kind: numberValue, dim: dimAngle, unit: "dg"},
	// No unit is fixed for positions; files give one in the tag.
	{name: "XPOSITION", kind: numberValue, dim: dimLength},
	{name: "YPOSITION", kind: numberValue, dim: dimLength},
	{name: "ZPOSITION", kind: numberValue, dim: dimLength},

	{name: "EDSDET", kind: codeValue, codes: []string{"SIBEW", "SIUTW", "SIWLS", "GEBEW", "GEUTW", "GEWLS", "SDBEW", "SDUTW", "SDWLS"}},
	{name: "ELEVANGLE", kind: numberValue, dim: dimAngle, unit: "dg"},
	{name: "AZIMANGLE", kind: numberValue, dim: dimAngle, unit: "dg"},
	{name: "SOLIDANGL", kind: numberValue, dim: dimSolidAngle, unit: "sR"},
	{name: "LIVETIME", kind: numberValue, dim: dimTime, unit: "s"},
	{name: "REALTIME", kind: numberValue, dim: dimTime, unit: "s"},
	{name: "TBEWIND", kind: numberValue, dim: dimLength, unit: "cm"},
	{name: "TAUWIND", kind: numberValue, dim: dimLength, unit: "cm"},
	{name: "TDEADLYR", kind: numberValue, dim: dimLength, unit: "cm"},
	{name: "TACTLYR", kind: numberValue, dim: dimLength, unit: "cm"},
	{name: "TALWIND", kind: numberValue, dim: dimLength, unit: "cm"},
	{name: "TPYWIND", kind: numberValue, dim: dimLength, unit: "cm"},
	{name: "TBNWIND", kind: numberValue, dim: dimLength, unit: "cm"},
	{name: "TDIWIND", kind: numberValue, dim: dimLength, unit: "cm"},
	{name: "THCWIND", kind: numberValue, dim: dimLength, unit: "cm"},

	{name: "DWELLTIME", kind: numberValue, dim: dimTime, unit: "ms"},
	{name: "INTEGTIME", kind: numberValue, dim: dimTime, unit: "ms"},
	{name: "COLLANGLE", kind: numberValue, dim: dimAngle, unit: "mR"},
	{name: "ELSDET", kind: codeValue, codes: []string{"SERIAL", "PARALL"}},

	{name: "CHECKSUM", kind: numberValue},
}

// misspelled maps common wrong names to the right ones.
var misspelled = map[string]string{
	"SOLIDANGLE": "SOLIDANGL", // nine letters, so that the unit tag fits
}

// signalSynonyms maps common wrong codes of SIGNALTYPE to the right ones.
var signalSynonyms = map[string]string{"EELS": "ELS", "XEDS": "EDS", "EDX": "EDS"}

// lookupKeyword returns the description of a keyword of the format, nil for
// others. Upper and lower case do not matter.
func lookupKeyword(name string) *keywordInfo { return keywordsByName[strings.ToUpper(name)] }

// keywordsByName holds keywordTable by name, also by the misspelled names.
var keywordsByName = func() map[string]*keywordInfo {
	byName := make(map[string]*keywordInfo, len(keywordTable)+len(misspelled))
	for i := range keywordTable {
		byName[keywordTable[i].name] = &keywordTable[i]
	}
	for wrong, right := range misspelled {
		byName[wrong] = byName[right]
	}
	return byName
}()

// requiredHeader holds the required keywords up to and including SPECTRUM.
var requiredHeader = func() (names []string) {
	for _, info := range keywordTable {
		if info.required && info.name != "ENDOFDATA" {
			names = append(names, info.name)
		}
	}
	return names
}()

// formatText is the value of FORMAT.
const formatText = "EMSA/MAS Spectral Data File"

// layout is where the parts of a header line stand. Columns count characters
// from 1; 0 means absent.
type layout struct {
	indent bool // blanks before '#'
	name   int
	tag    int // column of the tag's '-', 0 if the tag has none
	tagEnd int // column of the last character of the tag
	colon  int
	value  int
	tail   bool // blanks after the value
}

// parseKeyword splits the header line text, which begins with '#' after
// optional blanks.
//
// The name ends at the first colon. A keyword of the format without colon
// ("#SPECTRUM", "#TITLE my sample", "#TIME 14:05") is recognised by its name.
func parseKeyword(line int, text string) (Keyword, layout) {
	k := Keyword{Line: line}
	trimmed := strings.TrimLeft(text, blanks)
	l := layout{indent: len(trimmed) < len(text), tail: len(strings.TrimRight(text, blanks)) < len(text)}
	body := trimmed[1:]
	field, value, colon := strings.Cut(body, ":")
	if !colon {
		field, value = body, ""
	}
	name := strings.Trim(field, blanks)
	k.Name, k.Value = name, strings.Trim(value, blanks)
	if !k.User() && lookupKeyword(name) == nil {
		k, colon = splitField(k, name, strings.TrimLeft(body, blanks), colon)
	}
	if !colon {
		return k, l
	}
	runes := []rune("#" + field)
	column := func(i int) int { return i + 1 }
	l.colon = column(len(runes))
	l.name = column(1 + len([]rune(field)) - len([]rune(strings.TrimLeft(field, blanks))))
	if k.Unit != "" {
		end := len([]rune(strings.TrimRight("#"+field, blanks)))
		l.tagEnd = end
		if start := end - len([]rune(k.Unit)); start > 1 && runes[start-1] == '-' {
			l.tag = column(start - 1)
		}
	}
	if k.Value != "" {
		l.value = l.colon + 1 + len(value) - len(strings.TrimLeft(value, blanks))
	}
	return k, l
}

// splitField takes apart a field that is more than the name of a keyword of
// the format. rest is the line after '#'; colon says whether the field ended at
// a colon.
func splitField(k Keyword, field, body string, colon bool) (Keyword, bool) {
	end := strings.IndexAny(field, blanks+"-([")
	if end <= 0 {
		return k, colon
	}
	word, after := field[:end], field[end:]
	info := lookupKeyword(word)
	if info == nil {
		return k, colon
	}
	if info.kind == numberValue {
		if unit, ok := tagText(after); ok {
			k.Name, k.Unit = word, unit
			return k, colon
		}
		if c := strings.TrimLeft(after, blanks); strings.IndexByte("+-.", c[0]) < 0 && !isDigit(c[0]) {
			return k, colon
		}
	}
	if strings.IndexByte(blanks, after[0]) < 0 {
		return k, colon
	}
	k.Name, k.Value = word, strings.Trim(body[end:], blanks)
	return k, false
}

// width is the number of characters in s.
func width(s string) int { return len([]rune(s)) }
