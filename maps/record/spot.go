package record

import (
	"encoding/csv"
	"fmt"
	"io"
	"maps"
	"slices"
	"strconv"

	fields "example.org/fleck/maps"
	"example.org/fleck/maps/spots"
	"gonum.org/v1/gonum/floats"
)

// NoPixelSize is the reason for lengths and areas that are missing.
const NoPixelSize = "the pixel size is not known"

// Spot is one spot: which holds the keys that say where it was found, condition
// those that say how it was measured.
func Spot(which Object, s fields.Spot, condition Object) Object {
	o := append(slices.Clone(which), Member{"id", s.ID})
	o.Number("x_px", s.XPx, "")
	o.Number("y_px", s.YPx, "")
	o.Number("x_sigma_px", s.SigmaXPx, "")
	o.Number("y_sigma_px", s.SigmaYPx, "")
	o.Number("x_um", s.XUm, NoPixelSize)
	o.Number("y_um", s.YUm, NoPixelSize)
	size := NoPixelSize
	if s.Unresolved {
		size = "not wider than the smallest profile searched: the size is not resolved"
	}
	o.Number("area_px", s.AreaPx, size)
	o.Number("area_um2", s.AreaUm2, size)
	o.Number("diameter_um", s.DiameterUm, size)
	o.Set("unresolved", s.Unresolved)
	o.Set("touches_edge", s.Touches)
	o.Number("excess_counts", s.ExcessCounts, "")
	o.Number("sigma", s.ExcessSigma, "")
	o.Number("excess_low", s.ExcessLow, "")
	o.Number("excess_high", s.ExcessHigh, "")
	o.Number("line_counts", s.LineCounts, "")
	o.Number("line_sigma", s.LineSigma, "")
	o.Number("log_likelihood", s.LogLikelihood, "")
	o.Number("p_value", s.PValue, "")
	o.Number("q_value", s.QValue, "")
	o.Set("verdict", string(s.Verdict))
	if s.Compound != "" {
		o.Set("compound", s.Compound)
	} else {
		o.Set("compound", nil)
	}
	o.Set("reason", s.Reason)
	evidence := Object{}
	for _, name := range slices.Sorted(maps.Keys(s.Evidence)) {
		evidence.Number(name, s.Evidence[name], "not possible")
	}
	o.Set("evidence", evidence)
	return append(o, condition...)
}

// Spots are the spots of a list.
func Spots(which Object, list []fields.Spot, condition Object) []Object {
	out := make([]Object, 0, len(list))
	for _, s := range list {
		out = append(out, Spot(which, s, condition))
	}
	return out
}

// spotColumns are the columns of a table of spots after those that say where.
var spotColumns = []string{"id", "x_px", "y_px", "x_um", "y_um", "area_um2", "diameter_um", "unresolved", "excess_counts", "sigma",
	"line_counts", "line_sigma", "q_value", "verdict", "compound", "reason", "beam_kev", "substrate", "coating"}

// SpotTable writes spots as CSV, with the columns named in which first; missing
// numbers are empty.
func SpotTable(w io.Writer, format int, which []string, rows []Object) error {
	if _, err := fmt.Fprintf(w, "# fleck_format: %d\n", format); err != nil {
		return err
	}
	t := csv.NewWriter(w)
	columns := append(slices.Clone(which), spotColumns...)
	if err := t.Write(columns); err != nil {
		return err
	}
	row := make([]string, len(columns))
	for _, o := range rows {
		for k, col := range columns {
			row[k] = cell(o.Get(col))
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

// Limit is the detection limit of a field; more holds further keys.
func Limit(l spots.Limit, more, condition Object) Object {
	o := Object{}
	reason := l.Reason
	if reason == "" {
		reason = "no limit was found"
	}
	o.Number("excess_counts", l.ExcessCounts, reason)
	o.Number("probability", l.Probability, reason)
	o.Number("width_px", l.WidthPx, reason)
	o = append(o, more...)
	curve := []Object{}
	for _, p := range l.Curve {
		c := Object{}
		c.Number("excess_counts", p.ExcessCounts, "")
		c.Set("put", p.Put)
		c.Set("found", p.Found)
		curve = append(curve, c)
	}
	o.Set("curve", curve)
	return append(o, condition...)
}

// Occurrences says how often compounds occur in treated and blank fields.
func Occurrences(list []spots.Occurrence) []Object {
	rows := []Object{}
	for _, c := range list {
		o := Of("compound", c.Compound, "treated", c.Treated, "blank", c.Blank)
		o.Number("p_value", c.PValue, "")
		o.Set("substrate", c.Marked)
		rows = append(rows, o)
	}
	return rows
}

// Search is the answer of the search in one field.
func Search(o *Object, r *spots.Result) {
	o.Number("p_value", r.PValue, "")
	o.Set("detected", r.Detected)
	o.Number("threshold", r.Threshold, "the field holds no counts, or is one pixel")
	o.Number("list_threshold", r.ListThreshold, "no spot was listed")
	o.Number("expected_false", r.ExpectedFalse, "")
	const noBlank = "no blank spectrum was used"
	o.Set("substrate_from", r.SubstrateFrom)
	o.Number("blank_p_value", r.BlankP, noBlank)
	o.Number("excess_counts", r.Excess, noBlank)
	o.Number("excess_sigma", r.ExcessSigma, noBlank)
	o.Number("line_excess_counts", r.LineExcess, noBlank)
	o.Number("line_excess_sigma", r.LineExcessSigma, noBlank)
	if len(r.Phases) == 0 {
		return
	}
	phases := []Object{}
	for _, ph := range r.Phases {
		phases = append(phases, Of("pixel_share", ph.Share, "counts", floats.Sum(ph.Spectrum)))
	}
	o.Set("phases", phases)
}
