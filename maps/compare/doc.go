// Package compare sets treated fields against blank ones: the number of spots
// per area, the share of area they cover and the signal per area.
//
// The independently treated coupon is the replicate. Fields are nested in
// coupons: they are added up per coupon where each side has at least two coupons,
// and stand for themselves, with a remark, where a side has one. Spots and
// pixels are never replicates.
//
// Counts of spots are compared as Poisson counts only as long as the spread
// between replicates does not contradict it; else, and for covered area and
// signal, by exact permutation of the replicates. The intervals of densities, of their
// ratio and of their difference allow for clusters by an integrated likelihood of
// negative binomial counts as soon as the spread leaves doubt. The ratio of densities
// has a lower bound alone where the blank side shows no spot; the difference has both
// ends always. Ratios of area and signal have two ends as long as no replicate is
// below zero and both sides show something: Student's t on the logarithm, the outer
// ends of an interval of the ratio of means and one of the ratio of typical values.
// Where a replicate is below zero the interval is Fieller's (1954), which is open
// where the blank side does not differ from zero. Arms compares further roles of
// fields.
//
// Numbers that are infinite or undefined are NaN and have a reason beside them.
package compare
