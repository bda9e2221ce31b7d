package main

import (
	"fmt"
	"strings"

	"example.org/fleck/spectra/xray"
)

// defaultDensities states the densities that were not given: those of the elements.
// It returns a line for the answer in words, "" when there are none.
func (e *env) defaultDensities(ms ...xray.Material) string {
	var list []string
	for _, m := range ms {
		if !m.DensityDefault || m.Density <= 0 {
			continue
		}
		list = appendNew(list, fmt.Sprintf("%s %.4g g/cm³", m.Name, m.Density))
	}
	e.setting("default_densities", texts(list), fromDefault)
	if len(list) == 0 {
		return ""
	}
	return "Default densities: " + strings.Join(list, ", ") + "\n"
}
