package record

import (
	"bytes"
	"encoding/json"
	"math"
	"strings"
	"testing"

	"example.org/fleck/maps"
)

// A missing number is null with its reason, keys keep their order, and signs of
// markup stay as they are; the text is valid JSON.
func TestObject(t *testing.T) {
	o := Of("b", 1, "a", "<x & y>")
	o.Number("n", math.NaN(), "")
	o.Number("i", math.Inf(1), "")
	o.Number("r", math.NaN(), "why")
	o.Set("b", 2)
	data, err := Document(o)
	if err != nil {
		t.Fatal(err)
	}
	const want = `{"b":2,"a":"<x & y>","n":null,"n_reason":"not known","i":null,"i_reason":"infinite","r":null,"r_reason":"why"}`
	var plain bytes.Buffer
	if err := json.Compact(&plain, data); err != nil {
		t.Fatal(err)
	}
	if plain.String() != want {
		t.Errorf("got %s, want %s", plain.String(), want)
	}
}

func TestDocumentError(t *testing.T) {
	if _, err := Document(Of("x", math.NaN())); err == nil || !strings.Contains(err.Error(), "x") {
		t.Errorf("NaN by Set: error %v, want one that names the key", err)
	}
}

func TestOfOddPanics(t *testing.T) {
	defer func() {
		if recover() == nil {
			t.Error("a key without a value was taken")
		}
	}()
	Of(keysOnly("a")...)
}

func keysOnly(list ...string) []any {
	var out []any
	for _, s := range list {
		out = append(out, s)
	}
	return out
}

// The table has a cell for every column and none for missing numbers.
func TestSpotTable(t *testing.T) {
	s := maps.Spot{ID: 3, XPx: 1.5, YPx: 2, XUm: math.NaN(), YUm: math.NaN(), Verdict: maps.CannotTell}
	var b strings.Builder
	if err := SpotTable(&b, 1, []string{"field"}, Spots(Of("field", "a,b"), []maps.Spot{s}, Of("beam_kev", 10.0))); err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(b.String(), "\n")
	if len(lines) != 4 || lines[0] != "# fleck_format: 1" || !strings.HasPrefix(lines[1], "field,id,x_px,y_px,x_um,") {
		t.Fatalf("got %q", lines)
	}
	if !strings.HasPrefix(lines[2], `"a,b",3,1.5,2,,,`) || strings.Count(lines[2], ",") != strings.Count(lines[1], ",")+1 {
		t.Errorf("row %q", lines[2])
	}
}
