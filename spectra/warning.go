package spectra

import (
	"fmt"
	"math"
	"slices"
)

// WarningKind names what is wrong with a spectrum, stable for scripts.
type WarningKind string

// Kinds of warning.
const (
	BadCounts      WarningKind = "bad_counts"          // negative, NaN or infinite: cannot be fitted
	ProcessedCount WarningKind = "fractional_counts"   // not whole: Poisson statistics do not hold
	NoCounts       WarningKind = "no_counts"           // not a single count
	FewCounts      WarningKind = "few_counts"          // too few to place anything
	Saturated      WarningKind = "saturated"           // channels at the end of the counter
	NoEnergyAxis   WarningKind = "no_energy_axis"      // offset and gain missing
	EnergyUnit     WarningKind = "energy_unit"         // keV taken for eV or the reverse
	NoLiveTime     WarningKind = "no_live_time"        // no count rate
	TimesDisagree  WarningKind = "times_disagree"      // live time above real time
	NoDeadTime     WarningKind = "no_dead_time"        // live time equal to real time at a rate that costs time
	DeadTime       WarningKind = "dead_time"           // high
	SumPeaks       WarningKind = "pile_up"             // many sums of two events
	NoBeamEnergy   WarningKind = "no_beam_energy"      // missing
	CountsAbove    WarningKind = "beam_energy_too_low" // counts or continuum beyond the beam energy
	Charging       WarningKind = "charging"            // continuum ends below the beam energy
	NotConverging  WarningKind = "not_converged"       // the fit did not settle
	NotSeparated   WarningKind = "not_separated"       // no covariance: families cannot be told apart
	PoorFit        WarningKind = "poor_fit"            // the model does not describe the counts
	Smoothed       WarningKind = "smoothed"            // counts scatter less than counts can
	NoSpecimen     WarningKind = "no_specimen"         // no absorption in the model
)

// Warning is a named doubt about a spectrum or about what was made of it.
type Warning struct {
	Kind WarningKind
	Text string
}

// String returns the text.
func (w Warning) String() string { return w.Text }

// Limits beyond which Check warns; common practice, no source.
const (
	fewCounts       = 100    // counts
	fewAbove        = 10     // counts above the beam energy that are not worth a remark
	aboveShare      = 0.001  // and their share of all
	deadTimeHigh    = 0.5    // the energy scale and the sum peaks of common detectors suffer above it
	sumShareHigh    = 0.02   // of all counts
	landingApart    = 0.03   // relative difference of landing and beam energy: thrice what the law of the continuum is good for
	rateWithoutLoss = 1000.0 // counts per second at which common spectrometers lose more than a tenth of a percent
)

// Check lists what looks wrong in a spectrum and its conditions: counts that are
// not counts, saturation, an energy axis or beam energy in the wrong unit, live
// and real time that contradict each other, dead time, sums of two events, and a
// continuum that does not end at the stated beam energy (EndOfContinuum).
func (s *Spectrum) Check() []Warning {
	var out warnings
	bad := out.checkCounts(s)
	out = append(out, s.Conditions.Check(s.Total())...)
	if !s.Calibration.Valid() || len(s.Counts) == 0 {
		out.add(NoEnergyAxis, "no energy axis: offset %g eV, %g eV per channel", s.OffsetEV, s.GainEV)
		return out
	}
	end := float64(s.Energy(float64(len(s.Counts) - 1)))
	if end < 200 || end > 1e6 {
		out.add(EnergyUnit, "the energy axis ends at %.4g eV: is the scale in eV, not in keV?", end)
		return out
	}
	if !bad {
		out.checkEnd(s, end)
	}
	return out
}

// warnings collects.
type warnings []Warning

func (w *warnings) add(k WarningKind, format string, args ...any) {
	*w = append(*w, Warning{k, fmt.Sprintf(format, args...)})
}

