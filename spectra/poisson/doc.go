// Package poisson holds the statistics of counts: likelihood and deviance,
// intervals and limits, tests of two rates, control of false discoveries,
// replicate fields, the non-negative Poisson mixture fit, and damped and
// non-negative least squares.
//
// Counts are Poisson counts and stay counts: nothing here subtracts, smooths
// or weights before a decision. The package imports nothing of this module and
// knows neither energies nor pixels. Times, areas and exposures may have any
// unit as long as the two sides of a comparison share it.
//
// Conventions.
//
//   - A level is a probability of coverage such as 0.95; alpha, beta and p are
//     probabilities of error.
//   - A p-value of a test includes the observed outcome (">=", never ">").
//   - Functions that return plain numbers return NaN (counts: -1) for
//     arguments outside the range stated in their comment. They never panic.
//   - Randomness takes an explicit seed; the same seed gives the same bits.
//
// Not implemented, with the reason: weighted chi-square fits of counts
// (Pearson, Neyman), because they are biased by about half a count to one
// count per channel at any dose; the two-sided "minimum likelihood" convention
// of the conditional two-rate test, because inverting it can give a confidence
// set with holes (Fay 2010, Biostatistics 11, 373).
package poisson
