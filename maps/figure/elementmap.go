package figure

import (
	"io"

	"example.org/fleck/maps"
)

// MapOptions are the options of ElementMap. The zero value draws a linear map
// over the range of its own values.
type MapOptions struct {
	Title     string      // "" takes Map.What
	Caption   string      // small text below the map, "" for none
	Scale     *maps.Scale // display range, nil for the range of the values; share it between figures that are compared
	Log       bool        // logarithmic colours; values at or below zero take one colour beyond the low end and are counted
	Diverging bool        // for differences: colours centred on zero, Scale is widened to ±max
	WidthMM   float64     // width of the page in mm, 50 to 500; 0 means 85
	DPI       int         // least dots per inch, 36 to 2400; 0 means 300. The file states what was used
}

// ElementMap draws one map as PNG: title, map, colour bar with unit, scale bar,
// and a legend of pixels without value.
//
// A map pixel is a block of whole output pixels. If the pixel size is unknown
// the bar counts pixels and says so. Values outside Scale take the end colours;
// the colour bar then has a pointed end and the legend counts them. An infinite
// value, a map without any finite value (unless Scale is given) and a
// logarithmic scale without positive values are errors.
func ElementMap(w io.Writer, m maps.Map, opt MapOptions) error {
	cm := Sequential()
	if opt.Diverging {
		cm = Diverging()
	}
	s, err := newShade([]maps.Map{m}, opt.Scale, opt.Log, opt.Diverging, cm)
	if err != nil {
		return err
	}
	return drawMaps(w, mapSheet{
		title: firstOf(opt.Title, m.What, "untitled map"), caption: opt.Caption,
		maps: []maps.Map{m}, columns: 1, shade: s, widthMM: opt.WidthMM, dpi: opt.DPI,
	})
}

func firstOf(s ...string) string {
	for _, v := range s {
		if v != "" {
			return v
		}
	}
	return ""
}
