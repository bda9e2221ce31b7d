// Package transport follows single electrons through a specimen and counts the
// characteristic X-rays that they raise: bulk, layers on a substrate, a particle
// on or in a substrate, coatings, free-standing foils.
//
// # Model
//
// Every elastic collision is drawn. Its cross section is the empirical Mott form
// of Browning et al. 1994 (the default) or the screened Rutherford form in the
// constants of Joy 1995; between collisions the electron slows down
// continuously by the law of Joy & Luo 1989 (xray.StoppingPower). Each segment
// of the path yields photons by xray.ProductionCrossSection at a uniformly random
// point of the segment, which makes the estimate exact for any length of
// segment. The photon is followed on a straight line to the detector through every
// body on its way. Steps end at boundaries, where the free path is drawn anew;
// the exponential law has no memory, so this is exact as well.
//
// The constants of both elastic forms are recollected values; what supports them
// is the comparison with measured backscatter coefficients in the tests.
//
// # Coordinates
//
// x and y lie in the surface, z points into the specimen and is 0 at the top of
// the uppermost layer (of the substrate without layers), not counting a coating
// over the particle. The particle is centred over x = y = 0. At tilt θ the beam
// travels along (sin θ, 0, cos θ); the detector lies along (cos ψ cos φ, cos ψ sin
// φ, −sin ψ) with take-off angle ψ and azimuth φ. Lengths in the interface are
// metres; inside they are nm, and energies keV.
//
// # Chance
//
// Trajectories are grouped into blocks of BlockSize. The random numbers of a
// block come from a PCG stream keyed by seed and block, and blocks are added
// in their order, so that the result has the same bits for any number of workers.
//
// # What is not here
//
// Secondary fluorescence, the continuum, fast secondary electrons, channelling,
// relativity beyond the factor in the Rutherford form, and charging. Secondary
// fluorescence is a few per cent at most for lines that another line of the
// specimen excites, and zero for Si K beside Al.
package transport
