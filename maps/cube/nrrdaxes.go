package cube

import (
	"fmt"
	"math"
	"strings"

	"example.org/fleck/maps"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

// lengthUnits are the spellings of units of length.
var lengthUnits = map[string]maps.Length{
	"m": maps.Metre, "metre": maps.Metre, "meter": maps.Metre,
	"cm": 1e-2,
	"mm": maps.Millimetre, "millimetre": maps.Millimetre, "millimeter": maps.Millimetre,
	"um": maps.Micrometre, "µm": maps.Micrometre, "μm": maps.Micrometre, "micron": maps.Micrometre, "microns": maps.Micrometre, "micrometre": maps.Micrometre, "micrometer": maps.Micrometre,
	"nm": maps.Nanometre, "nanometre": maps.Nanometre, "nanometer": maps.Nanometre,
}

// energyUnits are the spellings of units of energy, in eV.
var energyUnits = map[string]float64{"ev": 1, "kev": 1000, "mev": math.NaN()}

// axisLetter tells what a label of an axis means, 0 if it says nothing.
func axisLetter(label string) byte {
	switch strings.ToLower(strings.TrimSpace(label)) {
	case "energy", "channel", "channels", "c", "e", "spectrum", "x-ray energy", "photon energy":
		return 'c'
	case "x", "column", "columns", "width":
		return 'x'
	case "y", "row", "rows", "height", "line", "lines":
		return 'y'
	}
	return 0
}

func at[T any](s []T, i int) (v T) {
	if i < len(s) {
		return s[i]
	}
	return v
}

// axes returns the letters of the axes, slowest first, found from labels, units
// and kinds; why says what was assumed, "" when the file says it all. Of two
// space axes without names the faster one is x; of four axes the slowest holds the
// frames if nothing else is said.
func (h *nrrd) axes() (order, why string, err error) {
	if h.dim != 3 && h.dim != 4 {
		return "", "", fmt.Errorf("%d axes; a cube has three, with frames four. State which they are (axes), for example y,x for a single channel", h.dim)
	}
	letters := make([]byte, h.dim)
	taken := map[byte]bool{}
	if h.dim == 4 {
		i, said := h.frameAxis()
		letters[i] = 'f'
		if !said {
			why = "the file does not say which of its axes holds the frames; the slowest taken"
		}
	}
	set := func(i int, a byte) {
		if letters[i] == 0 && !taken[a] {
			letters[i], taken[a] = a, true
		}
	}
	for i := range letters {
		if a := axisLetter(at(h.labels, i)); a != 0 {
			set(i, a)
		}
	}
	for i := range letters {
		if energyUnits[strings.ToLower(at(h.units, i))] != 0 {
			set(i, 'c')
		}
	}
	if !taken['c'] {
		// The one axis that is not in space, if the others say that they are.
		space, rest := 0, -1
		for i := range letters {
			if letters[i] == 'f' {
				continue
			}
			if at(h.kinds, i) == "space" || lengthUnits[strings.ToLower(at(h.units, i))] != 0 || at(h.directions, i) != nil {
				space++
			} else {
				rest = i
			}
		}
		if space == 2 && letters[rest] == 0 {
			set(rest, 'c')
		}
	}
	if !taken['c'] && taken['x'] && taken['y'] {
		for i := range letters {
			set(i, 'c')
		}
	}
	if !taken['c'] {
		set(0, 'c')
		if !taken['c'] {
			return "", "", fmt.Errorf("the axes labelled %q cannot be told apart; state them (axes)", h.labels)
		}
		names := "y,x,c"
		if h.dim == 4 {
			names = "f,y,x,c"
			if why != "" { // nor the frames
				_, sizes := reversed("", h.sizes)
				if err := unnamedFrames(sizes); err != nil {
					return "", "", err
				}
			}
		}
		why = "the file does not name its axes; taken as " + names + " (slowest first)"
	}
	for i := range letters {
		set(i, 'x')
		set(i, 'y')
	}
	for i := range letters {
		order = string(letters[i]) + order
	}
	return order, why, nil
}

// frameAxis returns the index of the axis that holds the frames. Where neither label,
// kind nor unit tells it (said is false) it is the slowest that is no other.
func (h *nrrd) frameAxis() (i int, said bool) {
	for i := range h.dim {
		switch strings.ToLower(strings.TrimSpace(at(h.labels, i))) {
		case "f", "frame", "frames", "t", "time", "pass", "passes", "sweep", "sweeps":
			return i, true
		}
	}
	for i := range h.dim {
		if axisLetter(at(h.labels, i)) == 0 && (at(h.kinds, i) == "time" || seconds[strings.ToLower(strings.TrimSpace(at(h.units, i)))] != 0) {
			return i, true
		}
	}
	for i = h.dim - 1; i > 0; i-- {
		if axisLetter(at(h.labels, i)) == 0 && energyUnits[strings.ToLower(at(h.units, i))] == 0 {
			break
		}
	}
	return i, false
}

// axisIndex returns the index, fastest first, of axis letter a, or −1.
func axisIndex(order string, a byte) int {
	if i := strings.IndexByte(order, a); i >= 0 {
		return len(order) - 1 - i
	}
	return -1
}

// pixel returns the pixel size that the file states.
func (h *nrrd) pixel(order string, warn func(string, ...any)) maps.Pixel {
	side := func(a byte) maps.Length {
		i := axisIndex(order, a)
		if i < 0 {
			return 0
		}
		step, unit := math.NaN(), at(h.units, i)
		if i < len(h.spacings) {
			step = math.Abs(h.spacings[i])
		}
		if d := at(h.directions, i); d != nil {
			step = 0
			for k, v := range d {
				step = math.Hypot(step, v)
				if v != 0 {
					unit = at(h.spaceUnits, k)
				}
			}
		}
		switch {
		case math.IsNaN(step):
			return 0
		case step == 0:
			warn("axis %c has spacing %g, which is no length; pixel size not taken", a, step)
			return 0
		}
		l := lengthUnits[strings.ToLower(strings.TrimSpace(unit))]
		if l == 0 {
			warn("axis %c has spacing %g in unit %q, which is no known length; pixel size not taken", a, step, unit)
			return 0
		}
		return scaled(step, l)
	}
	p := maps.Pixel{X: side('x'), Y: side('y')}
	if !p.Known() {
		return maps.Pixel{}
	}
	return p
}

// scaled multiplies by a unit. Units below 1 are divided by their inverse,
// which is exact, so that 0.5 µm is the float64 nearest to 5e-7 m.
func scaled(v float64, unit maps.Length) maps.Length {
	if unit < 1 {
		return maps.Length(v / math.Round(1/float64(unit)))
	}
	return maps.Length(v) * unit
}

// calibration returns the energy scale that the file states. The position of
// channel 0 is the centre of the channel for node-centred axes and when the
// centring is not stated; for cell-centred axes the min is the lower edge.
func (h *nrrd) calibration(order string, warn func(string, ...any)) (spectra.Calibration, bool) {
	i := axisIndex(order, 'c')
	if i < 0 {
		return spectra.Calibration{}, false
	}
	get := func(s []float64) float64 {
		if i < len(s) {
			return s[i]
		}
		return math.NaN()
	}
	step, low, high := get(h.spacings), get(h.mins), get(h.maxs)
	center := at(h.centers, i)
	if math.IsNaN(step) && !math.IsNaN(low) && !math.IsNaN(high) {
		switch {
		case center == "cell":
			step = (high - low) / float64(h.sizes[i])
		case center == "node" && h.sizes[i] > 1:
			step = (high - low) / float64(h.sizes[i]-1)
		default:
			warn("energy axis with min %g and max %g but neither spacing nor centring; energy scale not taken", low, high)
		}
	}
	if math.IsNaN(step) {
		return spectra.Calibration{}, false
	}
	unit := at(h.units, i)
	ev, ok := energyUnits[strings.ToLower(strings.TrimSpace(unit))]
	if !ok || math.IsNaN(ev) {
		warn("energy axis with spacing %g in unit %q; only eV and keV are taken", step, unit)
		return spectra.Calibration{}, false
	}
	if math.IsNaN(low) {
		warn("energy axis with spacing %g %s but without the energy of channel 0 (axis mins); energy scale not taken", step, unit)
		return spectra.Calibration{}, false
	}
	if center == "cell" {
		low += step / 2
	}
	c := spectra.Calibration{OffsetEV: low * ev, GainEV: step * ev}
	if !c.Valid() {
		warn("energy axis with min %g and spacing %g %s; the spacing must be above 0", low, step, unit)
		return spectra.Calibration{}, false
	}
	return c, true
}

// quantity is one of the conditions that key:=value pairs carry.
type quantity struct {
	key   string
	units map[string]float64 // factor to the unit of the field
	write string             // unit written
	field func(*spectra.Conditions) *float64
}

var seconds = map[string]float64{"s": 1, "sec": 1, "seconds": 1, "ms": 1e-3, "min": 60, "h": 3600}
var degrees = map[string]float64{"deg": float64(xray.Degree), "°": float64(xray.Degree), "degree": float64(xray.Degree), "degrees": float64(xray.Degree), "rad": 1}

// quantities are the keys read and written.
var quantities = []quantity{
	{"beam energy", map[string]float64{"kev": 1000, "kv": 1000, "ev": 1, "v": 1}, "keV", func(c *spectra.Conditions) *float64 { return (*float64)(&c.BeamEnergy) }},
	{"take-off angle", degrees, "deg", func(c *spectra.Conditions) *float64 { return (*float64)(&c.TakeOff) }},
	{"tilt", degrees, "deg", func(c *spectra.Conditions) *float64 { return (*float64)(&c.Tilt) }},
	{"live time", seconds, "s", func(c *spectra.Conditions) *float64 { return &c.LiveTimeS }},
	{"real time", seconds, "s", func(c *spectra.Conditions) *float64 { return &c.RealTimeS }},
	{"probe current", map[string]float64{"na": 1, "pa": 1e-3, "ua": 1e3, "µa": 1e3}, "nA", func(c *spectra.Conditions) *float64 { return &c.ProbeCurrentNA }},
}

// conditions takes the known keys out of keys and returns the others. A value
// without a known unit is not taken, since a guess could be wrong by 1000.
func conditions(keys []KeyValue, warn func(string, ...any)) (spectra.Conditions, []KeyValue) {
	var c spectra.Conditions
	var rest []KeyValue
	taken := map[string]bool{}
	for _, kv := range keys {
		q := findQuantity(kv.Key)
		if q == nil {
			rest = append(rest, kv)
			continue
		}
		v, err := q.parse(kv.Value)
		switch {
		case err != nil:
			warn("%s:=%s: %v; not taken", kv.Key, kv.Value, err)
			rest = append(rest, kv)
		case taken[q.key]:
			warn("%s is stated twice; the first is taken", q.key)
			rest = append(rest, kv)
		default:
			taken[q.key] = true
			*q.field(&c) = v
		}
	}
	return c, rest
}

func findQuantity(key string) *quantity {
	for i := range quantities {
		if strings.EqualFold(key, quantities[i].key) {
			return &quantities[i]
		}
	}
	return nil
}

// parse reads a number with its unit.
func (q *quantity) parse(s string) (float64, error) {
	s = strings.TrimSpace(s)
	n := strings.IndexFunc(s, func(r rune) bool { return !strings.ContainsRune("0123456789+-.eE", r) })
	if n < 0 {
		return 0, fmt.Errorf("no unit; write for example %s:=%s %s", q.key, s, q.write)
	}
	// The e of eV is no exponent.
	number := strings.TrimRight(s[:n], "eE")
	unit := strings.TrimSpace(s[len(number):])
	v, err := parseNumber(number)
	if err != nil {
		return 0, err
	}
	f, ok := q.units[strings.ToLower(unit)]
	if !ok {
		return 0, fmt.Errorf("unit %q is not known; use %s", unit, q.write)
	}
	if v *= f; math.IsInf(v, 0) || v < 0 && q.key != "tilt" {
		return 0, fmt.Errorf("value out of range")
	}
	return v, nil
}
