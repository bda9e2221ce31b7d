package msa

import (
	"fmt"
	"math"

	"example.org/fleck/spectra"
)

// Limits of the x column, in channels. Common practice, no source: a
// thousandth of a channel is below any calibration; beyond half a channel a
// count would belong to another channel of the linear scale.
const (
	agreeChannels     = 1e-3
	irregularChannels = 0.5
)

// xColumn is an x column in eV (or as it stands, when it is no energy).
type xColumn struct {
	values   []float64
	rounding float64 // half a unit of the last printed digit, at most 0.5 of the x unit
	lines    []int   // line of each value
}

// readX converts the x tokens of an XY block to 10^exponent eV.
func readX(tokens []token, exponent int) (xColumn, error) {
	x := xColumn{values: make([]float64, len(tokens)), lines: make([]int, len(tokens))}
	finest := 0
	for i, t := range tokens {
		v, ok := parseNumber(t.text, exponent)
		if !ok {
			return xColumn{}, notNumber(t)
		}
		x.values[i], x.lines[i] = v, t.line
		finest = max(finest, decimals(t.text))
	}
	x.rounding = 0.5 * math.Pow10(exponent-finest)
	return x, nil
}

// line returns the straight scale through the first and last x value. The
// printed values are rounded, so their end points give the width better than
// any single step.
func (x *xColumn) line() spectra.Calibration { return straight(x.values) }

func straight(x []float64) spectra.Calibration {
	n := len(x)
	if n < 2 {
		return spectra.Calibration{}
	}
	return spectra.Calibration{OffsetEV: x[0], GainEV: (x[n-1] - x[0]) / float64(n-1)}
}

// farthest returns the largest distance of x from the scale c and its index.
func (x *xColumn) farthest(c spectra.Calibration) (distance float64, index int) {
	for i, v := range x.values {
		if d := math.Abs(v - c.Energy(float64(i)).EV()); d > distance {
			distance, index = d, i
		}
	}
	return distance, index
}

// agrees reports whether x is the scale c within its rounding.
func (x *xColumn) agrees(c spectra.Calibration) bool {
	d, _ := x.farthest(c)
	return d <= max(x.rounding*(1+1e-9), agreeChannels*c.GainEV) // 1e-9: rounding of offset + i·gain
}

// calibrate returns the energy scale of an XY spectrum. The x column decides;
// the scale that the header states (if any) is used when x agrees with it
// within its printed digits, because it has more of them.
func (x *xColumn) calibrate(header spectra.Calibration, stated bool, keyword Keyword, dev *collector) (spectra.Calibration, error) {
	if stated && x.agrees(header) {
		return header, nil
	}
	c := x.line()
	if len(x.values) < 2 {
		if !stated {
			dev.add(x.lines[0], "", "one data point: no energy scale")
			return spectra.Calibration{}, nil
		}
		c = spectra.Calibration{OffsetEV: x.values[0], GainEV: header.GainEV}
	}
	if !c.Valid() {
		return spectra.Calibration{}, parseError(x.lines[0], "", "", ErrSpacing,
			fmt.Sprintf("x runs from %g to %g eV; ascending energies expected", x.values[0], x.values[len(x.values)-1]))
	}
	d, i := x.farthest(c)
	if d > irregularChannels*c.GainEV {
		return spectra.Calibration{}, parseError(x.lines[i], "", "", ErrSpacing,
			fmt.Sprintf("x = %g eV is %.3g channels off the straight line through the first and last x; equally spaced energies expected", x.values[i], d/c.GainEV))
	}
	if d > max(agreeChannels*c.GainEV, 2*x.rounding*(1+1e-9)) {
		dev.add(x.lines[i], "", "x is not equally spaced: %.3g eV is %.2g channels off the straight line that is used as energy scale", x.values[i], d/c.GainEV)
	}
	if stated {
		off, i := x.farthest(header)
		dev.add(keyword.Line, keyword.Standard(), "the scale of the header (%.9g eV + i·%.9g eV) disagrees with the x column by %.3g eV on line %d; the x column is used (%.9g eV + i·%.9g eV)",
			header.OffsetEV, header.GainEV, off, x.lines[i], c.OffsetEV, c.GainEV)
	}
	return c, nil
}
