package cube

import (
	"bytes"
	"fmt"
	"strings"

	"example.org/fleck/maps"
)

// readMapText reads rows of numbers. Errors are ParseErrors whose column is the
// number of the cell in its line.
func readMapText(data []byte, maxBytes int64) (maps.Map, error) {
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	var m maps.Map
	var sep byte
	firstLine, line := 0, 0
	fail := func(column int, format string, args ...any) (maps.Map, error) {
		return maps.Map{}, &ParseError{Line: line, Column: column, Err: fmt.Errorf(format, args...)}
	}
	for len(data) > 0 {
		var text string
		text, data = cutLine(data)
		line++
		if t := strings.TrimSpace(text); t == "" || t[0] == '#' {
			continue
		}
		if sep == 0 {
			sep = separator(text)
		}
		cells := splitCells(text, sep)
		if m.W == 0 {
			m.W, firstLine = len(cells), line
		}
		if len(cells) != m.W {
			return fail(0, "%d numbers; line %d, the first of the map, has %d", len(cells), firstLine, m.W)
		}
		m.H++
		if n, ok := product(8, m.W, m.H); !ok || n > maxBytes {
			return fail(0, "%d × %d pixels take more than the allowed %d bytes: %w", m.W, m.H, maxBytes, ErrTooLarge)
		}
		for i, cell := range cells {
			v, err := parseNumber(cell)
			switch {
			case err == nil:
				m.V = append(m.V, v)
			case cell == "":
				return fail(i+1, "the cell is empty; write nan where there is no value")
			case sep != ',' && strings.Count(cell, ",") == 1:
				return fail(i+1, "%.40q has a decimal comma; only the decimal point is read", cell)
			case m.H == 1:
				return fail(i+1, "%.40q is not a number (a line of column names? begin it with #)", cell)
			default:
				return fail(i+1, "%.40q is not a number", cell)
			}
		}
	}
	if m.H == 0 {
		return fail(0, "no numbers in the file")
	}
	return m, nil
}

// cutLine cuts at \n, \r\n or \r.
func cutLine(data []byte) (line string, rest []byte) {
	i := bytes.IndexAny(data, "\r\n")
	if i < 0 {
		return string(data), nil
	}
	line, rest = string(data[:i]), data[i+1:]
	if data[i] == '\r' && len(rest) > 0 && rest[0] == '\n' {
		rest = rest[1:]
	}
	return line, rest
}

// separator finds what separates the cells of a line.
func separator(line string) byte {
	for _, sep := range []byte{'\t', ';', ','} {
		if strings.IndexByte(line, sep) >= 0 {
			return sep
		}
	}
	return ' '
}

// splitCells splits a line; one empty cell at its end (a trailing separator) is
// left out.
func splitCells(line string, sep byte) []string {
	if sep == ' ' {
		return strings.Fields(line)
	}
	cells := strings.Split(line, string(sep))
	for i := range cells {
		cells[i] = strings.TrimSpace(cells[i])
	}
	if n := len(cells); n > 1 && cells[n-1] == "" {
		cells = cells[:n-1]
	}
	return cells
}
