package msa

import (
	"fmt"

	"example.org/fleck/spectra"
)

// energyScale settles the energy scale of the spectrum and, for XY data, the x
// column. A file that states no scale gives a zero Calibration and a
// deviation.
func (p *parser) energyScale(v *headerValues, xs []token) (spectra.Calibration, []float64, error) {
	if xs != nil {
		return p.columnScale(v, xs)
	}
	none := spectra.Calibration{}
	if v.axis == axisChannel {
		p.dev.add(p.at(v.xunits), "XUNITS", "%q is no energy: the spectrum has no energy scale", shorten(v.xunits.Value))
		return none, nil, nil
	}
	for _, q := range []quantity{v.width, v.offset} {
		if q.present && !q.ok {
			return none, nil, parseError(q.keyword.Line, q.keyword.Standard(), q.keyword.Value, ErrNumber,
				fmt.Sprintf("value %q is not a number in the x unit; the energy scale needs it", shorten(q.keyword.Value)))
		}
	}
	if !v.width.present {
		p.dev.add(p.at(v.width.keyword), "XPERCHAN", "no channel width: the spectrum has no energy scale")
		return none, nil, nil
	}
	c, exponent, ok := v.scale()
	if !ok {
		p.dev.add(v.width.keyword.Line, "XPERCHAN", "channel width %s; it must be above 0: the spectrum has no energy scale", shorten(v.width.text))
		return none, nil, nil
	}
	p.sayGuess(v, exponent, "XPERCHAN")
	if !v.offset.present {
		p.dev.add(p.at(v.offset.keyword), "OFFSET", "no energy of the first channel; 0 assumed")
	}
	return c, nil, nil
}

// columnScale is energyScale for XY data.
func (p *parser) columnScale(v *headerValues, xs []token) (spectra.Calibration, []float64, error) {
	none := spectra.Calibration{}
	if v.axis == axisChannel {
		x, err := readX(xs, 0)
		p.dev.add(p.at(v.xunits), "XUNITS", "%q is no energy: the spectrum has no energy scale", shorten(v.xunits.Value))
		return none, x.values, err
	}
	c, exponent, stated := v.scale()
	if !stated {
		exponent = v.axisExp
		if v.axis == axisUnclear {
			raw, err := readX(xs, 0)
			if err != nil {
				return none, nil, err
			}
			if len(xs) > 1 {
				exponent = guessEnergyUnit(raw.line().GainEV)
				p.sayGuess(v, exponent, "the step of the x column")
			} else {
				p.dev.add(p.at(v.xunits), "XUNITS", "no energy unit stated; eV assumed")
			}
		}
		if len(xs) > 1 && !(v.width.present && !v.width.ok) {
			p.dev.add(p.at(v.width.keyword), "XPERCHAN", "no channel width; taken from the x column")
		}
	} else {
		p.sayGuess(v, exponent, "XPERCHAN")
	}
	x, err := readX(xs, exponent)
	if err != nil {
		return none, nil, err
	}
	c, err = x.calibrate(c, stated, v.width.keyword, p.dev)
	return c, x.values, err
}

// sayGuess lists the energy unit that was assumed, if the file states none.
func (p *parser) sayGuess(v *headerValues, exponent int, from string) {
	if v.axis != axisUnclear {
		return
	}
	size := "at least"
	if exponent != 0 {
		size = "below"
	}
	p.dev.add(p.at(v.xunits), "XUNITS", "no energy unit stated; %s assumed because %s is %s 0.5", energyUnitNames[exponent], from, size)
}
