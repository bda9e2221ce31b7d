package matrix

import (
	"fmt"
	"math"

	"example.org/fleck/quant"
	"example.org/fleck/spectra/xray"
)

// Thickness returns the mass depth of a film of known composition on a bulk
// substrate from the k-ratio of one of its own peaks, with the standard
// uncertainty that the k-ratio's gives (0 when it states none): the root of
// LayeredKRatios, which rises with the thickness. The mass depth of film itself
// is ignored. k is relative to the standard of opt, pure element unless stated.
//
// It is an error if the peak's element is also in the substrate and k is not
// above what the bare substrate gives, if k is not above 0, or if k is not below
// that of a film too thick to see through, less three standard uncertainties:
// then only a least thickness could be told, which the error states.
func Thickness(film, substrate xray.Material, k quant.KRatio, g quant.Geometry, opt Options) (depth, sigma quant.MassDepth, err error) {
	if !(film.Fraction(k.Element) > 0) {
		return 0, 0, fmt.Errorf("matrix: film %q holds no %s, whose peak %s was measured", film.Name, k.Element, k.Peak)
	}
	if !(k.Value > 0) || math.IsInf(k.Value, 1) || !(k.Sigma >= 0) {
		return 0, 0, fmt.Errorf("matrix: k-ratio %g ± %g of %s; it must be above 0 and finite, its uncertainty at least 0", k.Value, k.Sigma, k.Peak)
	}
	at := func(t float64) (float64, error) {
		layer := film
		layer.MassDepth, layer.ThicknessM, layer.Density = t, 0, 0
		p, err := LayeredKRatios([]xray.Material{layer}, substrate, []quant.Peak{k.Peak}, g, opt)
		if err != nil {
			return 0, err
		}
		return p[0].KRatio, nil
	}
	bare, err := at(0)
	if err != nil {
		return 0, 0, err
	}
	if k.Value <= bare {
		return 0, 0, fmt.Errorf("matrix: k-ratio %.5g of %s is not above the %.5g of the bare substrate", k.Value, k.Peak, bare)
	}
	// Double the upper bound until it is above k or the film is thick.
	low, high, last := 0.0, 1e-6, bare
	for {
		v, err := at(high)
		if err != nil {
			return 0, 0, err
		}
		if v >= k.Value+3*k.Sigma {
			break
		}
		if v <= last*(1+1e-6) && high > 1e-5 {
			return 0, 0, fmt.Errorf("matrix: k-ratio %.5g ± %.2g of %s against %.5g of a thick film; the film has at least about %.3g µg/cm²", k.Value, k.Sigma, k.Peak, v, low*1e6)
		}
		low, high, last = high, 2*high, v
		if high > 1 {
			return 0, 0, fmt.Errorf("matrix: k-ratio %.5g of %s is not reached by a film of 1 g/cm²", k.Value, k.Peak)
		}
	}
	root := func(want float64) (float64, error) {
		lo, hi := 0.0, high
		for range 60 {
			mid := (lo + hi) / 2
			v, err := at(mid)
			if err != nil {
				return 0, err
			}
			if v < want {
				lo = mid
			} else {
				hi = mid
			}
			if hi-lo < 1e-7*hi {
				break
			}
		}
		return (lo + hi) / 2, nil
	}
	t, err := root(k.Value)
	if err != nil || k.Sigma == 0 {
		return quant.MassDepth(t), 0, err
	}
	above, err := root(k.Value + k.Sigma)
	if err != nil {
		return 0, 0, err
	}
	return quant.MassDepth(t), quant.MassDepth(above - t), nil
}
