package study

import (
	"encoding/csv"
	"fmt"
	"io"
	"strconv"
)

// spotColumns are the columns of spots.csv.
var spotColumns = []string{"field", "coupon", "role", "id", "x_px", "y_px", "x_um", "y_um", "area_um2", "diameter_um", "unresolved",
	"excess_counts", "sigma", "line_counts", "line_sigma", "q_value", "verdict", "compound", "reason", "beam_kev", "substrate", "coating"}

// spotRows are the spots of all fields in order.
func (w *writer) spotRows() []object {
	rows := []object{}
	for i := range w.r.Fields {
		f := &w.r.Fields[i]
		rows = append(rows, w.spotList(f, f.Spots.Spots)...)
	}
	return rows
}

// spotsCSV writes the spots as a table; missing numbers are empty.
func (w *writer) spotsCSV(out io.Writer) error {
	if _, err := fmt.Fprintf(out, "# fleck_format: %d\n", FormatNumber); err != nil {
		return err
	}
	t := csv.NewWriter(out)
	if err := t.Write(spotColumns); err != nil {
		return err
	}
	row := make([]string, len(spotColumns))
	for _, o := range w.spotRows() {
		for k, col := range spotColumns {
			row[k] = cell(o.get(col))
		}
		if err := t.Write(row); err != nil {
			return err
		}
	}
	t.Flush()
	return t.Error()
}

func cell(v any) string {
	switch v := v.(type) {
	case nil:
		return ""
	case float64:
		return strconv.FormatFloat(v, 'g', -1, 64)
	}
	return fmt.Sprint(v)
}
