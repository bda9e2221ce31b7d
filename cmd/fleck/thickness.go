package main

import (
	"math"
	"strings"

	"example.org/fleck/maps/record"
	"example.org/fleck/quant"
	"example.org/fleck/quant/matrix"
	"example.org/fleck/spectra/xray"
	"github.com/urfave/cli/v2"
)

// readFilm reads --film and --substrate. ok is false without them.
func (e *env) readFilm(c *cli.Context) (film, substrate xray.Material, ok bool, err error) {
	if !c.IsSet("film") && !c.IsSet("substrate") {
		return film, substrate, false, nil
	}
	for _, name := range []string{"film", "substrate"} {
		if c.String(name) == "" {
			return film, substrate, false, usage("--film and --substrate belong together; for example --film C:2.0g/cm3 --substrate SiO2")
		}
	}
	if !c.IsSet("kratios") {
		return film, substrate, false, usage("--film needs --kratios, with the k-ratio of an element of the film")
	}
	for _, name := range []string{"extent", "density", "form", "oxygen", "coating", "normalise"} {
		if c.IsSet(name) {
			return film, substrate, false, usage("--%s belongs to an analysis of a bulk, not to --film", name)
		}
	}
	if film, err = parseMaterial("film", c.String("film")); err != nil {
		return film, substrate, false, err
	}
	if substrate, err = parseMaterial("substrate", c.String("substrate")); err != nil {
		return film, substrate, false, err
	}
	e.setting("film", film.String(), fromFlag)
	e.setting("substrate", substrate.String(), fromFlag)
	return film, substrate, true, nil
}

// thickness answers with the thickness of a film from each k-ratio of its
// elements. One that gives none, because the film is too thick or too thin, comes
// with the reason.
func (e *env) thickness(path string, film, substrate xray.Material, ks []quant.KRatio, g quant.Geometry, opt matrix.Options) error {
	rows := []record.Object{}
	e.printf("%s: %s on %s, %s\n", path, film.Name, substrate.Name, opt)
	for _, k := range ks {
		if film.Fraction(k.Element) == 0 {
			continue
		}
		depth, sigma, err := matrix.Thickness(film, substrate, k, g, opt)
		o := record.Of("symbol", k.Element.Symbol(), "line", strings.TrimPrefix(k.Peak.String(), k.Element.Symbol()+" "), "k_ratio", k.Value)
		ug, ugSigma, nm, reason := depth.UgPerCm2(), sigma.UgPerCm2(), math.NaN(), "no density stated"
		if film.Density > 0 {
			nm = float64(depth) / film.Density * 1e7
		}
		if err != nil {
			ug, ugSigma, nm, reason = math.NaN(), math.NaN(), math.NaN(), plain(err.Error())
		}
		o.Number("mass_depth_ug_cm2", ug, reason)
		o.Number("sigma", orNaN(ugSigma), "the k-ratio states no uncertainty")
		o.Number("thickness_nm", nm, reason)
		rows = append(rows, o)
		switch {
		case err != nil:
			e.printf("%-9s k %.5f  no thickness: %v\n", k.Peak, k.Value, err)
		case math.IsNaN(nm):
			e.printf("%-9s k %.5f  %.4g ± %.2g µg/cm²\n", k.Peak, k.Value, ug, ugSigma)
		default:
			e.printf("%-9s k %.5f  %.4g ± %.2g µg/cm², %.4g nm at %.4g g/cm³\n", k.Peak, k.Value, ug, ugSigma, nm, film.Density)
		}
	}
	if len(rows) == 0 {
		return failed(codeFailed, path, "none of the %d k-ratios is of an element of the film %s", len(ks), film.Name)
	}
	remark := "holds for a closed film of even thickness on a flat substrate; the uncertainty is that of the k-ratio, the model adds about 4 % (films of Al on 13 substrates, Bastin & Heijligers 2000)"
	e.answer.Set("thickness", rows)
	e.answer.Set("model", opt.String())
	e.answer.Set("remarks", []string{remark})
	e.printf("note: %s\n", remark)
	return nil
}
