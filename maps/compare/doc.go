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
// signal, by exact permutation of the replicates, with the interval of a ratio of
// means (Fieller 1954).
//
// Numbers that are infinite or undefined are NaN and have a reason beside them.
package compare
