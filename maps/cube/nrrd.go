package cube

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
)

// Bounds on NRRD headers. Headers of real files are below 1 kB; a LIST of
// one file per channel may take some 100 kB.
const (
	maxHeaderBytes = 4 << 20
	maxDataFiles   = 1 << 20
	maxNRRDAxes    = 16 // NRRD_DIM_MAX of the reference implementation
)

// nrrd is a parsed NRRD header. Per-axis slices are in the order of the file,
// fastest axis first, and are empty when the field is absent.
type nrrd struct {
	dim         int
	val         value
	typeName    string
	sizes       []int
	spacings    []float64
	mins, maxs  []float64
	centers     []string
	kinds       []string
	labels      []string
	units       []string
	directions  [][]float64 // nil vector = none
	spaceUnits  []string
	encoding    codec
	hasEncoding bool
	endian      Endian
	dataFiles   []string
	detached    bool
	subdim      int // of LIST or pattern, 0 = not given
	lineSkip    int
	byteSkip    int64
	content     string
	keys        []KeyValue
	warnings    []string

	seen map[string]int // field → line
	line int
}

// nrrdTypes maps the spellings of the types to what is stored; the byte order
// comes from another field.
var nrrdTypes = map[string]value{
	"signed char": {signed, 1, false}, "int8": {signed, 1, false}, "int8_t": {signed, 1, false},
	"unsigned char": {unsigned, 1, false}, "uchar": {unsigned, 1, false}, "uint8": {unsigned, 1, false}, "uint8_t": {unsigned, 1, false},
	"short": {signed, 2, false}, "short int": {signed, 2, false}, "signed short": {signed, 2, false}, "signed short int": {signed, 2, false}, "int16": {signed, 2, false}, "int16_t": {signed, 2, false},
	"unsigned short": {unsigned, 2, false}, "ushort": {unsigned, 2, false}, "unsigned short int": {unsigned, 2, false}, "uint16": {unsigned, 2, false}, "uint16_t": {unsigned, 2, false},
	"int": {signed, 4, false}, "signed int": {signed, 4, false}, "int32": {signed, 4, false}, "int32_t": {signed, 4, false},
	"unsigned int": {unsigned, 4, false}, "uint": {unsigned, 4, false}, "uint32": {unsigned, 4, false}, "uint32_t": {unsigned, 4, false},
	"longlong": {signed, 8, false}, "long long": {signed, 8, false}, "long long int": {signed, 8, false}, "signed long long": {signed, 8, false}, "signed long long int": {signed, 8, false}, "int64": {signed, 8, false}, "int64_t": {signed, 8, false},
	"ulonglong": {unsigned, 8, false}, "unsigned long long": {unsigned, 8, false}, "unsigned long long int": {unsigned, 8, false}, "uint64": {unsigned, 8, false}, "uint64_t": {unsigned, 8, false},
	"float": {floating, 4, false}, "double": {floating, 8, false},
}

// readNRRD reads a header from r and returns it with its length in bytes,
// which includes the empty line. Errors are ParseErrors for file name.
func readNRRD(r io.Reader, name string) (*nrrd, int64, error) {
	h := &nrrd{seen: map[string]int{}}
	fail := func(err error) (*nrrd, int64, error) {
		return nil, 0, &ParseError{File: name, Line: h.line, Err: err}
	}
	br := bufio.NewReaderSize(io.LimitReader(r, maxHeaderBytes), 4096)
	var length int64
	list, ended := false, false
	for !ended {
		raw, err := br.ReadBytes('\n')
		if err != nil && !errors.Is(err, io.EOF) {
			return fail(err)
		}
		ended = err != nil
		length += int64(len(raw))
		if length >= maxHeaderBytes {
			return fail(fmt.Errorf("header of more than %d bytes", maxHeaderBytes))
		}
		if len(raw) == 0 {
			break
		}
		h.line++
		text := string(bytes.TrimRight(raw, "\r\n"))
		switch {
		case h.line == 1:
			if len(text) != 8 || !strings.HasPrefix(text, "NRRD000") || text[7] < '1' || text[7] > '5' {
				return fail(fmt.Errorf("first line %.20q; NRRD0001 to NRRD0005 can be read", text))
			}
		case text == "":
			ended = true
		case list:
			h.dataFiles = append(h.dataFiles, text)
		case text[0] == '#':
		default:
			if err := h.parseLine(text); err != nil {
				return fail(err)
			}
			list = h.detached && h.dataFiles == nil
		}
	}
	h.line = 0
	if err := h.check(); err != nil {
		return fail(err)
	}
	return h, length, nil
}

