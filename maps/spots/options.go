package spots

import (
	"errors"
	"fmt"
	"math"

	"example.org/fleck/maps"
)

// ErrInseparable is returned when target and substrate have the same spectrum
// within the counts at hand: they cannot be told apart.
var ErrInseparable = errors.New("cannot be told apart")

// Template is the spectrum of one compound as it would be measured on its own,
// over the channels of the field.
type Template struct {
	Name     string
	Spectrum []float64 // share of each channel, sum 1
	// Line is the part of Spectrum that belongs to the compound's own line
	// family (for a target: what tells it from everything else, such as Ti K of
	// titania), on the same scale. Nil: unknown, which a target must not have.
	Line []float64
	// Thicker holds the same compound at greater thickness, where the thin
	// spectrum no longer holds: each the spectrum of a pixel covered by it,
	// substrate included. The verdict takes the one that fits a spot best; the
	// search uses Spectrum alone.
	Thicker []Template
	// Parts are the line families and the continuum that Spectrum is the sum of,
	// each with the uncertainty of its strength. Nil: Line, exact, and the rest,
	// uncertain by Options.TemplateSigma.
	Parts []Part
}

// Part is a part of a template whose strength is uncertain by itself.
type Part struct {
	Spectrum []float64 // on the scale of the template
	Sigma    float64   // relative standard uncertainty against the other parts; 0 = exact
}

// Options are the settings of Find; the zero value of every field but Target
// works.
type Options struct {
	// Substrate is the spectrum of the substrate over the channels of the field,
	// on any scale, from blank fields. Nil: estimated from the field itself, with
	// the spots left out.
	Substrate []float64
	// SubstrateCounts is the number of counts that Substrate rests on. 0 means
	// the sum of Substrate if that holds whole numbers above 1, as counts do, and
	// known exactly (a calculated spectrum) otherwise. Ignored without Substrate.
	SubstrateCounts float64
	// Phases are the phases of the substrate, from blank fields by FindPhases. With
	// two or more, each pixel is weighed against the one that fits it best, and
	// Substrate is not used. Where no blank is given, or none fits, phases that the
	// field itself shows are told apart, with spectra of its own.
	Phases []Phase
	// KeepBlank uses Substrate even where the field, outside alarms, contradicts
	// it. Without it such a field is searched with its own spectrum, since a
	// wrong substrate raises alarms everywhere.
	KeepBlank bool

	Target    Template
	Confusers []Template // other compounds that a spot may be
	Nuisance  []Template // lines of free strength that say nothing, e.g. carbon

	// Widths are the standard deviations of the spot profiles searched, in
	// pixels, rising. Nil: MinWidthPx and four more in steps of 1.5.
	Widths []float64
	// MinWidthPx is the smallest width that a spot can have, given the X-ray
	// source size and the beam. 0: the first of Widths, or 0.8 px.
	MinWidthPx float64

	Q     float64 // false discovery rate of the spot list; 0 means 0.05
	Alpha float64 // false-alarm rate of the verdict on the field; 0 means 0.05
	// Bootstrap is the number of replicas of the field without spots, at least 39.
	// 0 means 199, and 99 for fields above 2¹⁷ pixels, whose replicas hold many
	// more maxima. The smallest p-value of a field is 1/(Bootstrap+1).
	Bootstrap int
	Seed      uint64

	// Margin is the log-likelihood by which one compound must beat another to be
	// named. 0 means 2.71, half the square of the 99 % normal quantile: where the
	// log-likelihood ratio of two compounds is normal, the wrong one gets so far
	// ahead with a probability of at most 1 %, however unlike they are.
	Margin float64
	// TemplateSigma is the relative standard uncertainty of the ratio between
	// the own line family and the rest of a template. 0 means 0.2 (common
	// practice for light lines, no source).
	TemplateSigma float64

	Classes  int  // channel classes of the scan, 2 to 40; 0 means 12
	MaxSpots int  // spots looked for at most; 0 means 2000
	NoLimit  bool // leaves out the injection that finds Result.Limit
	// LimitWidths are further widths of spots, px, to find the detection limit of,
	// beside the smallest.
	LimitWidths []float64

	Workers  int // goroutines; 0 means all cores. The result does not depend on it.
	Progress func(done, total int)
}

