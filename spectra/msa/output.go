package msa

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"example.org/fleck/spectra"
)

// output is the header being prepared for writing.
type output struct {
	header   []Keyword
	dataType DataType
	columns  int
	exponent int // power of ten of the x unit
}

// resolve checks the options and brings the header in line with the spectrum.
func (o *output) resolve(f *File, opt WriteOptions) error {
	if err := checkSpectrum(f.Spectrum); err != nil {
		return err
	}
	version := opt.Version
	switch version {
	case Version1, Version2:
	case "":
		if version = strings.Trim(f.Version, blanks); version == "" {
			version = Version1
		}
	default:
		return fmt.Errorf("msa: write: version %q; %q or %q expected", version, Version1, Version2)
	}
	switch o.dataType = opt.DataType; o.dataType {
	case DataY, DataXY:
	case "":
		o.dataType = DataY
		if f.X != nil {
			o.dataType = DataXY
		}
	default:
		return fmt.Errorf("msa: write: data type %q; %q or %q expected", opt.DataType, DataY, DataXY)
	}
	v := readHeader(o.header, 0, nil)
	switch o.columns = opt.Columns; {
	case o.columns < 0 || o.columns > 5:
		return fmt.Errorf("msa: write: %d columns; 1 to 5 expected", o.columns)
	case o.columns == 0:
		if o.columns = v.columnCount(); o.columns < 1 || o.columns > 5 {
			o.columns = defaultColumns(o.dataType)
		}
	}
	o.addRequired()
	o.normalise()
	o.setSpectrum(f.Spectrum)
	o.set("FORMAT", formatText)
	o.set("VERSION", version)
	o.set("DATATYPE", string(o.dataType))
	o.setCount("NPOINTS", len(f.Spectrum.Counts))
	o.setCount("NCOLUMNS", o.columns)
	if len(o.header) >= maxHeaderLines {
		return fmt.Errorf("msa: write: %d keywords; fewer than %d can be read", len(o.header), maxHeaderLines)
	}
	return nil
}

// checkSpectrum reports what cannot be written.
func checkSpectrum(s spectra.Spectrum) error {
	counts := s.Counts
	if len(counts) == 0 || len(counts) > maxPoints {
		return fmt.Errorf("msa: write: %d channels; 1 to %d can be written", len(counts), maxPoints)
	}
	for i, n := range counts {
		if math.IsNaN(n) || math.IsInf(n, 0) {
			return fmt.Errorf("msa: write: channel %d holds %g; counts must be finite", i, n)
		}
	}
	c := s.Conditions
	for _, v := range []float64{c.BeamEnergy.EV(), c.TakeOff.Radians(), c.Tilt.Radians(), c.LiveTimeS, c.RealTimeS, c.ProbeCurrentNA} {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return fmt.Errorf("msa: write: conditions %+v; they must be finite", c)
		}
	}
	return nil
}

// addRequired puts FORMAT and VERSION first, SPECTRUM last, adds missing
// required keywords behind the ones that precede them, and drops CHECKSUM.
func (o *output) addRequired() {
	kept := o.header[:0:0]
	ends := map[string]Keyword{}
	for _, k := range o.header {
		switch name := k.Standard(); name {
		case "FORMAT", "VERSION", "SPECTRUM":
			if _, repeated := ends[name]; !repeated {
				ends[name] = k
			}
		case "CHECKSUM", "ENDOFDATA":
		default:
			kept = append(kept, k)
		}
	}
	o.header = kept
	last := 0
	for _, name := range requiredHeader {
		k, found := ends[name]
		switch i := find(o.header, name); {
		case name == "SPECTRUM":
			if !found {
				k = Keyword{Name: name, Value: spectrumText}
			}
			o.header = append(o.header, k)
		case i >= 0:
			last = i + 1
		default:
			if !found {
				k = Keyword{Name: name}
			}
			o.header = slices.Insert(o.header, last, k)
			last++
		}
	}
}

// normalise gives the keywords of the format their standard spelling and
// numbers their plain form: E exponents, a decimal point, the unit in the tag.
func (o *output) normalise() {
	for i := range o.header {
		k := &o.header[i]
		info := lookupKeyword(k.Name)
		if info == nil {
			continue
		}
		k.Name = info.name
		if info.kind != numberValue {
			continue
		}
		if q := readQuantity(*k, info, nil); q.ok {
			if standard, ok := lookupUnit(info.dim, info.unit); info.dim != dimNone {
				k.Value, k.Unit = q.text, q.spelling
				if ok && q.unit == standard {
					k.Unit = "" // the standard tag
				}
			} else if len(k.Value) == len(q.text) { // nothing follows the number
				k.Value = q.text
			}
		}
	}
}

