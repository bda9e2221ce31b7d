package study

import (
	"context"
	"math"
	"strings"
	"testing"

	"example.org/fleck/maps/cube"
)

// TestWriteEmptyField runs and writes a study one of whose fields holds no
// counts.
func TestWriteEmptyField(t *testing.T) {
	notShort(t)
	cubes, err := smallCubes()
	if err != nil {
		t.Fatal(err)
	}
	none, err := cube.NewMemory(cubes[0].Header())
	if err != nil {
		t.Fatal(err)
	}
	st := FromScene(small(), []*cube.Memory{none, cubes[1]})
	st.Options = Options{Bootstrap: 39, Seed: 3, NoLimit: true}
	r, err := Run(context.Background(), st, nil)
	if err != nil {
		t.Fatal(err)
	}
	files := written(t, r, WriteOptions{})
	for _, name := range []string{"t1/ti_k.png", "t1/likelihood.npy", "t1/spots.png", "index.html"} {
		if len(files[name]) == 0 {
			t.Errorf("no file %s", name)
		}
	}
	reasons(t, "result.json", decode(t, files["result.json"]))
	if n := r.Fields[0].Maps.Empty; n != 48*48 {
		t.Errorf("%d empty pixels, want all", n)
	}
}

// TestWriteNoValues writes maps without any value.
func TestWriteNoValues(t *testing.T) {
	r := changed(t)
	for i := range r.Fields {
		m := *r.Fields[i].Maps
		m.Stacks = append(m.Stacks[:0:0], m.Stacks...)
		for k := range m.Stacks {
			v := append([]float64(nil), m.Stacks[k].Value.V...)
			for p := range v {
				v[p] = math.NaN()
			}
			m.Stacks[k].Value.V = v
		}
		r.Fields[i].Maps = &m
	}
	if files := written(t, r, WriteOptions{}); len(files["maps_ti_k.png"]) == 0 {
		t.Error("no panel")
	}
}

// TestWriteOwnNotFitted writes a study whose fit leaves out the element that
// tells the target.
func TestWriteOwnNotFitted(t *testing.T) {
	r := changed(t)
	r.Target.Own = "Zr L"
	page := string(written(t, r, WriteOptions{})["index.html"])
	if !strings.Contains(page, "No map of the target’s own line") {
		t.Error("the page does not say that there is no map")
	}
}