const (
	defaultQ             = 0.05
	defaultAlpha         = 0.05
	defaultBootstrap     = 199
	largeBootstrap       = 99
	largeField           = 1 << 17 // pixels
	defaultMinWidth      = 0.8
	widthStep            = 1.5
	defaultWidths        = 5
	defaultTemplateSigma = 0.2
	defaultMargin        = 2.70595 // 2.3263²/2
	defaultClasses       = 12
	defaultMaxSpots      = 2000
)

// withDefaults checks opt against the field and fills in what is zero.
func (opt Options) withDefaults(f *Field) (Options, error) {
	if f == nil || f.W <= 0 || f.H <= 0 || len(f.totals) != f.W*f.H {
		return opt, errors.New("spots: no field given")
	}
	var err error
	if opt.Target, err = opt.Target.check(f.nc, "target"); err != nil {
		return opt, err
	}
	if opt.Target.Line == nil {
		return opt, fmt.Errorf("spots: target %q has no line family of its own; Template.Line must say which part of the spectrum it is", opt.Target.Name)
	}
	names := map[string]bool{opt.Target.Name: true}
	if opt.Confusers, err = checkAll(opt.Confusers, f.nc, "confuser", names); err != nil {
		return opt, err
	}
	if opt.Nuisance, err = checkAll(opt.Nuisance, f.nc, "nuisance", map[string]bool{}); err != nil {
		return opt, err
	}
	if opt.Substrate != nil {
		if opt.SubstrateCounts == 0 {
			opt.SubstrateCounts = countsOf(opt.Substrate)
		}
		if opt.Substrate, err = normalised(opt.Substrate, f.nc, "substrate"); err != nil {
			return opt, err
		}
		if opt.SubstrateCounts < 0 || math.IsNaN(opt.SubstrateCounts) || math.IsInf(opt.SubstrateCounts, 0) {
			return opt, fmt.Errorf("spots: substrate counts %g; must be 0 or more", opt.SubstrateCounts)
		}
	}
	if len(opt.Phases) > mostPhases {
		return opt, fmt.Errorf("spots: %d phases given; at most %d", len(opt.Phases), mostPhases)
	}
	for i, ph := range opt.Phases {
		if _, err := normalised(ph.Spectrum, f.nc, fmt.Sprintf("phase %d", i+1)); err != nil {
			return opt, err
		}
	}
	if err := opt.searchDefaults(f.W * f.H); err != nil {
		return opt, err
	}
	return opt, opt.levels()
}

// levels fills in rates, levels and margins.
func (opt *Options) levels() error {
	type number struct {
		v         *float64
		def       float64
		low, high float64
		what      string
	}
	for _, n := range []number{
		{&opt.Q, defaultQ, 0, 1, "false discovery rate"},
		{&opt.Alpha, defaultAlpha, 0, 1, "alpha"},
		{&opt.Margin, defaultMargin, 0, math.Inf(1), "margin"},
		{&opt.TemplateSigma, defaultTemplateSigma, 0, math.Inf(1), "template uncertainty"},
	} {
		if *n.v == 0 {
			*n.v = n.def
		}
		if !(*n.v > n.low && *n.v < n.high) {
			return fmt.Errorf("spots: %s %g; must be above %g and below %g", n.what, *n.v, n.low, n.high)
		}
	}
	// The smallest p-value is 1/(Bootstrap+1), of a spot alone about 1/Bootstrap.
	if least := math.Min(opt.Alpha, opt.Q); float64(opt.Bootstrap) < 1/least {
		return fmt.Errorf("spots: %d replicas allow no p-value below %.3g; at least %.0f are needed for alpha %g and false discovery rate %g",
			opt.Bootstrap, 1/float64(opt.Bootstrap+1), math.Ceil(1/least), opt.Alpha, opt.Q)
	}
	return nil
}

