package study

import (
	"errors"
	"fmt"
	"io"

	"example.org/fleck/maps"
	"example.org/fleck/maps/cube"
	"example.org/fleck/quant/template"
	"example.org/fleck/spectra/xray"
)

// File is a study as a TOML file states it. It names cubes and opens none.
// Example explains the keys.
type File struct {
	Title     string
	Target    xray.Material
	Substrate xray.Material
	Coating   *xray.Material // nil = none
	Order     template.CoatingOrder
	Confusers []xray.Material
	Elements  []xray.Element // nil = those of the materials
	Detector  string         // name of a file, "" = default detector

	// Cube is what the file states about all cubes.
	Cube cube.Options

	// Stationary is the beam mode; false = rastered. A file that does not know it
	// (Unknown) counts as stationary, which probes less.
	Stationary, Unknown bool
	ProbeNM             float64
	Paired              bool

	Options Options // Workers is not a matter of the file

	Fields []FileField

	// Keys lists the keys that the file states, in its order, without those of
	// the fields.
	Keys []string
}

// FileField is one field with the name of its cube as the file writes it,
// relative to the folder of the file.
type FileField struct {
	maps.Field
	Cube  string
	Later []string // cubes of the same field that were recorded after Cube, in order of time
	Line  int      // of its [[field]]
}

// Has reports whether the file states a key.
func (f *File) Has(key string) bool {
	for _, k := range f.Keys {
		if k == key {
			return true
		}
	}
	return false
}

// Study returns the study without the sources of its fields: the caller opens
// the cubes and fills Source and SHA256.
func (f *File) Study() *Study {
	s := &Study{Title: f.Title, Target: f.Target, Substrate: f.Substrate, Coating: f.Coating, Order: f.Order,
		Confusers: f.Confusers, Elements: f.Elements, Options: f.Options}
	for _, ff := range f.Fields {
		s.Fields = append(s.Fields, FieldInput{Field: ff.Field, Input: ff.Cube})
	}
	return s
}

// fileStudy is the TOML form.
type fileStudy struct {
	Format       int       `toml:"fleck_format"`
	Title        string    `toml:"title"`
	Target       string    `toml:"target"`
	Substrate    string    `toml:"substrate"`
	Coating      string    `toml:"coating"`
	CoatingOrder string    `toml:"coating_order"`
	Confusers    []string  `toml:"confusers"`
	Elements     []string  `toml:"elements"`
	Detector     string    `toml:"detector"`
	BeamKeV      float64   `toml:"beam_kev"`
	TakeOffDeg   float64   `toml:"takeoff_deg"`
	PixelUM      float64   `toml:"pixel_um"`
	FirstEV      float64   `toml:"energy_first_ev"`
	StepEV       float64   `toml:"energy_step_ev"`
	LiveTimeS    float64   `toml:"live_time_s"`
	Shape        []int     `toml:"shape"`
	Type         string    `toml:"type"`
	Endian       string    `toml:"endian"`
	Axes         string    `toml:"axes"`
	Offset       int64     `toml:"offset"`
	Frames       string    `toml:"frames"`
	BeamMode     string    `toml:"beam_mode"`
	ProbeNM      float64   `toml:"probe_nm"`
	Paired       bool      `toml:"paired"`
	Q            float64   `toml:"q"`
	Alpha        float64   `toml:"alpha"`
	Bootstrap    int       `toml:"bootstrap"`
	Replicas     int       `toml:"replicas"` // the same, by the name of the flag
	Seed         int64     `toml:"seed"`
	Limit        bool      `toml:"limit"`
	LowEV        float64   `toml:"low_ev"`
	HighEV       float64   `toml:"high_ev"`
	Fields       []fileRow `toml:"field"`
}

type fileRow struct {
	Name   string   `toml:"name"`
	Coupon string   `toml:"coupon"`
	Role   string   `toml:"role"`
	Cube   string   `toml:"cube"`
	Later  []string `toml:"later"`
}

// FormatNumber is the fleck_format of study files and of what Write writes.
const FormatNumber = 1

// maxFile bounds the size of a study file.
const maxFile = 1 << 20

// FileError reports a study file that cannot be used.
type FileError struct {
	Line int // from 1; 0 = the file as a whole
	Err  error
}

// Error returns the error in the form "study: line 12: …".
func (e *FileError) Error() string {
	if e.Line == 0 {
		return "study: " + e.Err.Error()
	}
	return fmt.Sprintf("study: line %d: %v", e.Line, e.Err)
}

// Unwrap returns the cause.
func (e *FileError) Unwrap() error { return e.Err }

// ErrNewerFormat means a study file of a newer version of this project.
var ErrNewerFormat = errors.New("file of a newer format")

// Parse reads a study file. Errors are of type *FileError; keys that are not
// known are errors.
func Parse(r io.Reader) (*File, error) {
	data, err := io.ReadAll(io.LimitReader(r, maxFile+1))
	if err != nil {
		return nil, &FileError{0, err}
	}
	if len(data) > maxFile {
		return nil, &FileError{0, fmt.Errorf("a study file of more than %d bytes", maxFile)}
	}
	p := &fileParser{text: string(data)}
	if err := p.decode(); err != nil {
		return nil, err
	}
	return p.file()
}
