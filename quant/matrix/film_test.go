package matrix

import (
	"strings"
	"testing"

	"example.org/fleck/quant"
	"example.org/fleck/spectra/xray"
)

// TestComputedFilms compares the k-ratios of films with the vectors, with their
// photon data.
func TestComputedFilms(t *testing.T) {
	o := readOldTable(t)
	for _, v := range vectors(t, "k_ratio_film") {
		part := strings.Split(v.composition, "/")
		film := xray.Pure(aluminium)
		film.MassDepth = number(t, part[1]) * 1e-6
		sub, err := xray.ParseElement(strings.TrimSuffix(part[2], ":1"))
		if err != nil {
			t.Fatal(err)
		}
		pk := lineNamed(t, v.line)
		opt := Options{Fluorescence: NoFluorescence, Surface: SurfacePouchou}
		p, err := NewPredictor([]quant.Peak{pk}, []xray.Element{sub}, geometry(v.beam, v.takeoff), opt)
		if err != nil {
			t.Fatal(err)
		}
		o.fill(p.a, 1.4869) // line energy of the other rows of Al K
		if err := p.refer(); err != nil {
			t.Fatal(err)
		}
		s, err := layeredStack(p.a, []xray.Material{film}, xray.Pure(sub))
		if err != nil {
			t.Fatal(err)
		}
		if err := s.evaluate(0, 1); err != nil {
			t.Fatal(err)
		}
		got := s.intensity(0, p.a.peaks[0]).total / p.standard[0].total
		// Attenuation is interpolated to 0.33 % and enters with a power below 0.3.
		closeTo(t, "film k-ratio "+v.composition, got, v.value, 1e-3)
	}
}
