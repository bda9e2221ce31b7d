package study

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"

	"example.org/fleck/maps/compare"
	"example.org/fleck/maps/record"
	"example.org/fleck/spectra/msa"
	"example.org/fleck/spectra/xray"
)

// Sink takes the files of a study. Names hold only a-z, 0-9, "_", "-" and ".",
// with "/" between a folder, one level deep, and its file; no name comes twice.
// Close commits a file; a file whose writer is not closed is not complete and
// must not be kept.
type Sink interface {
	Create(name string) (io.WriteCloser, error)
}

// Origin says where a setting comes from.
type Origin string

// Origins of a setting.
const (
	FromDefault Origin = "default"
	FromFile    Origin = "file"
	FromFlag    Origin = "flag"
	FromCaller  Origin = "caller" // set by a program that uses the library
)

// Setting is one resolved setting. Value is a bool, a string, a number, a
// slice of them or nil.
type Setting struct {
	Key    string
	Value  any
	Origin Origin
}

// WriteOptions are what only the caller knows. The zero value works.
type WriteOptions struct {
	Command  string // what made the study, e.g. "study" or "demo"
	Version  string
	Platform string
	// Settings in the order they are shown. What Options of the study resolve to
	// is added where it is missing here.
	Settings []Setting
	// Invented says that the data are simulated and how; "" for measured ones.
	Invented string
	// Repeat is the command line that does the work again, "" if there is none.
	Repeat   string
	Warnings []string // of the caller
}

// Write writes all files of a study: index.html, result.json, the tables of
// spots and the comparison, the sum spectrum, a panel of every line that
// matters, and a folder of maps for each field. The bytes depend on the result
// and the options only.
//
// A file that cannot be made or written is an error; files before it stay.
func Write(r *Result, sink Sink, opt WriteOptions) error { return write(r, sink, opt, figureDPI) }

func write(r *Result, sink Sink, opt WriteOptions, dpi int) error {
	for _, f := range r.Fields {
		if f.Maps == nil {
			return fmt.Errorf("study: field %q has no maps (Options.NoMaps); they are needed for writing", f.Name)
		}
	}
	w := &writer{r: r, sink: sink, opt: opt, dpi: dpi, scaled: true}
	for i := range r.Fields {
		w.scaled = w.scaled && r.Fields[i].Header.Pixel.Known()
	}
	var err error
	if w.otherArms, err = r.Arms(); err != nil {
		return fmt.Errorf("study: %w", err)
	}
	w.settings = w.resolve()
	w.remarks = w.collectRemarks()
	w.prepareMaps()
	for _, step := range []func() error{w.fieldFolders, w.panels, w.spectrum, w.tables, w.page} {
		if err := step(); err != nil {
			return fmt.Errorf("study: %w", err)
		}
	}
	return nil
}

// writer carries what the steps of Write share.
type writer struct {
	r         *Result
	sink      Sink
	opt       WriteOptions
	dpi       int  // of figures
	scaled    bool // the pixel size of every field is known
	otherArms []compare.Arm
	settings  []Setting
	remarks   []string
	files     []string
	matter    []mapped // lines that are drawn
	figures   figures
	// fieldFiles names the files of every field by what they hold.
	fieldFiles []record.Object
	mass       massScale
	resultSum  string // SHA-256 of result.json
}

var nan = math.NaN()

func itoa(n int) string { return strconv.Itoa(n) }

// file writes a file that is complete in memory first, so that a failure while
// it is made leaves nothing behind.
func (w *writer) file(name string, write func(io.Writer) error) ([]byte, error) {
	var b bytes.Buffer
	if err := write(&b); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return b.Bytes(), w.put(name, b.Bytes())
}

func (w *writer) put(name string, data []byte) error {
	out, err := w.sink.Create(name)
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	if _, err := out.Write(data); err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	if err := out.Close(); err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	w.files = append(w.files, name)
	return nil
}

// json writes an object as a file.
func (w *writer) json(name string, o record.Object) error {
	data, err := record.Document(o)
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	return w.put(name, data)
}

// tables writes the tables; result.json, which names all files, comes last.
func (w *writer) tables() error {
	if _, err := w.file("spots.csv", w.spotsCSV); err != nil {
		return err
	}
	o := w.head()
	o.Set("spots", w.spotRows())
	rejected := []record.Object{}
	for i := range w.r.Fields {
		f := &w.r.Fields[i]
		rejected = append(rejected, w.spotList(f, f.Spots.Rejected)...)
	}
	o.Set("rejected", rejected)
	if err := w.json("spots.json", o); err != nil {
		return err
	}
	if w.r.Comparison != nil {
		o := w.head()
		w.comparison(&o)
		if err := w.json("comparison.json", o); err != nil {
			return err
		}
	}
	data, err := record.Document(w.result())
	if err != nil {
		return fmt.Errorf("result.json: %w", err)
	}
	w.resultSum = fmt.Sprintf("%x", sha256.Sum256(data))
	return w.put("result.json", data)
}

// tableSum is the checksum of the atomic data tables.
func (w *writer) tableSum() string { return xray.TableChecksum() }

// collectRemarks gathers what the stages and the caller remarked, once each.
func (w *writer) collectRemarks() []string {
	var out []string
	add := func(text string) {
		if !slices.Contains(out, text) {
			out = append(out, text)
		}
	}
	for _, text := range w.opt.Warnings {
		add(text)
	}
	for _, text := range w.r.Remarks {
		add(text)
	}
	for _, text := range w.r.FieldRemarks(func(f *FieldResult) []string {
		return slices.Concat(f.Header.Warnings, f.Sums.Warnings, f.Spots.Remarks)
	}) {
		add(text)
	}
	for i := range w.r.Fields {
		f := &w.r.Fields[i]
		if n := f.Maps.NotFitted; n > 0 {
			add(fmt.Sprintf("%s: the fit of %d pixels did not converge; see status.npy", f.Name, n))
		}
	}
	return out
}

// spectrumMSA writes the pooled sum spectrum.
func (w *writer) spectrumMSA(out io.Writer) error {
	return msa.Write(out, msa.FromSpectrum(*w.r.Sum), msa.WriteOptions{})
}
