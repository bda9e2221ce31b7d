package study

import (
	"fmt"

	"example.org/fleck/maps/cube"
	"example.org/fleck/maps/scene"
)

// FromScene returns the study of a simulated scene; cubes are its rendered
// fields in order. It panics when their number is not that of the fields.
func FromScene(sc *scene.Scene, cubes []*cube.Memory) *Study {
	fields := sc.Fields()
	if len(cubes) != len(fields) {
		panic(fmt.Sprintf("study: %d cubes for %d fields", len(cubes), len(fields)))
	}
	s := &Study{Title: sc.Title, Target: sc.Target, Substrate: sc.Substrate, Coating: sc.Coating, Order: sc.Order, Confusers: sc.Confusers}
	for i, f := range fields {
		s.Fields = append(s.Fields, FieldInput{Field: f, Source: cubes[i], Input: "simulated"})
	}
	return s
}
