package report

import (
	"encoding/base64"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"html/template"
	"image/color"
	"math"
)

// Viewer is what a reader can look at for themselves: the maps of every line
// that matters and the spectrum of every spot and block with its fit. It needs
// the script of the page; everything that the verdict rests on stands outside.
type Viewer struct {
	Lines  []ViewLine
	Fields []ViewField
	// FirstEV is the energy of the centre of the first channel, StepEV the width
	// of one. All spectra have as many channels as the shapes.
	FirstEV, StepEV float64
	Shapes          []Shape // the last is the continuum
	FocusLow        float64 // the stretch of the target's own line, eV
	FocusHigh       float64
	Colours         []color.RGBA // colour map, from low to high
	Missing         color.RGBA   // pixels without a value
}

// ViewLine is a line family that can be looked at.
type ViewLine struct {
	Name, Why string
	High      float64 // the display range of all fields is 0 to High
}

// Shape is a component of the fit: counts per channel of one net count.
type Shape struct {
	Name     string
	Line     string  // its main line in IUPAC notation
	EnergyEV float64 // of that line, 0 for the continuum
	V        []float64
}

// ViewField is one field with its maps and spectra.
type ViewField struct {
	Name, Role, Coupon string
	Width, Height      int
	PixelUm            float64     // side of a pixel; NaN when it is not known
	Maps               [][]float64 // by line, row by row; NaN = no value
	Sum                Region
	BlockPx, Columns   int // blocks tile the field row by row
	Blocks             []Region
	Spots              []ViewSpot
}

// ViewSpot is a spot with its spectrum.
type ViewSpot struct {
	ID           int
	XPx, YPx     float64
	RadiusPx     float64
	Verdict      string // in words
	Class        string // one of the maps.Verdict values
	Region       Region
	Around       []float64 // spectrum of the surroundings, nil without
	AroundPixels int
}

// Region is a measured spectrum with the amplitudes of its fit, one per shape.
type Region struct {
	Pixels int
	Counts []float64 // whole numbers
	Net    []float64 // per shape, the continuum last
	Sigma  []float64 // per shape but the continuum
}

// levels is the number of display levels of an embedded map; the value after
// them stands for pixels without a value.
const levels = 255

// viewJSON is what the script reads. Numbers are packed as base64: maps as one
// byte per pixel, spectra as counted below, shapes and amplitudes as float32.
type viewJSON struct {
	Lines   []viewLineJSON  `json:"lines"`
	Fields  []viewFieldJSON `json:"fields"`
	First   float64         `json:"first"`
	Step    float64         `json:"step"`
	Shapes  []shapeJSON     `json:"shapes"`
	Focus   [2]float64      `json:"focus"`
	Colours string          `json:"colours"` // RGB, one per level and one for no value
}

type viewLineJSON struct {
	Name  string   `json:"name"`
	Why   string   `json:"why"`
	High  float64  `json:"high"`
	Codes []number `json:"codes"` // the value of each level
}

type viewFieldJSON struct {
	Name    string         `json:"name"`
	Role    string         `json:"role"`
	Coupon  string         `json:"coupon"`
	Width   int            `json:"w"`
	Height  int            `json:"h"`
	PixelUm number         `json:"px"`
	Maps    []string       `json:"maps"`
	Sum     regionJSON     `json:"sum"`
	BlockPx int            `json:"block"`
	Columns int            `json:"columns"`
	Blocks  []regionJSON   `json:"blocks"`
	Spots   []viewSpotJSON `json:"spots"`
}

type viewSpotJSON struct {
	ID      int        `json:"id"`
	X       float64    `json:"x"`
	Y       float64    `json:"y"`
	Radius  float64    `json:"r"`
	Verdict string     `json:"verdict"`
	Class   string     `json:"class"`
	Region  regionJSON `json:"region"`
	Around  string     `json:"around,omitempty"`
	Ring    int        `json:"ring,omitempty"`
}

type regionJSON struct {
	Pixels int    `json:"n"`
	Counts string `json:"c"`
	Net    string `json:"net"`
	Sigma  string `json:"sigma"`
}

type shapeJSON struct {
	Name   string  `json:"name"`
	Line   string  `json:"line"`
	Energy float64 `json:"e"`
	V      string  `json:"v"`
}

// number is a float64 that JSON writes as null when it is missing.
type number float64

// MarshalJSON writes four significant digits.
func (n number) MarshalJSON() ([]byte, error) {
	if missing(float64(n)) {
		return []byte("null"), nil
	}
	return fmt.Appendf(nil, "%.4g", float64(n)), nil
}

