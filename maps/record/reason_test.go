package record

import "testing"

func TestReason(t *testing.T) {
	for text, want := range map[string]string{
		"spots: no blank field":                                      "no blank field",
		"study: template: no lines above 10 eV":                      "no lines above 10 eV",
		"no comparison of field means: spots: target \"X\" is empty": "no comparison of field means: target \"X\" is empty",
		"a map of spots: none":                                       "a map of spots: none",
		"t1.raw: cube: unexpected EOF":                               "t1.raw: the file ends early",
		"maps of spots: see the fit: done":                           "maps of spots: see the fit: done",
	} {
		if got := Reason(text); got != want {
			t.Errorf("Reason(%q) = %q, want %q", text, got, want)
		}
	}
}
