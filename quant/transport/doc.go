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
// Trajectories are grouped into blocks of BlockSize, which are added in their order. The
// random numbers of a trajectory come from PCG streams keyed by seed and trajectory:
// one for its start, one above the substrate and one below. So the result has the
// same bits for any number of workers, and two specimens that differ above the
// substrate share what happens in it: Excesses takes the difference of specimens with and
// without a particle from the same trajectories.
//
// # What is not here
//
// Secondary fluorescence, fast secondary electrons, channelling, and charging. Secondary
// fluorescence is a few per cent at most for lines that another line of the specimen
// excites (3 % of Ti K in titania on steel), and zero for Si K beside Al. The
// continuum (Config.Continuum) is that of Kramers and isotropic.
//
// The law of Joy & Luo is not relativistic. The relativistic form of Berger & Seltzer
// 1964 is 2.5 % higher at 10 keV, 5 % at 20 and 8 % at 30, and then hits the value of
// NIST ESTAR for Al at 10 keV (16.49 MeV cm²/g; here 16.20). It brings measured aluminium
// films at 30 keV from 0.915 to 0.93 of the measured k-ratios, but takes the backscatter at
// 30 keV out of the measured bands (Cu 0.310 to 0.300, Au 0.497 to 0.486), which
// Browning's cross section meets with the law as it is: it is left.
package transport