// searchDefaults fills in widths and whole numbers.
func (opt *Options) searchDefaults(pixels int) error {
	if opt.MinWidthPx < 0 || math.IsNaN(opt.MinWidthPx) {
		return fmt.Errorf("spots: smallest width %g px; must be 0 (default) or more", opt.MinWidthPx)
	}
	if len(opt.Widths) == 0 {
		if opt.MinWidthPx == 0 {
			opt.MinWidthPx = defaultMinWidth
		}
		s := opt.MinWidthPx
		opt.Widths = nil
		for range defaultWidths {
			opt.Widths = append(opt.Widths, s)
			s *= widthStep
		}
	}
	for i, s := range opt.Widths {
		if !(s >= 0.2 && s <= 64) { // below 0.2 px a spot is one pixel anyway
			return fmt.Errorf("spots: width %d is %g px; must lie between 0.2 and 64 px", i, s)
		}
		if i > 0 && s <= opt.Widths[i-1] {
			return fmt.Errorf("spots: width %d is %g px after %g px; widths must rise", i, s, opt.Widths[i-1])
		}
	}
	for i, s := range opt.LimitWidths {
		if !(s >= 0.2 && s <= 64) {
			return fmt.Errorf("spots: width %d for a limit is %g px; must lie between 0.2 and 64 px", i, s)
		}
	}
	if opt.MinWidthPx == 0 {
		opt.MinWidthPx = opt.Widths[0]
	}
	if opt.MinWidthPx > opt.Widths[0] {
		return fmt.Errorf("spots: smallest width %g px is above the first width searched, %g px", opt.MinWidthPx, opt.Widths[0])
	}
	if opt.Bootstrap == 0 && pixels > largeField {
		opt.Bootstrap = largeBootstrap
	}
	type number struct {
		v         *int
		def       int
		low, high int
		what      string
	}
	for _, n := range []number{
		{&opt.Bootstrap, defaultBootstrap, 39, 100000, "replicas"},
		{&opt.Classes, defaultClasses, 2, 40, "channel classes"},
		{&opt.MaxSpots, defaultMaxSpots, 1, 1 << 20, "spots at most"},
	} {
		if *n.v == 0 {
			*n.v = n.def
		}
		if *n.v < n.low || *n.v > n.high {
			return fmt.Errorf("spots: %s: %d; must lie between %d and %d", n.what, *n.v, n.low, n.high)
		}
	}
	return nil
}

func checkAll(ts []Template, nc int, what string, seen map[string]bool) ([]Template, error) {
	out := make([]Template, len(ts))
	for i, t := range ts {
		t, err := t.check(nc, what)
		if err != nil {
			return nil, err
		}
		if seen[t.Name] {
			return nil, fmt.Errorf("spots: %s %q occurs twice", what, t.Name)
		}
		seen[t.Name] = true
		out[i] = t
	}
	return out, nil
}

