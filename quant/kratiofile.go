package quant

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
)

// maxKRatios is the number of k-ratios accepted in one table: more than there are
// elements with lines.
const maxKRatios = 200

// ReadKRatios reads a table of k-ratios with a line of column names: element,
// line and k_ratio, in any order, and sigma where the standard uncertainty is
// known. line is a family ("K"), a line ("K-L3" or "Ka1"), or either with the
// element before it. Other columns are left alone, and so are empty lines and
// lines that start with #. Errors name the line of the file.
func ReadKRatios(r io.Reader) ([]KRatio, error) {
	in := csv.NewReader(r)
	in.Comment = '#'
	in.TrimLeadingSpace = true
	head, err := in.Read()
	if errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("quant: table of k-ratios: empty; expected a line of column names element,line,k_ratio,sigma")
	}
	if err != nil {
		return nil, fmt.Errorf("quant: table of k-ratios: %w", err)
	}
	for i := range head {
		head[i] = strings.ToLower(strings.TrimSpace(strings.TrimPrefix(head[i], "\ufeff")))
	}
	if len(head) == 1 && strings.ContainsAny(head[0], ";\t") {
		return nil, fmt.Errorf("quant: table of k-ratios: line 1: %q holds no comma; columns are separated by commas, decimals by points: element,line,k_ratio,sigma", head[0])
	}
	at := map[string]int{}
	for _, name := range []string{"element", "line", "k_ratio", "sigma"} {
		at[name] = slices.Index(head, name)
		if at[name] < 0 && name != "sigma" {
			return nil, fmt.Errorf("quant: table of k-ratios: no column %q among %s; expected element,line,k_ratio,sigma", name, strings.Join(head, ","))
		}
	}
	var out []KRatio
	for {
		row, err := in.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, fmt.Errorf("quant: table of k-ratios: %w", err)
		}
		line, _ := in.FieldPos(0)
		k, err := kratioOf(row, at)
		if err != nil {
			return nil, fmt.Errorf("quant: table of k-ratios: line %d: %w", line, err)
		}
		if slices.ContainsFunc(out, func(o KRatio) bool { return o.Element == k.Element }) {
			return nil, fmt.Errorf("quant: table of k-ratios: line %d: a second k-ratio of %s; one peak of each element is accepted", line, k.Element)
		}
		if len(out) == maxKRatios {
			return nil, fmt.Errorf("quant: table of k-ratios: line %d: more than %d k-ratios", line, maxKRatios)
		}
		out = append(out, k)
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("quant: table of k-ratios: no rows below the column names")
	}
	return out, nil
}

// kratioOf reads one row.
func kratioOf(row []string, at map[string]int) (KRatio, error) {
	field := func(name string) string { return strings.TrimSpace(row[at[name]]) }
	name := field("line")
	if !strings.Contains(name, " ") {
		name = field("element") + " " + name
	}
	p, err := ParsePeak(name)
	if err != nil {
		return KRatio{}, err
	}
	if p.Element.Symbol() != field("element") {
		return KRatio{}, fmt.Errorf("line %q beside element %q", name, field("element"))
	}
	k := KRatio{Peak: p}
	if k.Value, err = strconv.ParseFloat(field("k_ratio"), 64); err != nil || math.IsNaN(k.Value) || math.IsInf(k.Value, 0) {
		return k, fmt.Errorf("k_ratio %q of %s; a finite number is accepted", field("k_ratio"), p)
	}
	if at["sigma"] >= 0 && field("sigma") != "" {
		if k.Sigma, err = strconv.ParseFloat(field("sigma"), 64); err != nil || !(k.Sigma >= 0) || math.IsInf(k.Sigma, 0) {
			return k, fmt.Errorf("sigma %q of %s; a finite number of at least 0 is accepted", field("sigma"), p)
		}
	}
	return k, nil
}
