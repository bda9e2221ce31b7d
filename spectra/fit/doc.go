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
// value otherwise. Where a family is weak (below 200 counts or five standard
// uncertainties), use the interval or the limit of Result.Profile in place of the
// estimate.
//
// What is wrong with a measurement does not end a fit: it stands in
// Result.Warnings under a name (spectra.WarningKind), together with what the fit
// itself finds: no convergence, a model that does not describe the counts, counts
// that scatter less than counts can. Bad counts and a missing or absurd energy
// scale are errors. Net counts are those recorded; dead time does not change
// them, divide by the live time for rates.
//
// Not modelled: natural line widths, satellite lines other than the radiative
// Auger ones, a scale that is not linear, sums of three events.
package fit
