// Package figure draws maps, spectra and comparisons, and writes float TIFF.
//
// Every function takes an io.Writer and plain data; what it draws is declared
// here or in package maps, never in the packages that compute it. Figures are
// laid out for a width of 85 mm (one column of print), where their text is 7
// to 9 points high; a wider page keeps the text and gains room.
//
// Maps are PNG: each map pixel is a block of whole output pixels, nothing is
// interpolated, and the file carries the physical size of an output pixel
// (sCAL), the display resolution (pHYs) and a description of quantity, unit
// and display range (iTXt). Spectra, comparisons and histograms are PNG or SVG.
//
// Conventions: y runs down, as in maps. NaN is drawn as hatched grey and named
// in the legend; an infinite value is an error. Energies come in eV and are
// drawn in keV.
//
// Not implemented: interpolation and smoothing (they would show structure that
// was not measured), colour overlays of several elements, titles with markup.
package figure

import (
	"fmt"
	"math"
)

// Format is the file format of a drawn figure.
type Format string

// Formats. The zero value means PNG.
const (
	PNG Format = "png"
	SVG Format = "svg"
)

func (f Format) check() error {
	switch f {
	case "", PNG, SVG:
		return nil
	}
	return fmt.Errorf("figure: format %q, want %q or %q", string(f), PNG, SVG)
}

// Sizes of a page. Sources: 85 mm is a common width of a journal column and 300
// dots per inch a common request of printers; common practice, no source.
const (
	defaultWidthMM = 85
	minWidthMM     = 50
	maxWidthMM     = 500
	defaultDPI     = 300
	maxDPI         = 2400
	maxPagePixels  = 1 << 26 // 256 MiB of RGBA; common practice, no source
	mm             = 72 / 25.4
)

// pageSize resolves and checks width (mm) and resolution.
func pageSize(widthMM float64, dpi int) (float64, int, error) {
	if widthMM == 0 {
		widthMM = defaultWidthMM
	}
	if dpi == 0 {
		dpi = defaultDPI
	}
	if !(widthMM >= minWidthMM && widthMM <= maxWidthMM) {
		return 0, 0, fmt.Errorf("figure: width %g mm, want %d to %d mm", widthMM, minWidthMM, maxWidthMM)
	}
	if dpi < 36 || dpi > maxDPI {
		return 0, 0, fmt.Errorf("figure: %d dots per inch, want 36 to %d", dpi, maxDPI)
	}
	return widthMM, dpi, nil
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
