package xray

import (
	"cmp"
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"slices"
	"strconv"
	"testing"
)

// checkRow is one row of a file of testdata: values of another publication.
type checkRow map[string]string

func (r checkRow) number(t *testing.T, column string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(r[column], 64)
	if err != nil {
		t.Fatalf("%s: %q is not a number", column, r[column])
	}
	return v
}

func (r checkRow) element(t *testing.T) Element { return Element(r.number(t, "z")) }

func readCheck(t *testing.T, name string) []checkRow {
	t.Helper()
	f, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	records, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	var rows []checkRow
	for _, rec := range records[1:] {
		row := checkRow{}
		for i, c := range records[0] {
			row[c] = rec[i]
		}
		rows = append(rows, row)
	}
	return rows
}

// deviations collects differences from one source.
type deviations struct {
	size []float64
	what []string
}

func (d *deviations) add(size float64, format string, args ...any) {
	d.size = append(d.size, math.Abs(size))
	d.what = append(d.what, fmt.Sprintf(format, args...))
}

// quantile returns the q-quantile (nearest rank).
func (d *deviations) quantile(q float64) float64 {
	s := slices.Sorted(slices.Values(d.size))
	return s[min(len(s)-1, int(math.Ceil(q*float64(len(s))))-1)]
}

// limit states the largest allowed quantiles of a table of deviations and how many rows it must have at least.
type limit struct {
	name           string
	rows           int
	median, p, max float64 // max 0: no limit
	q              float64 // the quantile that p limits
}

// check compares with the limits and logs the ten worst rows.
func (d *deviations) check(t *testing.T, l limit) {
	t.Helper()
	if len(d.size) < l.rows {
		t.Fatalf("%s: %d rows, want at least %d", l.name, len(d.size), l.rows)
	}
	median, p, worst := d.quantile(0.5), d.quantile(l.q), d.quantile(1)
	t.Logf("%s: n %d, median %.4g, p%.0f %.4g, worst %.4g", l.name, len(d.size), median, 100*l.q, p, worst)
	if median > l.median || p > l.p || l.max > 0 && worst > l.max {
		t.Errorf("%s: median %.4g, p%.0f %.4g, worst %.4g; want at most %g, %g, %g", l.name, median, 100*l.q, p, worst, l.median, l.p, l.max)
	}
	order := make([]int, len(d.size))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(d.size[b], d.size[a]) })
	for _, i := range order[:min(10, len(order))] {
		t.Logf("   %.4g  %s", d.size[i], d.what[i])
	}
}
