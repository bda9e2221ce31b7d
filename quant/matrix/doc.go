// Package matrix holds matrix-correction models: how many characteristic
// photons leave a specimen per electron, and how that compares with a standard.
//
// Models, one file each: PAP (two parabolas) and XPP (exponentials) of Pouchou
// & Pichoir, which share the ionisation area and the surface ionisation, and
// the classical ZAF of Philibert, Duncumb, Heinrich and Reed. The surface
// ionisation is that of Love, Cox & Scott by default (see Surface). Films on
// substrates use PAP with weighted parameters. Secondary fluorescence is
// computed by integration over the depth curve or by the closed form of Reed.
//
// # Units
//
// Public functions take xray.Energy (eV), xray.Angle (rad), materials as mass
// fractions and mass depths in g/cm². Inside, energies are in keV, mass depth x
// in g/cm², attenuation in cm²/g, and χ = μ/sin ψ with ψ the take-off angle.
// Mass fractions are normalised to 1 before they enter any formula; a k-ratio
// itself uses the fraction as given.
//
// # Sources
//
// PP84 and PP91: Pouchou J L, Pichoir F (1984) La Recherche Aérospatiale
// 1984-3, 13; (1991) in Electron Probe Quantitation, ed. Heinrich K F J,
// Newbury D E, Plenum, 31–75. The chapters could not be opened: the
// coefficients are recollected values. What supports them is the comparison
// with 1060 film and 872 substrate k-ratios of Bastin G F, Heijligers H J M
// (2000) A systematic database of thin-film measurements by EPMA, part I,
// which the study test of this package repeats. A wrong coefficient worth
// less than about 2 % of a k-ratio would not show there. Independent of these
// data, StudyTransport and StudyBinaries compare with package transport.
//
// Equation numbers in the comments: 1.x ionisation, deceleration, backscatter
// and surface; 2.x PAP; 3.x XPP; 4.x ZAF; 5.x fluorescence; 8.x layers. They
// number the relations within this package, in the order of PP91.
//
// # What is not here
//
// Tilted specimens, rough surfaces, particles (package transport), the double
// Gaussian of Bastin, and any correction for a boundary to the side. Bulk
// formulas assume a flat, polished, homogeneous specimen, larger than the
// excited volume, at normal incidence.
package matrix