// parseLine reads a field or a key/value pair.
func (h *nrrd) parseLine(text string) error {
	colon, pair := strings.Index(text, ": "), strings.Index(text, ":=")
	if pair >= 0 && (colon < 0 || pair < colon) {
		key := strings.TrimSpace(text[:pair])
		h.keys = append(h.keys, KeyValue{key, unescapeNRRD(strings.TrimSpace(text[pair+2:]))})
		return nil
	}
	if colon < 0 {
		if before, ok := strings.CutSuffix(text, ":"); ok {
			return fmt.Errorf("field %q has no value", before)
		}
		return fmt.Errorf("%.60q is neither field: value (colon and blank) nor key:=value", text)
	}
	spelled := text[:colon]
	field := strings.ToLower(strings.ReplaceAll(spelled, " ", ""))
	if field == "centerings" {
		field = "centers"
	}
	if line, ok := h.seen[field]; ok {
		return fmt.Errorf("field %q was already set in line %d", spelled, line)
	}
	h.seen[field] = h.line
	if err := h.setField(field, strings.TrimSpace(text[colon+2:]), spelled); err != nil {
		return fmt.Errorf("%s: %w", spelled, err)
	}
	return nil
}

func (h *nrrd) setField(field, v, spelled string) (err error) {
	switch field {
	case "sizes", "spacings", "axismins", "axismaxs", "centers", "kinds", "labels", "units", "spacedirections", "thicknesses":
		if h.dim == 0 {
			return errors.New("stands before the field dimension")
		}
	}
	switch field {
	case "dimension":
		if h.dim, err = parsePositive(v); err == nil && h.dim > maxNRRDAxes {
			err = fmt.Errorf("%d axes; up to %d are possible", h.dim, maxNRRDAxes)
		}
	case "type":
		h.typeName = strings.ToLower(v)
		var ok bool
		if h.val, ok = nrrdTypes[h.typeName]; !ok {
			return fmt.Errorf("type %q cannot hold counts; integers of 8 to 64 bits, float and double can be read", v)
		}
	case "sizes":
		for _, f := range strings.Fields(v) {
			n, err := parsePositive(f)
			if err != nil {
				return err
			}
			h.sizes = append(h.sizes, n)
		}
		return h.checkCount(len(h.sizes))
	case "spacings":
		h.spacings, err = h.numbers(v)
	case "axismins":
		h.mins, err = h.numbers(v)
	case "axismaxs":
		h.maxs, err = h.numbers(v)
	case "centers":
		h.centers = strings.Fields(strings.ToLower(v))
		return h.checkCount(len(h.centers))
	case "kinds":
		h.kinds = strings.Fields(strings.ToLower(v))
		return h.checkCount(len(h.kinds))
	case "labels":
		if h.labels, err = quoted(v); err == nil {
			err = h.checkCount(len(h.labels))
		}
	case "units":
		if h.units, err = quoted(v); err == nil {
			err = h.checkCount(len(h.units))
		}
	case "spaceunits":
		h.spaceUnits, err = quoted(v)
	case "spacedirections":
		h.directions, err = vectors(v)
		if err == nil {
			err = h.checkCount(len(h.directions))
		}
	case "encoding":
		h.hasEncoding = true
		switch strings.ToLower(v) {
		case "raw":
		case "gzip", "gz":
			h.encoding = gzipped
		default:
			return fmt.Errorf("encoding %q cannot be read; raw and gzip can", v)
		}
	case "endian":
		h.endian, err = ParseEndian(v)
		if err != nil {
			return fmt.Errorf("%q; little or big", v)
		}
	case "datafile":
		return h.setDataFile(v)
	case "lineskip":
		if h.lineSkip, err = strconv.Atoi(v); err != nil || h.lineSkip < 0 {
			return fmt.Errorf("%q is not a whole number ≥ 0", v)
		}
	case "byteskip":
		if h.byteSkip, err = strconv.ParseInt(v, 10, 64); err != nil || h.byteSkip < -1 {
			return fmt.Errorf("%q is not a whole number ≥ −1", v)
		}
	case "content":
		h.content = v
	case "thicknesses", "min", "max", "oldmin", "oldmax", "number", "sampleunits", "space", "spacedimension", "spaceorigin", "measurementframe", "blocksize":
		// Known to the format, of no use for counts.
	default:
		h.keys = append(h.keys, KeyValue{spelled, v})
		h.warnings = append(h.warnings, fmt.Sprintf("line %d: field %q is unknown and was kept as text", h.line, spelled))
	}
	return err
}

