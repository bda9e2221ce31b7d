package template

import (
	"context"
	"fmt"
	"slices"

	"example.org/fleck/quant/matrix"
	"example.org/fleck/quant/transport"
	"example.org/fleck/spectra/xray"
)

// FilmShare is the thickness of a film, as a share of the electron range in it
// (transport.Range), up to which phi(rho z) and transport agree in photons per electron
// (TestStudyFilms, 5 to 20 keV): within 5 % on aluminium for K, L and M lines, but for C K
// at 20 keV with 6 %, and within 7 % on iron. At a tenth of the range phi(rho z) is
// up to 12 % higher. k-ratios to a bulk differ more, by the bulk: see TestStudyFilms of
// package transport.
const FilmShare = 0.03

// Methods of Flat.
const (
	MethodDepth     = "phi(rho z)"
	MethodTransport = "simulation of electrons"
)

// Flat predicts the coated substrate under films, from the top: by phi(rho z) where
// every film and the coating are at most FilmShare of the range thick, with no tilt,
// and by transport elsewhere. It says which.
func Flat(ctx context.Context, s Setup, films []xray.Material, opt SphereOptions) (spectrum Spectrum, method string, err error) {
	s, err = s.check()
	if err != nil {
		return Spectrum{}, "", err
	}
	layers := slices.Concat(s.above(), films, s.below())
	for i, l := range layers {
		if l.MassDepth <= 0 {
			if l.MassDepth = l.Density * l.ThicknessM * 100; !(l.MassDepth > 0) {
				return Spectrum{}, "", fmt.Errorf("template: film %s states no thickness; write for example SiO2:2.2g/cm3:5nm", l.Name)
			}
			layers[i] = l
		}
	}
	thick := func(l xray.Material) bool {
		return l.MassDepth > FilmShare*transport.Range(l, s.Geometry.BeamEnergy)
	}
	if s.Geometry.Tilt != 0 || slices.ContainsFunc(layers, thick) {
		got, err := Specimen(ctx, s, View{Films: films}, opt)
		if err != nil {
			return Spectrum{}, "", err
		}
		return got.Whole, MethodTransport, nil
	}
	per, err := matrix.Layered(layers, s.Substrate, s.Geometry, matrix.Options{})
	if err != nil {
		return Spectrum{}, "", fmt.Errorf("template: %w", err)
	}
	cont, err := s.continuum(layers)
	if err != nil {
		return Spectrum{}, "", fmt.Errorf("template: %w", err)
	}
	return s.assemble(s.Substrate.Name, slices.Concat(per...), cont), MethodDepth, nil
}