// checkCounts reports whether the counts are none at all.
func (w *warnings) checkCounts(s *Spectrum) (bad bool) {
	switch kind, at := CheckCounts(s.Counts); kind {
	case InvalidCounts:
		n, first := 0, -1
		for i, v := range s.Counts {
			if !(v >= 0) || math.IsInf(v, 0) {
				n++
				if first < 0 {
					first = i
				}
			}
		}
		what := "negative counts"
		if v := s.Counts[first]; !(v < 0) {
			what = "values that are no counts"
		}
		w.add(BadCounts, "%d channels hold %s (first %g in channel %d): not raw counts, cannot be fitted", n, what, s.Counts[first], first)
		return true
	case FractionalCounts:
		w.add(ProcessedCount, "fractional counts (first %g in channel %d): averaged or processed, Poisson statistics do not hold and uncertainties are wrong", s.Counts[at], at)
	}
	switch total := s.Total(); {
	case total == 0:
		w.add(NoCounts, "the spectrum holds no counts")
	case total < fewCounts:
		w.add(FewCounts, "the spectrum holds %g counts: too few to place lines", total)
	default:
		w.checkSaturation(s)
		if q, ok := s.Roughness(); ok && q < smoothedBelow {
			w.add(Smoothed, "neighbouring channels differ by less than counting statistics ask (second differences have %.2f of their variance): smoothed or resampled, the goodness of a fit tells nothing", q)
		}
	}
	return false
}

// smoothedBelow is the roughness below which counts are taken for smoothed.
// Counts (1−f)·x + f·x' interpolated between two channels have 1 − 10f(1−f)/3,
// 0.44 on average over f; the mean of three neighbours has 2/27. (Variances of
// their second differences over 6n.)
const smoothedBelow = 0.6

// Roughness returns the variance of the second differences of the counts over
// that of Poisson counts, 6n, as the median over stretches of 16 channels. It is
// 1 for counts as they were counted and above for noise of other origin. ok is
// false where fewer than 12 stretches hold 5 counts a channel.
func (s *Spectrum) Roughness() (float64, bool) {
	const stretch = 16
	var ratios []float64
	for lo := 1; lo+stretch < len(s.Counts); lo += stretch {
		square, sum := 0.0, 0.0
		for i := lo; i < lo+stretch; i++ {
			d := s.Counts[i-1] - 2*s.Counts[i] + s.Counts[i+1]
			square += d * d
			sum += s.Counts[i]
		}
		if sum >= 5*stretch {
			ratios = append(ratios, square/(6*sum))
		}
	}
	if len(ratios) < 12 {
		return 0, false
	}
	slices.Sort(ratios)
	return ratios[len(ratios)/2], true
}

// counterEnds are the greatest values of counters in use.
var counterEnds = []float64{1<<15 - 1, 1<<16 - 1, 1<<24 - 1, 1<<31 - 1, 1<<32 - 1}

// plateauCounts is the height from which three equal channels in a row at the
// maximum are no chance: equal counts in two more channels have a probability of
// 1/(2πn), in places where the spectrum is flat.
const plateauCounts = 1000

// checkSaturation looks for channels at the end of a counter, for a flat top,
// and for a counter that started again from zero.
func (w *warnings) checkSaturation(s *Spectrum) {
	top := slices.Max(s.Counts)
	n, run, longest, first := 0, 0, 0, -1
	for i, v := range s.Counts {
		if v != top {
			run = 0
			continue
		}
		n++
		if run++; run > longest {
			longest = run
		}
		if first < 0 {
			first = i
		}
	}
	switch {
	case slices.Contains(counterEnds, top):
		w.add(Saturated, "%d channels (first %d) hold %.0f counts, the end of the counter: counts are missing there", n, first, top)
	case longest >= 3 && top >= plateauCounts:
		w.add(Saturated, "%d channels in a row (from %d) hold the same %.0f counts, the maximum: cut off", longest, first, top)
	}
	if top >= 1<<16 || !s.Calibration.Valid() || s.GainEV > 20 {
		return
	}
	// A line is several channels wide: at 20 eV a channel and a resolution of
	// 60 eV counts change by half the maximum from one to the next at most. The
	// electronics' zero peak may be narrower.
	for i := max(1, int(s.Channel(SumPeaksAboveEV))); i < len(s.Counts); i++ {
		if math.Abs(s.Counts[i]-s.Counts[i-1]) > 0.6*(1<<16) {
			w.add(Saturated, "counts jump from %.0f to %.0f between channels %d and %d: a 16-bit counter ran over", s.Counts[i-1], s.Counts[i], i-1, i)
			return
		}
	}
}

