// Package plan says before the beam time whether particles of a compound can be
// seen on a substrate: signal and background per dose, the dose for stated error
// rates, what falls on the lines, what masks what, and which substrate, coating
// and beam energy to prefer.
//
// # Model
//
// Photons come from the law of thin particles where it holds, and from the
// simulation of electrons (package transport) elsewhere; the continuum comes from
// matrix.Continuum; the detector adds efficiency, resolution, escape, internal
// fluorescence and pile-up. A family of lines is counted in a window of
// WindowFWHM around its strongest line. The background of the window counts as
// known, as from many pixels of a blank, up to a systematic part of it that no
// dose beats (Request.Systematic). Detection is exact Poisson
// (poisson.CriticalCount and DetectionLimit).
//
// # Accuracy
//
// Continuum and L and M lines are good to 30 %, K lines above 1 keV to 10 %:
// doses to a factor of about 1.5. Ratios between cases are better.
package plan
