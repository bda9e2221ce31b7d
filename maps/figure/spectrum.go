package figure

import (
	"cmp"
	"fmt"
	"image/color"
	"io"
	"math"
	"slices"
	"strings"
)

// SpectrumData is one spectrum with what was fitted to it. All slices of
// channels have the length of EnergyEV.
type SpectrumData struct {
	EnergyEV   []float64   // centre of each channel, rising
	Counts     []float64   // measured counts per channel; NaN leaves a gap
	Model      []float64   // fitted counts per channel, nil for none
	Continuum  []float64   // the continuum within the model, nil for none
	Components []Component // parts of the model that stand on the continuum
	Marks      []Mark      // line marks
}

// Component is one part of a model: counts per channel without the continuum.
type Component struct {
	Label  string
	Counts []float64
}

// Mark labels a place on the energy axis.
type Mark struct {
	EnergyEV float64
	Label    string  // IUPAC notation with the element, e.g. "Si K-L2,3"
	Artefact bool    // escape, sum peak and the like: drawn apart
	Weight   float64 // importance; marks of equal weight rank by how far the spectrum stands out there
}

// SpectrumOptions are the options of Spectrum.
type SpectrumOptions struct {
	Title    string
	Caption  string
	Log      bool    // logarithmic counts
	LowEV    float64 // energy range; 0 and 0 shows the channels from 0 eV to the last with counts
	HighEV   float64
	MaxCount float64 // upper end of the counts axis, 0 for the largest count shown
	Format   Format
	WidthMM  float64
	DPI      int
}

var (
	dataLine      = stroke{colour: color.RGBA{30, 30, 30, 255}, width: 0.55}
	modelLine     = stroke{colour: vermilion, width: 0.9}
	continuumLine = stroke{colour: blue, width: 0.9, dash: []float64{3, 1.5}}
	guideLine     = stroke{colour: midGrey, width: 0.5, dash: []float64{2, 2}}
)

var componentColours = [...]color.RGBA{skyBlue, green, orange, purple, blue, vermilion}

// tint mixes a colour with white.
func tint(c color.RGBA, share float64) color.RGBA {
	m := func(v uint8) uint8 { return uint8(math.Round(255 - share*(255-float64(v)))) }
	return color.RGBA{m(c.R), m(c.G), m(c.B), 255}
}

// Spectrum draws counts per channel as a thin stepped line with the model over
// it and, below, the residuals (n - m)/√m in units of sigma with guides at ±3.
//
// Marks stand above the frame with lines down to the spectrum. Labels never
// overlap: they stand in rows, or upright and spread out where that places
// more of them; if there are still too many the least important are left out
// and counted in the figure. Marks outside the energy range are not drawn.
//
// On a logarithmic axis channels at or below zero lie on the lower edge.
// Slices of unequal length, energies that do not rise, infinite numbers and an
// energy range without channels are errors.
func Spectrum(w io.Writer, d SpectrumData, opt SpectrumOptions) error {
	if err := opt.Format.check(); err != nil {
		return err
	}
	widthMM, dpi, err := pageSize(opt.WidthMM, opt.DPI)
	if err != nil {
		return err
	}
	if err := d.check(); err != nil {
		return err
	}
	if d, err = d.cut(opt.LowEV, opt.HighEV); err != nil {
		return err
	}
	l := spectrumLayout{d: d, opt: opt, width: widthMM * mm}
	l.plan()
	p, err := newPage(l.width, l.height, dpi, opt.Format)
	if err != nil {
		return err
	}
	l.draw(p)
	return p.write(w, l.notes())
}

