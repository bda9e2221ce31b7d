package figure

import (
	"fmt"
	"io"
	"math"

	"example.org/fleck/maps"
)

// significanceEnd is the end of the display range of a significance map where
// none is given: six standard uncertainties. Common practice, no source.
const significanceEnd = 6

// Significance draws a map divided by its standard uncertainty, as PNG: how far
// every pixel by itself stands above zero. Pixels without a value or without an
// uncertainty above zero are hatched. It illustrates: a map holds thousands of
// pixels, of which some stand high by chance.
//
// Maps of different size and those of ElementMap are errors; a map without any
// ratio is drawn hatched.
func Significance(w io.Writer, value, sigma maps.Map, opt MapOptions) error {
	for _, m := range []maps.Map{value, sigma} {
		if err := m.Check(); err != nil {
			return fmt.Errorf("figure: %w", err)
		}
	}
	if value.W != sigma.W || value.H != sigma.H {
		return fmt.Errorf("figure: a map of %d × %d pixels with uncertainties of %d × %d", value.W, value.H, sigma.W, sigma.H)
	}
	m := value
	m.V = make([]float64, len(value.V))
	for i := range m.V {
		m.V[i] = math.NaN()
		if s := sigma.V[i]; s > 0 && !math.IsInf(s, 1) {
			m.V[i] = value.V[i] / s
		}
	}
	m.What = firstOf(value.What, "value") + " over standard uncertainty"
	m.Unit = "standard uncertainties"
	if opt.Scale == nil {
		opt.Scale = &maps.Scale{Low: 0, High: significanceEnd}
	}
	opt.Title = firstOf(opt.Title, m.What)
	opt.Caption = firstOf(opt.Caption, "Single pixels; some stand high by chance. Decisions rest on spots.")
	return ElementMap(w, m, opt)
}
