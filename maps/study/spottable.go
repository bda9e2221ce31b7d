package study

import (
	"io"

	"example.org/fleck/maps/record"
)

// spotRows are the spots of all fields in order.
func (w *writer) spotRows() []record.Object {
	rows := []record.Object{}
	for i := range w.r.Fields {
		f := &w.r.Fields[i]
		rows = append(rows, w.spotList(f, f.Spots.Spots)...)
	}
	return rows
}

// spotsCSV writes the spots as a table.
func (w *writer) spotsCSV(out io.Writer) error {
	return record.SpotTable(out, FormatNumber, []string{"field", "coupon", "role"}, w.spotRows())
}
