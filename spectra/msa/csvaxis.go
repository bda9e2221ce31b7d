package msa

import (
	"fmt"
	"math"

	"example.org/fleck/spectra"
)

// scale returns the energy scale, and the energies if they are not those of the
// scale.
func (t *csvTable) scale() (spectra.Calibration, []float64, error) {
	none := spectra.Calibration{}
	stated := spectra.Calibration{OffsetEV: t.value("offset_ev"), GainEV: t.value("gain_ev")}
	_, given := t.named["gain_ev"]
	if given && !stated.Valid() {
		return none, nil, parseError(t.named["gain_ev"].keyword.Line, "", "", ErrNumber, fmt.Sprintf("gain_ev is %g; it must be above 0", stated.GainEV))
	}
	kind := csvNone
	for _, c := range t.columns {
		if c != csvCounts {
			kind = c
		}
	}
	if kind == csvUnnamed {
		kind = csvEnergy
		raw, err := readX(t.xs, 0)
		if err != nil {
			return none, nil, err
		}
		switch {
		case countsUp(raw.values):
			kind = csvChannel
			t.dev.add(t.header, "", "first column taken as channel numbers")
		case len(raw.values) > 1:
			t.exponent = guessEnergyUnit(raw.line().GainEV)
			fallthrough
		default:
			t.dev.add(t.header, "", "first column taken as energies in %s", energyUnitNames[t.exponent])
		}
	}
	if kind == csvEnergy {
		x, err := readX(t.xs, t.exponent)
		if err != nil {
			return none, nil, err
		}
		c, err := x.calibrate(stated, given, Keyword{Line: t.header}, t.dev)
		if c.Valid() && x.agrees(c) {
			return c, nil, err
		}
		return c, x.values, err
	}
	if kind == csvChannel {
		if err := t.checkChannels(); err != nil {
			return none, nil, err
		}
	}
	if given {
		return stated, nil, nil
	}
	t.dev.add(t.header, "", "no energies: the spectrum has no energy scale")
	return none, nil, nil
}

// countsUp reports whether x is 0, 1, 2, … or 1, 2, 3, ….
func countsUp(x []float64) bool {
	if x[0] != 0 && x[0] != 1 {
		return false
	}
	for i, v := range x {
		if v != x[0]+float64(i) {
			return false
		}
	}
	return true
}

// checkChannels demands channel numbers without gaps.
func (t *csvTable) checkChannels() error {
	first, _ := parseNumber(t.xs[0].text, 0)
	for i, x := range t.xs {
		if v, _ := parseNumber(x.text, 0); v != first+float64(i) || v != math.Trunc(v) {
			return parseError(x.line, "", x.text, ErrSpacing, fmt.Sprintf("channel %q; channel %g expected", shorten(x.text), first+float64(i)))
		}
	}
	if first != 0 {
		t.dev.add(t.xs[0].line, "", "channels begin at %g; channel %g of the table is index 0", first, first)
	}
	return nil
}