// set replaces the value of the first keyword of that name, or adds it.
func (o *output) set(name, value string) {
	i := find(o.header, name)
	if i < 0 {
		o.header = insertBeforeSpectrum(o.header, Keyword{Name: name, Value: value})
		return
	}
	o.header[i].Value = value
}

// setNumber is set for a number in the standard unit.
func (o *output) setNumber(name, value string) {
	o.set(name, value)
	o.header[find(o.header, name)].Unit = ""
}

// setCount is set for a whole number, which keeps its text if it is that
// number.
func (o *output) setCount(name string, n int) {
	if k, found := lookup(o.header, name); found {
		if q := readQuantity(k, lookupKeyword(name), nil); q.ok && q.raw() == float64(n) {
			return
		}
	}
	o.setNumber(name, fmt.Sprintf("%d.", n))
}

// drop removes all keywords of that name.
func (o *output) drop(name string) {
	o.header = slices.DeleteFunc(o.header, func(k Keyword) bool { return k.Standard() == name })
}

// setSpectrum brings title, energy scale and conditions of the header in line
// with s.
func (o *output) setSpectrum(s spectra.Spectrum) {
	v := readHeader(o.header, 0, nil)
	if v.title != s.Title {
		o.set("TITLE", s.Title)
	}
	o.setScale(&v, s.Calibration, len(s.Counts))
	have, want := v.conditions(), s.Conditions
	condition := func(name string, have, want float64, text func() string) {
		switch {
		case have == want:
		case want == 0:
			o.drop(name)
		default:
			o.setNumber(name, text())
		}
	}
	condition("BEAMKV", float64(have.BeamEnergy), float64(want.BeamEnergy), func() string { return formatHeader(want.BeamEnergy.EV(), -3) })
	condition("PROBECUR", have.ProbeCurrentNA, want.ProbeCurrentNA, func() string { return formatHeader(want.ProbeCurrentNA, 0) })
	condition("LIVETIME", have.LiveTimeS, want.LiveTimeS, func() string { return formatHeader(want.LiveTimeS, 0) })
	condition("REALTIME", have.RealTimeS, want.RealTimeS, func() string { return formatHeader(want.RealTimeS, 0) })
	condition("XTILTSTGE", float64(have.Tilt), float64(want.Tilt), func() string { return formatDegrees(want.Tilt) })
	condition("ELEVANGLE", float64(have.TakeOff), float64(want.TakeOff), func() string { return formatDegrees(want.TakeOff) })
}

// setScale brings XUNITS, XPERCHAN and OFFSET in line with c. A header that
// states c, be it by a guess of the unit, stays as it is.
func (o *output) setScale(v *headerValues, c spectra.Calibration, points int) {
	have, exponent, ok := v.scale()
	o.exponent = exponent
	if !ok && v.axis == axisEnergy {
		o.exponent = v.axisExp
	}
	if !c.Valid() {
		if !o.statesNoScale(v, ok, points) {
			o.setChannels()
		}
		return
	}
	if ok && have == c {
		return
	}
	if v.axis != axisEnergy {
		o.exponent, ok = 0, false
		o.set("XUNITS", "eV")
	}
	if !ok || have.GainEV != c.GainEV {
		o.setNumber("XPERCHAN", formatHeader(c.GainEV, -o.exponent))
	}
	if !ok || have.OffsetEV != c.OffsetEV {
		o.setNumber("OFFSET", formatHeader(c.OffsetEV, -o.exponent))
	}
}

// statesNoScale reports whether Read finds no energy scale in the header as it
// is. ok says whether the header states one.
func (o *output) statesNoScale(v *headerValues, ok bool, points int) bool {
	switch {
	case v.axis == axisChannel:
		return true
	case ok || v.axis == axisOther:
		return false
	case o.dataType == DataXY:
		return points == 1 // more x values are a scale
	}
	return (!v.width.present || v.width.ok) && (!v.offset.present || v.offset.ok) // else an error
}

// setChannels makes the header state that there is no energy scale.
func (o *output) setChannels() {
	o.exponent = 0
	o.set("XUNITS", "channel")
	o.setNumber("XPERCHAN", "1.0")
	o.setNumber("OFFSET", "0.0")
}
