package figure

import (
	"fmt"
	"io"

	"example.org/fleck/maps"
)

// PanelOptions are the options of Panel.
type PanelOptions struct {
	Title     string   // "" takes What of the first map
	Caption   string   // small text below the maps, "" for none
	Labels    []string // one per map, e.g. "treated T1 / field 1"; nil numbers the fields
	Columns   int      // maps beside each other; 0 chooses 1 to 4 by their number
	Scale     *maps.Scale
	Log       bool
	Diverging bool
	WidthMM   float64
	DPI       int
}

// Panel draws several maps of one quantity side by side in one scale with one
// colour bar, as PNG. All maps must have the same unit. One magnification holds
// for all; there is one scale bar, or one under each map if pixel sizes differ.
//
// Errors are those of ElementMap; a single map without values is drawn hatched
// as long as another has some.
func Panel(w io.Writer, ms []maps.Map, opt PanelOptions) error {
	if len(ms) == 0 {
		return fmt.Errorf("figure: panel of 0 maps, want at least 1")
	}
	if opt.Labels != nil && len(opt.Labels) != len(ms) {
		return fmt.Errorf("figure: %d labels for %d maps", len(opt.Labels), len(ms))
	}
	if opt.Columns < 0 {
		return fmt.Errorf("figure: %d columns, want 0 or more", opt.Columns)
	}
	cm := Sequential()
	if opt.Diverging {
		cm = Diverging()
	}
	s, err := newShade(ms, opt.Scale, opt.Log, opt.Diverging, cm)
	if err != nil {
		return err
	}
	sheet := mapSheet{
		title: firstOf(opt.Title, ms[0].What, "untitled maps"), caption: opt.Caption,
		maps: ms, labels: opt.Labels, columns: opt.Columns, shade: s, widthMM: opt.WidthMM, dpi: opt.DPI,
	}
	if sheet.labels == nil {
		for i := range ms {
			sheet.labels = append(sheet.labels, fmt.Sprintf("field %d", i+1))
		}
	}
	for i, l := range sheet.labels {
		sheet.describe = append(sheet.describe, fmt.Sprintf("map %d: %s", i+1, clean(l)))
	}
	if sheet.columns == 0 {
		switch n := len(ms); {
		case n <= 3:
			sheet.columns = n
		case n == 4:
			sheet.columns = 2
		case n <= 12:
			sheet.columns = 3
		default:
			sheet.columns = 4
		}
	}
	return drawMaps(w, sheet)
}
