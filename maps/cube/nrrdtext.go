package cube

import (
	"fmt"
	"math"
	"path"
	"strconv"
	"strings"
)

// neighbour resolves the name of a data file against the folder of the header,
// which it must not leave.
func neighbour(header, name string) (string, error) {
	if strings.ContainsAny(name, "\\\x00") || path.IsAbs(name) || len(name) > 1 && name[1] == ':' {
		return "", fmt.Errorf("data file %q; only names inside the folder of the header, with forward slashes, are opened", name)
	}
	clean := path.Clean(name)
	if clean == "." || clean == ".." || strings.HasPrefix(clean, "../") {
		return "", fmt.Errorf("data file %q leaves the folder of the header", name)
	}
	return path.Join(path.Dir(header), clean), nil
}

// quoted reads "a" "b" …; inside quotes \" stands for a quote.
func quoted(s string) ([]string, error) {
	out := []string{}
	for s = strings.TrimSpace(s); s != ""; s = strings.TrimSpace(s) {
		if s[0] != '"' {
			return nil, fmt.Errorf("%.40q is not in double quotes", s)
		}
		var b strings.Builder
		i := 1
		for ; i < len(s) && s[i] != '"'; i++ {
			if s[i] == '\\' && i+1 < len(s) && s[i+1] == '"' {
				i++
			}
			b.WriteByte(s[i])
		}
		if i >= len(s) {
			return nil, fmt.Errorf("%.40q has no closing quote", s)
		}
		out = append(out, b.String())
		s = s[i+1:]
	}
	return out, nil
}

// vectors reads "(a,b) none (c,d)"; none gives nil.
func vectors(s string) ([][]float64, error) {
	var out [][]float64
	for s = strings.TrimSpace(s); s != ""; s = strings.TrimSpace(s) {
		if rest, ok := strings.CutPrefix(s, "none"); ok {
			out, s = append(out, nil), rest
			continue
		}
		inside, rest, ok := strings.Cut(s, ")")
		if !ok || !strings.HasPrefix(inside, "(") {
			return nil, fmt.Errorf("%.40q is neither (a,b,…) nor none", s)
		}
		var v []float64
		for _, f := range strings.Split(inside[1:], ",") {
			x, err := parseNumber(strings.TrimSpace(f))
			if err != nil {
				return nil, err
			}
			v = append(v, x)
		}
		out, s = append(out, v), rest
	}
	return out, nil
}

func parsePositive(s string) (int, error) {
	n, err := strconv.Atoi(s)
	if err != nil || n <= 0 || s[0] == '+' {
		return 0, fmt.Errorf("%q is not a whole number above 0", s)
	}
	return n, nil
}

// parseNumber reads a decimal number or nan. strconv alone would also take
// hexadecimal numbers, underscores and infinities.
func parseNumber(s string) (float64, error) {
	if strings.EqualFold(s, "nan") {
		return math.NaN(), nil
	}
	if s == "" || strings.Trim(s, "0123456789+-.eE") != "" {
		return 0, fmt.Errorf("%q is not a number", s)
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		return 0, fmt.Errorf("%q is not a number", s)
	}
	return v, nil
}

// unescapeNRRD turns \n into a newline and \\ into a backslash.
func unescapeNRRD(s string) string {
	return strings.NewReplacer(`\\`, `\`, `\n`, "\n").Replace(s)
}

func escapeNRRD(s string) string {
	return strings.NewReplacer(`\`, `\\`, "\n", `\n`).Replace(s)
}
