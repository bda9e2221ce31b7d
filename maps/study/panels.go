package study

import (
	"fmt"
	"io"
	"strings"

	fields "example.org/fleck/maps"
	"example.org/fleck/maps/figure"
	"example.org/fleck/maps/record"
)

// panels draws every line that matters over all fields.
func (w *writer) panels() error {
	order, columns := w.panelOrder()
	for _, m := range w.matter {
		var list []fields.Map
		var labels []string
		above := 0
		for _, i := range order {
			f := &w.r.Fields[i]
			value := f.Maps.Stacks[m.family].Value
			list = append(list, value)
			labels = append(labels, fieldLabel(f.Field))
			for _, v := range value.V {
				if v > m.scale.High {
					above++
				}
			}
		}
		name := "maps_" + record.FileName(m.name) + ".png"
		scale := m.scale
		data, err := w.file(name, func(out io.Writer) error {
			return figure.Panel(out, list, figure.PanelOptions{Title: m.name + " net counts", Labels: labels, Columns: columns, Scale: &scale, WidthMM: pageWidthMM, DPI: w.dpi * 3 / 4})
		})
		if err != nil {
			return err
		}
		w.figures.panels = append(w.figures.panels, panel{drawn{data, name}, m, above})
	}
	return nil
}

// panelOrder is the order of the fields in a panel with the number of maps
// beside each other; 0 leaves that to the figure. Of paired coupons each row holds
// a field before and one after treatment. Else the treated fields fill the first
// rows and the blank ones the next, where they fit.
func (w *writer) panelOrder() (order []int, columns int) {
	if c := w.r.Comparison; c != nil && c.Options.Paired {
		if order = w.pairs(); len(order) > 0 {
			return order, 2
		}
	}
	first := 0
	for _, role := range roles {
		for i, f := range w.r.Fields {
			if f.Role == role {
				order = append(order, i)
			}
		}
		if first == 0 {
			first = len(order)
		}
	}
	if len(order) != len(w.r.Fields) { // a role that is not known
		order = order[:0]
		for i := range w.r.Fields {
			order = append(order, i)
		}
		return order, 0
	}
	if first < 2 || first > 4 || first == len(order) {
		return order, 0
	}
	return order, first
}

// pairs returns the fields of every coupon, one before and one after treatment in
// turn; nil when a coupon has more of one kind than of the other.
func (w *writer) pairs() []int {
	var order []int
	done := map[string]bool{}
	for _, f := range w.r.Fields {
		if done[f.Coupon] {
			continue
		}
		done[f.Coupon] = true
		var before, after []int
		for i, g := range w.r.Fields {
			switch {
			case g.Coupon != f.Coupon:
			case g.Role == fields.Untreated:
				before = append(before, i)
			default:
				after = append(after, i)
			}
		}
		if len(before) != len(after) {
			return nil
		}
		for k := range before {
			order = append(order, before[k], after[k])
		}
	}
	return order
}

// fieldLabel names a field in a figure.
func fieldLabel(f fields.Field) string {
	label := fmt.Sprintf("%s (%s", f.Name, strings.ReplaceAll(string(f.Role), "_", " "))
	if f.Coupon != "" && f.Coupon != f.Name {
		label += ", " + f.Coupon
	}
	return label + ")"
}