func (d SpectrumData) check() error {
	n := len(d.EnergyEV)
	if n < 2 {
		return fmt.Errorf("figure: spectrum of %d channels, want at least 2", n)
	}
	if len(d.Counts) != n {
		return fmt.Errorf("figure: %d counts for %d energies", len(d.Counts), n)
	}
	for i, e := range d.EnergyEV {
		if !finite(e) || i > 0 && !(e > d.EnergyEV[i-1]) {
			return fmt.Errorf("figure: energy of channel %d is %g eV, want finite and rising", i, e)
		}
	}
	type named struct {
		name string
		v    []float64
	}
	all := []named{{"counts", d.Counts}, {"model", d.Model}, {"continuum", d.Continuum}}
	for _, c := range d.Components {
		all = append(all, named{fmt.Sprintf("component %q", c.Label), c.Counts})
	}
	for _, s := range all {
		if s.v != nil && len(s.v) != n {
			return fmt.Errorf("figure: %s has %d channels, spectrum has %d", s.name, len(s.v), n)
		}
		for i, v := range s.v {
			if math.IsInf(v, 0) {
				return fmt.Errorf("figure: %s in channel %d is %g, want finite or NaN", s.name, i, v)
			}
		}
	}
	for _, m := range d.Marks {
		if !finite(m.EnergyEV) {
			return fmt.Errorf("figure: mark %q at %g eV, want finite", m.Label, m.EnergyEV)
		}
	}
	return nil
}

// cut returns the channels between low and high.
func (d SpectrumData) cut(low, high float64) (SpectrumData, error) {
	if low == 0 && high == 0 {
		for i := len(d.Counts) - 1; i > 0; i-- {
			if d.Counts[i] > 0 {
				// A little room after the last count.
				high = d.EnergyEV[i] + 0.02*math.Abs(d.EnergyEV[i])
				break
			}
		}
		if high <= 0 {
			low, high = d.EnergyEV[0], d.EnergyEV[len(d.EnergyEV)-1]
		}
	}
	if !finite(low) || !finite(high) || !(high > low) {
		return d, fmt.Errorf("figure: energy range %g to %g eV, want finite and rising", low, high)
	}
	a, _ := slices.BinarySearch(d.EnergyEV, low)
	b, found := slices.BinarySearch(d.EnergyEV, high)
	if found {
		b++
	}
	if b-a < 2 {
		return d, fmt.Errorf("figure: %d channels between %g and %g eV, want at least 2 (spectrum runs from %g to %g eV)",
			b-a, low, high, d.EnergyEV[0], d.EnergyEV[len(d.EnergyEV)-1])
	}
	part := func(v []float64) []float64 {
		if v == nil {
			return nil
		}
		return v[a:b]
	}
	out := SpectrumData{part(d.EnergyEV), part(d.Counts), part(d.Model), part(d.Continuum), nil, nil}
	for _, c := range d.Components {
		out.Components = append(out.Components, Component{c.Label, part(c.Counts)})
	}
	for _, m := range d.Marks {
		if m.EnergyEV >= d.EnergyEV[a] && m.EnergyEV <= d.EnergyEV[b-1] {
			out.Marks = append(out.Marks, m)
		}
	}
	return out, nil
}

// edges returns the n+1 borders of the channels.
func (d SpectrumData) edges() []float64 {
	e := d.EnergyEV
	n := len(e)
	out := make([]float64, n+1)
	for i := 1; i < n; i++ {
		out[i] = (e[i-1] + e[i]) / 2
	}
	out[0], out[n] = e[0]-(e[1]-e[0])/2, e[n-1]+(e[n-1]-e[n-2])/2
	return out
}

// countRange returns the ends of the counts axis.
func (d SpectrumData) countRange(log bool, given float64) (low, high float64) {
	low, high = 0, 0
	least := math.Inf(1)
	for _, s := range [][]float64{d.Counts, d.Model} {
		for _, v := range s {
			if math.IsNaN(v) {
				continue
			}
			low, high = math.Min(low, v), math.Max(high, v)
		}
	}
	for _, v := range d.Counts {
		if v > 0 {
			least = math.Min(least, v)
		}
	}
	if given > 0 && finite(given) {
		high = given
	}
	if !log {
		if high <= low {
			high = low + 1
		}
		span := high - low
		if given > 0 {
			return low, high
		}
		if low < 0 {
			low -= 0.04 * span
		}
		return low, high + 0.05*span
	}
	if high <= 0 {
		high = 1
	}
	// Half of the least count, so that single counts stand above the edge, but
	// never more than six decades.
	low = math.Max(math.Min(least, high)/2, high*1e-6)
	if given > 0 {
		return low, math.Max(high, low*2)
	}
	return low, high * 1.6
}

