package xray

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/csv"
	"encoding/hex"
	"fmt"
	"math"
	"slices"
	"strconv"
	"sync"
)

//go:embed data/*.csv
var dataFiles embed.FS

// tableFiles are the embedded files in the order of the checksum.
var tableFiles = []string{"attenuation.csv", "coster_kronig.csv", "elements.csv", "lines.csv", "shells.csv", "sources.csv"}

// shellRow is one row of shells.csv.
type shellRow struct {
	edge, width Energy
	jump, yield float64
	electrons   int
}

// grid is the attenuation table of one element, in natural logarithms so that interpolation costs one search.
// Two equal energies in a row are a step: the first holds the value below it.
type grid struct {
	lnE, lnPhoto, lnTotal []float64
	steps                 []Energy
}

type table struct {
	weight, density [MaxElement + 1]float64
	shells          [MaxElement + 1][numInner]shellRow
	ck              [MaxElement + 1][numInner][numInner]float64
	lines           [MaxElement + 1][]Line         // by family, then energy; lines without a rate included
	radiates        [MaxElement + 1][numInner]bool // the sub-shell has a line with a rate
	grids           [MaxElement + 1]grid
	checksum        string
}

// tables returns the embedded tables, read on first use. Nothing changes them afterwards.
var tables = sync.OnceValue(func() *table {
	t, err := readTables()
	if err != nil {
		panic("xray: embedded tables are broken: " + err.Error()) // the package tests read every file
	}
	return t
})

// TableChecksum returns the first 16 hexadecimal digits of the SHA-256 over the embedded tables. It names the data
// that a result was computed with.
func TableChecksum() string { return tables().checksum }

func readTables() (*table, error) {
	t := new(table)
	files := map[string][]row{}
	sum := sha256.New()
	for _, name := range tableFiles {
		b, err := dataFiles.ReadFile("data/" + name)
		if err != nil {
			return nil, err
		}
		fmt.Fprintf(sum, "%s %d\n", name, len(b))
		sum.Write(b)
		if files[name], err = readRows(name, b); err != nil {
			return nil, err
		}
	}
	t.checksum = hex.EncodeToString(sum.Sum(nil))[:16]

	sources := map[string]string{}
	for _, r := range files["sources.csv"] {
		sources[r.text("key")] = r.text("source")
	}
	for _, r := range files["elements.csv"] {
		z := r.element()
		t.weight[z], t.density[z] = r.number("atomic_weight_g_mol"), r.number("density_g_cm3")
	}
	for _, r := range files["shells.csv"] {
		t.shells[r.element()][r.shell("shell")] = shellRow{
			edge: Energy(r.number("edge_ev")), width: Energy(r.number("width_ev")),
			jump: r.number("jump"), yield: r.number("yield"), electrons: int(r.number("electrons")),
		}
	}
	for _, r := range files["coster_kronig.csv"] {
		t.ck[r.element()][r.shell("from")][r.shell("to")] = r.number("probability")
	}
	for _, r := range files["lines.csv"] {
		l := Line{Element: r.element(), Initial: r.shell("initial"), Final: r.shell("final"),
			Energy: Energy(r.number("energy_ev")), Rate: r.number("rate"), Source: sources[r.text("energy_source")]}
		t.lines[l.Element] = append(t.lines[l.Element], l)
		t.radiates[l.Element][l.Initial] = t.radiates[l.Element][l.Initial] || l.Rate > 0
	}
	for _, r := range files["attenuation.csv"] {
		g := &t.grids[r.element()]
		g.lnE = append(g.lnE, math.Log(r.number("energy_ev")))
		g.lnPhoto = append(g.lnPhoto, math.Log(r.number("photo_cm2_g")))
		g.lnTotal = append(g.lnTotal, math.Log(r.number("total_cm2_g")))
		if n := len(g.lnE); n > 1 && g.lnE[n-1] == g.lnE[n-2] {
			g.steps = append(g.steps, Energy(r.number("energy_ev")))
		}
	}
	for z := range t.lines {
		slices.SortStableFunc(t.lines[z], compareLines)
	}
	for _, rows := range files {
		if len(rows) > 0 && rows[0].f.err != nil {
			return nil, rows[0].f.err
		}
	}
	return t, nil
}

// csvFile is shared by the rows of one file; err keeps the first failure.
type csvFile struct {
	name    string
	columns map[string]int
	err     error
}

func (f *csvFile) fail(line int, format string, args ...any) {
	if f.err == nil {
		f.err = fmt.Errorf("%s line %d: %s", f.name, line, fmt.Sprintf(format, args...))
	}
}

type row struct {
	f      *csvFile
	line   int
	fields []string
}

func readRows(name string, b []byte) ([]row, error) {
	records, err := csv.NewReader(bytes.NewReader(b)).ReadAll()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	if len(records) < 2 {
		return nil, fmt.Errorf("%s: no rows", name)
	}
	f := &csvFile{name: name, columns: map[string]int{}}
	for i, c := range records[0] {
		f.columns[c] = i
	}
	rows := make([]row, 0, len(records)-1)
	for i, rec := range records[1:] {
		rows = append(rows, row{f, i + 2, rec})
	}
	return rows, nil
}

func (r row) text(column string) string {
	i, ok := r.f.columns[column]
	if !ok {
		r.f.fail(1, "no column %q", column)
		return ""
	}
	return r.fields[i]
}

func (r row) number(column string) float64 {
	v, err := strconv.ParseFloat(r.text(column), 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) || v < 0 {
		r.f.fail(r.line, "%s: %q is not a number ≥ 0", column, r.text(column))
		return 0
	}
	return v
}

func (r row) element() Element {
	z := Element(r.number("z"))
	if !z.Valid() {
		r.f.fail(r.line, "z: %q", r.text("z"))
		return 1
	}
	return z
}

func (r row) shell(column string) Shell {
	s, ok := shellOf(r.text(column))
	if !ok {
		r.f.fail(r.line, "%s: no level %q", column, r.text(column))
	}
	if column != "final" && int(s) >= numInner {
		r.f.fail(r.line, "%s: level %v has no vacancies in the tables", column, s)
		return K
	}
	return s
}
