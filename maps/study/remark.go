package study

import (
	"slices"
	"strings"
)

// FieldRemarks returns what list says of the fields, each text once, behind the names
// of the fields it holds for.
func (r *Result) FieldRemarks(list func(*FieldResult) []string) []string {
	var texts []string
	names := map[string][]string{}
	for i := range r.Fields {
		f := &r.Fields[i]
		for _, text := range list(f) {
			switch {
			case names[text] == nil:
				texts = append(texts, text)
			case slices.Contains(names[text], f.Name):
				continue
			}
			names[text] = append(names[text], f.Name)
		}
	}
	out := make([]string, len(texts))
	for i, text := range texts {
		of := strings.Join(names[text], ", ")
		if n := len(names[text]); n > 1 && n == len(r.Fields) {
			of = "all fields"
		}
		out[i] = of + ": " + text
	}
	return out
}