// check returns t with its spectrum scaled to sum 1 and the line alike.
func (t Template) check(nc int, what string) (Template, error) {
	if t.Name == "" {
		return t, fmt.Errorf("spots: %s without a name", what)
	}
	full := fmt.Sprintf("%s %q", what, t.Name)
	spec, err := normalised(t.Spectrum, nc, full)
	if err != nil {
		return t, err
	}
	thicker := make([]Template, len(t.Thicker))
	for i, v := range t.Thicker {
		v.Name, v.Thicker = t.Name, nil
		if thicker[i], err = v.check(nc, what); err != nil {
			return t, err
		}
	}
	t.Thicker = thicker
	if t.Parts, err = t.checkParts(nc, full); err != nil {
		return t, err
	}
	if t.Line == nil {
		t.Spectrum = spec
		return t, nil
	}
	if len(t.Line) != nc {
		return t, fmt.Errorf("spots: %s: line family has %d channels, the field %d", full, len(t.Line), nc)
	}
	sum := 0.0
	for _, v := range t.Spectrum {
		sum += v
	}
	line := make([]float64, nc)
	own := 0.0
	for c, v := range t.Line {
		// The family is a part of the spectrum; 1e-6 of the largest channel
		// allows for rounding when a caller adds parts up.
		if !(v >= 0) || v > t.Spectrum[c]*(1+1e-6)+1e-9*sum {
			return t, fmt.Errorf("spots: %s: line family has %g in channel %d, the whole spectrum %g; it must be a part of it", full, v, c, t.Spectrum[c])
		}
		line[c] = math.Min(v/sum, spec[c])
		own += line[c]
	}
	if own == 0 {
		return t, fmt.Errorf("spots: %s: line family is zero in all %d channels", full, nc)
	}
	t.Spectrum, t.Line = spec, line
	return t, nil
}

// checkParts returns the parts of t on the scale of sum 1.
func (t Template) checkParts(nc int, full string) ([]Part, error) {
	if t.Parts == nil {
		return nil, nil
	}
	sum, left := 0.0, append([]float64(nil), t.Spectrum...)
	for _, v := range t.Spectrum {
		sum += v
	}
	out := make([]Part, len(t.Parts))
	for i, p := range t.Parts {
		if len(p.Spectrum) != nc {
			return nil, fmt.Errorf("spots: %s: part %d has %d channels, the field %d", full, i, len(p.Spectrum), nc)
		}
		if !(p.Sigma >= 0 && p.Sigma <= 2) {
			return nil, fmt.Errorf("spots: %s: part %d is uncertain by %g; must lie between 0 and 2", full, i, p.Sigma)
		}
		out[i] = Part{make([]float64, nc), p.Sigma}
		for c, v := range p.Spectrum {
			if !(v >= 0) {
				return nil, fmt.Errorf("spots: %s: part %d holds %g in channel %d; must be a number ≥ 0", full, i, v, c)
			}
			out[i].Spectrum[c] = v / sum
			left[c] -= v
		}
	}
	for c, v := range left {
		// Rounding when a caller adds parts up, as for the line family.
		if math.Abs(v) > 1e-6*t.Spectrum[c]+1e-9*sum {
			return nil, fmt.Errorf("spots: %s: the parts hold %g in channel %d, the whole spectrum %g; they must add up to it", full, t.Spectrum[c]-v, c, t.Spectrum[c])
		}
	}
	return out, nil
}

// countsOf returns the sum of a spectrum of counts, 0 if it is none.
func countsOf(s []float64) float64 {
	t := 0.0
	for _, v := range s {
		if v != math.Trunc(v) {
			return 0
		}
		t += v
	}
	if t <= 1 {
		return 0
	}
	return t
}

// normalised returns a copy of s with sum 1.
func normalised(s []float64, nc int, what string) ([]float64, error) {
	if len(s) != nc {
		return nil, fmt.Errorf("spots: %s has %d channels, the field %d", what, len(s), nc)
	}
	t := 0.0
	for c, v := range s {
		if !(v >= 0) || math.IsInf(v, 0) {
			return nil, fmt.Errorf("spots: %s: channel %d holds %g; must be a number ≥ 0", what, c, v)
		}
		t += v
	}
	if t <= 0 || math.IsInf(t, 0) {
		return nil, fmt.Errorf("spots: %s: sum of the channels is %g; must be above 0", what, t)
	}
	out := make([]float64, nc)
	for c, v := range s {
		out[c] = v / t
	}
	return out, nil
}

// micrometres returns pixel coordinates as micrometres from the upper left
// corner of the field, NaN when the pixel size is unknown.
func micrometres(x, y float64, px maps.Pixel) (float64, float64) {
	if !px.Known() {
		return math.NaN(), math.NaN()
	}
	return (x + 0.5) * px.X.Um(), (y + 0.5) * px.Y.Um()
}
