// Package xray holds the atomic data of X-ray microanalysis for the elements 1 (H) to 98 (Cf): emission lines, absorption
// edges, fluorescence yields, Coster-Kronig factors, mass attenuation, ionisation cross sections and stopping power,
// and the notation in which materials and lines are written.
//
// Energies are in eV (type Energy), mass attenuation in cm²/g, cross sections in cm² per atom, densities in g/cm³.
// Levels and lines carry IUPAC names (Jenkins et al. 1991), initial vacancy first: K-L3. Siegbahn names are aliases.
//
// The tables are embedded from data/*.csv and read once, on first use. data/SOURCES.md names the publication behind
// every column and every repair. The generator in generate/ is a module of its own, so that users of this package
// need none of the libraries it calls; go generate runs it.
//
// Elements outside the tables are not an error here: a missing number is 0 or false where the method says so, and NaN
// for attenuation and stopping power.
package xray

//go:generate go run -C generate . -out ../data
