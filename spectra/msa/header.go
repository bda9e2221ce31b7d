package msa

import (
	"math"
	"strings"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

// DataType is the arrangement of the data lines.
type DataType string

// Arrangements of the data lines.
const (
	DataY  DataType = "Y"  // counts only
	DataXY DataType = "XY" // pairs of energy and counts
)

// headerValues is what a header means.
type headerValues struct {
	title    string
	version  string
	points   quantity // NPOINTS
	columns  quantity // NCOLUMNS
	dataType DataType // "" if missing or unknown

	axis     axisKind
	axisExp  int     // power of ten of the energy unit, when axis is axisEnergy
	xunits   Keyword // as it stands
	width    quantity
	offset   quantity
	choffset quantity

	beam, elevation, tilt quantity
	live, real, current   quantity

	commas bool // some number has a decimal comma
}

// readHeader interprets a header and lists what is unusual about the values
// that matter to the spectrum. missing is the line to name for keywords that
// are not there.
func readHeader(header []Keyword, missing int, dev *collector) headerValues {
	var v headerValues
	get := func(name string) quantity {
		k, found := lookup(header, name)
		if !found {
			return quantity{}
		}
		v.commas = v.commas || strings.Contains(k.Value, ",")
		return readQuantity(k, lookupKeyword(name), dev)
	}
	text := func(name string) string {
		k, _ := lookup(header, name)
		return k.Value
	}
	v.title, v.version = text("TITLE"), text("VERSION")
	v.points, v.columns = get("NPOINTS"), get("NCOLUMNS")
	v.width, v.offset, v.choffset = get("XPERCHAN"), get("OFFSET"), get("CHOFFSET")
	v.beam, v.current = get("BEAMKV"), get("PROBECUR")
	v.elevation, v.tilt = get("ELEVANGLE"), get("XTILTSTGE")
	v.live, v.real = get("LIVETIME"), get("REALTIME")

	switch t := DataType(strings.ToUpper(text("DATATYPE"))); t {
	case DataY, DataXY:
		v.dataType = t
	}
	var found bool
	if v.xunits, found = lookup(header, "XUNITS"); found && v.xunits.Value != "" {
		var usual bool
		v.axis, v.axisExp, usual = readXUnits(v.xunits.Value)
		if v.axis == axisEnergy && !usual {
			dev.add(v.xunits.Line, "XUNITS", "%q taken as %s", shorten(v.xunits.Value), energyUnitNames[v.axisExp])
		}
	}
	if v.axis == axisUnclear && v.width.ok && v.width.stated {
		v.axis, v.axisExp = axisEnergy, v.width.unit.exponent
		line := v.xunits.Line
		if line == 0 {
			line = missing
		}
		dev.add(line, "XUNITS", "no energy unit stated; the unit tag of XPERCHAN is used")
	}
	return v
}

// energyUnitNames by power of ten.
var energyUnitNames = map[int]string{0: "eV", 3: "keV", 6: "MeV"}

// pointCount returns NPOINTS, 0 if it is missing or not a whole number above 0.
func (v *headerValues) pointCount() int {
	return wholeAbove0(v.points)
}

// columnCount returns NCOLUMNS, 0 if it is missing or not a whole number
// above 0.
func (v *headerValues) columnCount() int { return wholeAbove0(v.columns) }

func wholeAbove0(q quantity) int {
	n := q.raw()
	if !q.ok || n < 1 || n != math.Trunc(n) || n > math.MaxInt32 {
		return 0
	}
	return int(n)
}

// scale returns the energy scale that OFFSET and XPERCHAN state and the power
// of ten of the x unit. ok is false if they state none. A missing or unclear
// XUNITS is guessed from the channel width, see guessEnergyUnit; a missing
// OFFSET is 0.
func (v *headerValues) scale() (c spectra.Calibration, exponent int, ok bool) {
	if v.axis == axisChannel || v.axis == axisOther || !v.width.ok || v.offset.present && !v.offset.ok {
		return spectra.Calibration{}, 0, false
	}
	exponent = v.axisExp
	if v.axis == axisUnclear {
		exponent = guessEnergyUnit(v.width.raw())
	}
	c = spectra.Calibration{OffsetEV: v.offset.energy(exponent), GainEV: v.width.energy(exponent)}
	if !c.Valid() {
		return spectra.Calibration{}, 0, false
	}
	return c, exponent, true
}

// conditions returns the circumstances of measurement in the units of package
// spectra.
//
// ELEVANGLE is the take-off angle of an untilted specimen only.
func (v *headerValues) conditions() spectra.Conditions {
	return spectra.Conditions{
		BeamEnergy:     xray.Energy(v.beam.in(0)),
		TakeOff:        v.elevation.angle(),
		Tilt:           v.tilt.angle(),
		LiveTimeS:      v.live.in(0),
		RealTimeS:      v.real.in(0),
		ProbeCurrentNA: v.current.in(-9),
	}
}
