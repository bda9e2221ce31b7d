package study

import (
	"slices"
	"testing"

	"example.org/fleck/maps"
)

// TestFieldRemarks: what holds for several fields is said once, with their names.
func TestFieldRemarks(t *testing.T) {
	said := map[string][]string{
		"T1": {"none offered", "coarse", "coarse"},
		"T2": {"none offered", "phases"},
		"B1": {"none offered", "coarse"},
	}
	r := Result{}
	for _, name := range []string{"T1", "T2", "B1"} {
		r.Fields = append(r.Fields, FieldResult{Field: maps.Field{Name: name}})
	}
	list := func(f *FieldResult) []string { return said[f.Name] }
	want := []string{"all fields: none offered", "T1, B1: coarse", "T2: phases"}
	if got := r.FieldRemarks(list); !slices.Equal(got, want) {
		t.Errorf("remarks %q, want %q", got, want)
	}
	r.Fields = r.Fields[:1]
	want = []string{"T1: none offered", "T1: coarse"}
	if got := r.FieldRemarks(list); !slices.Equal(got, want) {
		t.Errorf("remarks of one field %q, want %q", got, want)
	}
}