// Check lists what is missing or contradictory in the conditions of a spectrum
// of the given total counts.
func (c Conditions) Check(total float64) []Warning {
	var w warnings
	dead := c.DeadTimeFraction()
	switch {
	case c.LiveTimeS <= 0:
		w.add(NoLiveTime, "live time missing: no count rates, no dead time")
	case c.RealTimeS > 0 && c.LiveTimeS > c.RealTimeS:
		w.add(TimesDisagree, "live time %g s exceeds real time %g s: one of them is wrong, no dead time", c.LiveTimeS, c.RealTimeS)
	case c.RealTimeS == c.LiveTimeS && total > rateWithoutLoss*c.LiveTimeS:
		w.add(NoDeadTime, "live time and real time are both %g s at %.0f counts per second: the dead time is unknown, rates are too low", c.LiveTimeS, total/c.LiveTimeS)
	case dead > deadTimeHigh:
		w.add(DeadTime, "dead time %.0f %%, above %.0f %%: expect sum peaks and shifted, broadened lines", 100*dead, 100*deadTimeHigh)
	}
	switch e := float64(c.BeamEnergy); {
	case e <= 0:
		w.add(NoBeamEnergy, "beam energy missing")
	case e < 200 || e > 2e6:
		w.add(EnergyUnit, "a beam energy of %g keV: is it in keV?", e/1000)
	}
	return w
}

// checkEnd compares the end of the continuum with the beam energy.
func (w *warnings) checkEnd(s *Spectrum, end float64) {
	beam := float64(s.BeamEnergy)
	l, ok := s.EndOfContinuum()
	if ok && l.SumShare > sumShareHigh {
		w.add(SumPeaks, "about %.1f %% of the counts are sums of two events: expect sum peaks, some on lines of other elements", 100*l.SumShare)
	}
	if beam < 200 || beam > 2e6 || end < beam && !ok {
		return
	}
	above := 0.0
	for _, v := range s.Counts[min(len(s.Counts), max(0, int(s.Channel(s.BeamEnergy))+1)):] {
		above += v
	}
	apart := math.Max(4*float64(l.Sigma), landingApart*beam)
	switch {
	case ok && float64(l.Energy) > beam+apart:
		w.add(CountsAbove, "the continuum ends at %.2f ± %.2f keV, above the beam energy of %g keV: wrong beam energy or wrong energy scale", l.Energy.KeV(), l.Sigma.KeV(), beam/1000)
	case ok && float64(l.Energy) < beam-apart:
		w.add(Charging, "the continuum ends at %.2f ± %.2f keV, below the beam energy of %g keV: charging, a wrong beam energy, or a specimen thinner than the range of the electrons", l.Energy.KeV(), l.Sigma.KeV(), beam/1000)
	case !ok && above > fewAbove && above > aboveShare*s.Total():
		w.add(CountsAbove, "%.2g %% of the counts lie above the beam energy of %g keV: wrong beam energy, wrong energy scale or many sums", 100*above/s.Total(), beam/1000)
	}
}

// NoisePeak finds the peak of the electronics near zero energy, which is no
// line: its position and the counts above its surroundings. ok is false where
// the axis does not reach it or nothing stands out.
func (s *Spectrum) NoisePeak() (at, counts float64, ok bool) {
	if s.Validate() != nil || s.OffsetEV > -3*s.GainEV {
		return 0, 0, false
	}
	lo, hi := max(0, int(s.Channel(-60))), min(len(s.Counts), int(s.Channel(60))+2)
	sum, moment := 0.0, 0.0
	for i := lo; i < hi; i++ {
		sum += s.Counts[i]
		moment += s.Counts[i] * float64(s.Energy(float64(i)))
	}
	n := hi - lo
	side, channels := 0.0, 0
	for i := min(len(s.Counts), int(s.Channel(100))+1); i < min(len(s.Counts), int(s.Channel(180))); i++ {
		side += s.Counts[i]
		channels++
	}
	if channels == 0 || sum == 0 {
		return 0, 0, false
	}
	side *= float64(n) / float64(channels)
	if sum-side < 5*math.Sqrt(sum+side)+100 {
		return 0, 0, false
	}
	return moment / sum, sum - side, true
}