// residuals returns (n - m)/√m; NaN where the model is not above zero and
// differs from the count.
func (d SpectrumData) residuals() []float64 {
	if d.Model == nil {
		return nil
	}
	r := make([]float64, len(d.Counts))
	for i, n := range d.Counts {
		m := d.Model[i]
		switch {
		case m > 0:
			r[i] = (n - m) / math.Sqrt(m)
		case n == 0 && m == 0:
			r[i] = 0
		default:
			r[i] = math.NaN()
		}
	}
	return r
}

// rankedMarks returns the marks, the most important first.
func (d SpectrumData) rankedMarks() []Mark {
	type ranked struct {
		Mark
		rise float64
	}
	var rs []ranked
	for _, m := range d.Marks {
		rs = append(rs, ranked{m, d.rise(m.EnergyEV)})
	}
	slices.SortStableFunc(rs, func(a, b ranked) int {
		return cmp.Or(cmp.Compare(b.Weight, a.Weight), cmp.Compare(b.rise, a.rise))
	})
	var ms []Mark
	for _, r := range rs {
		ms = append(ms, r.Mark)
	}
	return ms
}

// rise returns how far the spectrum stands out at an energy, in standard
// deviations of the counts: above the continuum or, without one, above the
// lowest mean of five channels within 250 eV (common practice, no source).
func (d SpectrumData) rise(energyEV float64) float64 {
	i, _ := slices.BinarySearch(d.EnergyEV, energyEV)
	i = min(i, len(d.Counts)-1)
	h := d.top(i)
	if !(h > 0) {
		return 0
	}
	base := math.Inf(1)
	if d.Continuum != nil {
		base = d.Continuum[i]
	} else {
		for j := 2; j < len(d.Counts)-2; j++ {
			if math.Abs(d.EnergyEV[j]-energyEV) <= 250 {
				v := d.Counts[j-2 : j+3]
				base = math.Min(base, (v[0]+v[1]+v[2]+v[3]+v[4])/5)
			}
		}
	}
	if !finite(base) {
		base = 0
	}
	return (h - base) / math.Sqrt(h)
}

// top returns the largest value drawn within two channels of channel i.
func (d SpectrumData) top(i int) float64 {
	h := math.Inf(-1)
	for j := max(0, i-2); j <= min(len(d.Counts)-1, i+2); j++ {
		for _, s := range [][]float64{d.Counts, d.Model} {
			if s != nil && !math.IsNaN(s[j]) {
				h = math.Max(h, s[j])
			}
		}
	}
	return h
}

func (l *spectrumLayout) notes() notes {
	n := notes{title: clean(firstOf(l.opt.Title, "spectrum"))}
	add := func(format string, a ...any) { n.description = append(n.description, fmt.Sprintf(format, a...)) }
	e := l.d.EnergyEV
	kind := "linear"
	if l.opt.Log {
		kind = "logarithmic"
	}
	add("quantity: counts per channel against X-ray energy")
	add("unit: counts, keV")
	add("display range: %g to %g keV; %g to %g counts, %s", e[0]/1000, e[len(e)-1]/1000, l.main.y.low, l.main.y.high, kind)
	if l.d.Model != nil {
		add("lower panel: residuals (counts - model) / sqrt(model)")
	}
	var labels []string
	for _, m := range l.d.Marks {
		labels = append(labels, fmt.Sprintf("%s %.3f keV", clean(m.Label), m.EnergyEV/1000))
	}
	if len(labels) > 0 {
		add("marks: %s", strings.Join(labels, "; "))
	}
	if l.opt.Caption != "" {
		add("caption: %s", clean(l.opt.Caption))
	}
	return n
}
