// Package fit fits ONE energy-dispersive spectrum: characteristic line
// families, the continuum, escape and sum peaks and silicon internal
// fluorescence, by maximum likelihood for Poisson counts.
//
// Spectrum refines the energy scale and the resolution on a strong spectrum (a
// point spectrum, or the sum spectrum of a field) together with all
// amplitudes. Result.Freeze then gives a Fitter with fixed shapes for spectra
// of few counts, such as single pixels. Identify finds which elements a
// spectrum shows.
//
// The model is one and the same in all three uses: Detector.AddPeak for every
// line, relative line weights for electron excitation (xray.FamilyWeights)
// times the detector's efficiency and, where a Specimen is given, its
// absorption; a continuum with the absorption steps of specimen and detector;
// sums of two events made from the measured spectrum itself. Amplitudes are
// never negative.
//
// A non-negative estimate is biased upwards near zero by nature: of a family
// that is not there it returns zero about half the time and a small positive
// value otherwise. Use the interval or the limit, not the estimate, when a
// family is weak.
//
// Not modelled: natural line widths, satellite lines, sums of three events.
package fit