// script returns the data as JSON. The encoder writes <, > and & as escapes, so
// that no text in it can end the element that holds it.
func (v *Viewer) script() (template.JS, error) {
	out := viewJSON{First: v.FirstEV, Step: v.StepEV, Focus: [2]float64{v.FocusLow, v.FocusHigh}, Colours: v.colours()}
	for _, s := range v.Shapes {
		out.Shapes = append(out.Shapes, shapeJSON{s.Name, s.Line, s.EnergyEV, floats(s.V)})
	}
	codes := make([][]float64, len(v.Lines))
	for k, l := range v.Lines {
		codes[k] = v.codes(k)
		j := viewLineJSON{Name: l.Name, Why: l.Why, High: l.High}
		for _, c := range codes[k] {
			j.Codes = append(j.Codes, number(c))
		}
		out.Lines = append(out.Lines, j)
	}
	for _, f := range v.Fields {
		if err := f.check(len(v.Lines)); err != nil {
			return "", err
		}
		j := viewFieldJSON{Name: f.Name, Role: RoleWords(f.Role), Coupon: f.Coupon, Width: f.Width, Height: f.Height, PixelUm: number(f.PixelUm),
			Sum: f.Sum.json(), BlockPx: f.BlockPx, Columns: f.Columns, Blocks: []regionJSON{}, Spots: []viewSpotJSON{}}
		for k, m := range f.Maps {
			j.Maps = append(j.Maps, base64.StdEncoding.EncodeToString(coded(m, codes[k])))
		}
		for _, b := range f.Blocks {
			j.Blocks = append(j.Blocks, b.json())
		}
		for _, s := range f.Spots {
			o := viewSpotJSON{ID: s.ID, X: rounded(s.XPx), Y: rounded(s.YPx), Radius: rounded(s.RadiusPx), Verdict: s.Verdict, Class: s.Class, Region: s.Region.json()}
			if s.AroundPixels > 0 {
				o.Around, o.Ring = counted(s.Around), s.AroundPixels
			}
			j.Spots = append(j.Spots, o)
		}
		out.Fields = append(out.Fields, j)
	}
	data, err := json.Marshal(out)
	if err != nil {
		return "", fmt.Errorf("report: spectra of the page: %w", err)
	}
	return template.JS(data), nil
}

func (f ViewField) check(lines int) error {
	if len(f.Maps) != lines {
		return fmt.Errorf("report: field %q: %d maps for %d lines", f.Name, len(f.Maps), lines)
	}
	for _, m := range f.Maps {
		if len(m) != f.Width*f.Height {
			return fmt.Errorf("report: field %q: a map of %d values for %d × %d pixels", f.Name, len(m), f.Width, f.Height)
		}
	}
	return nil
}

func (r Region) json() regionJSON {
	return regionJSON{Pixels: r.Pixels, Counts: counted(r.Counts), Net: floats(r.Net), Sigma: floats(r.Sigma)}
}

func rounded(v float64) float64 { return math.Round(100*v) / 100 }

// codes returns the value of each level of line k: steps of the display range up
// to its end, then geometric steps to the largest value, so that bright places
// can still be read off.
func (v *Viewer) codes(k int) []float64 {
	high, top := v.Lines[k].High, v.Lines[k].High
	for _, f := range v.Fields {
		if k >= len(f.Maps) {
			continue
		}
		for _, x := range f.Maps[k] {
			if !missing(x) {
				top = math.Max(top, x)
			}
		}
	}
	const within = 200
	out := make([]float64, levels)
	for i := range out {
		if i <= within {
			out[i] = high * float64(i) / within
			continue
		}
		out[i] = high * math.Pow(math.Max(top/high, 1), float64(i-within)/float64(levels-1-within))
	}
	return out
}

// coded returns the level of every pixel, the nearest of the codes; values
// below 0 take the first.
func coded(m, codes []float64) []byte {
	out := make([]byte, len(m))
	high, last := codes[200], codes[levels-1]
	for p, x := range m {
		switch {
		case missing(x):
			out[p] = levels
		case x <= 0:
		case x <= high:
			out[p] = byte(math.Round(200 * x / high))
		case last > high:
			out[p] = byte(math.Min(levels-1, math.Round(200+(levels-1-200)*math.Log(x/high)/math.Log(last/high))))
		default:
			out[p] = 200
		}
	}
	return out
}

// colours packs the colour of each level and of pixels without a value; levels
// above the display range take the last colour.
func (v *Viewer) colours() string {
	var out []byte
	for i := range levels {
		c := color.RGBA{128, 128, 128, 255}
		if n := len(v.Colours); n > 0 {
			c = v.Colours[min(n-1, i*n/201)]
		}
		out = append(out, c.R, c.G, c.B)
	}
	return base64.StdEncoding.EncodeToString(append(out, v.Missing.R, v.Missing.G, v.Missing.B))
}

// counted packs whole counts: each as an unsigned varint (7 bits per byte, least
// first, the top bit says that more follow), a run of zeros as 0 and its length.
func counted(counts []float64) string {
	var out []byte
	for i := 0; i < len(counts); {
		if n := uint64(math.Max(0, math.Round(counts[i]))); n > 0 {
			out = binary.AppendUvarint(out, n)
			i++
			continue
		}
		run := 1
		for i+run < len(counts) && math.Round(counts[i+run]) <= 0 {
			run++
		}
		out = binary.AppendUvarint(append(out, 0), uint64(run))
		i += run
	}
	return base64.StdEncoding.EncodeToString(out)
}

// floats packs numbers as little-endian float32.
func floats(v []float64) string {
	out := make([]byte, 0, 4*len(v))
	for _, x := range v {
		out = binary.LittleEndian.AppendUint32(out, math.Float32bits(float32(x)))
	}
	return base64.StdEncoding.EncodeToString(out)
}