func (h *nrrd) checkCount(n int) error {
	if n != h.dim {
		return fmt.Errorf("%d entries for %d axes", n, h.dim)
	}
	return nil
}

// numbers reads one number per axis; nan means "not applicable".
func (h *nrrd) numbers(s string) ([]float64, error) {
	var out []float64
	for _, f := range strings.Fields(s) {
		v, err := parseNumber(f)
		if err != nil {
			return nil, err
		}
		out = append(out, v)
	}
	return out, h.checkCount(len(out))
}

// setDataFile reads the three forms of the field: a name, LIST, a pattern.
func (h *nrrd) setDataFile(v string) error {
	h.detached = true
	fields := strings.Fields(v)
	if len(fields) == 0 {
		return errors.New("no name")
	}
	var err error
	if fields[0] == "LIST" && len(fields) <= 2 {
		if len(fields) == 2 {
			h.subdim, err = parsePositive(fields[1])
		}
		return err
	}
	if !strings.Contains(fields[0], "%") || len(fields) < 4 || len(fields) > 5 {
		h.dataFiles = []string{v}
		return nil
	}
	if len(fields) == 5 {
		if h.subdim, err = parsePositive(fields[4]); err != nil {
			return err
		}
	}
	var limits [3]int // first, last, step
	for i := range limits {
		if limits[i], err = strconv.Atoi(fields[i+1]); err != nil {
			return fmt.Errorf("%q is not a whole number", fields[i+1])
		}
	}
	h.dataFiles, err = expandPattern(fields[0], limits[0], limits[1], limits[2])
	return err
}

// expandPattern makes the names of a pattern with one %d, %3d or %03d.
func expandPattern(pattern string, first, last, step int) ([]string, error) {
	before, after, _ := strings.Cut(pattern, "%")
	width, after, ok := strings.Cut(after, "d")
	digits := strings.TrimLeft(width, "0")
	n, err := strconv.Atoi("0" + digits)
	if !ok || strings.Contains(after, "%") || err != nil || n > 20 || strings.ContainsAny(width, "+-") {
		return nil, fmt.Errorf("pattern %q; one %%d or %%03d is possible", pattern)
	}
	if step == 0 || (last-first)/step < 0 || (last-first)/step >= maxDataFiles {
		return nil, fmt.Errorf("numbers from %d to %d in steps of %d", first, last, step)
	}
	format := "%" + width + "d"
	var names []string
	for k := range (last-first)/step + 1 {
		names = append(names, before+fmt.Sprintf(format, first+k*step)+after)
	}
	return names, nil
}

// check reports required fields that are missing.
func (h *nrrd) check() error {
	for _, field := range []string{"dimension", "type", "sizes", "encoding"} {
		if h.seen[field] == 0 {
			return fmt.Errorf("required field %q is missing", field)
		}
	}
	if h.detached && len(h.dataFiles) == 0 {
		return errors.New("data file: LIST without names")
	}
	if len(h.dataFiles) > maxDataFiles {
		return fmt.Errorf("%d data files; up to %d are read", len(h.dataFiles), maxDataFiles)
	}
	if h.byteSkip < 0 && len(h.dataFiles) > 1 {
		return errors.New("byte skip −1 with several data files")
	}
	for i, d := range h.directions {
		if d != nil && (i < len(h.spacings) && !math.IsNaN(h.spacings[i]) || i < len(h.mins) && !math.IsNaN(h.mins[i]) || i < len(h.maxs) && !math.IsNaN(h.maxs[i]) || i < len(h.units) && h.units[i] != "") {
			return fmt.Errorf("axis %d has a direction and also a spacing, min, max or unit", i)
		}
	}
	return nil
}
