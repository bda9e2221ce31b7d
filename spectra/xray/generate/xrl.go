package main

// #cgo LDFLAGS: -lxrl
// #include <stddef.h>
// #include <xraylib/xraylib.h>
import "C"

// The functions of libxrl take keV and return 0 with an error for what they do not know. The error is dropped here:
// 0 is what the callers look for.

func xrlEdge(z, shell int) float64 {
	return float64(C.EdgeEnergy(C.int(z), C.int(shell), nil)) * 1000
}
func xrlJump(z, shell int) float64 { return float64(C.JumpFactor(C.int(z), C.int(shell), nil)) }
func xrlYield(z, shell int) float64 {
	return float64(C.FluorYield(C.int(z), C.int(shell), nil))
}
func xrlWidth(z, shell int) float64 {
	return float64(C.AtomicLevelWidth(C.int(z), C.int(shell), nil)) * 1000
}
func xrlElectrons(z, shell int) float64 {
	return float64(C.ElectronConfig(C.int(z), C.int(shell), nil))
}
func xrlCosterKronig(z, trans int) float64 {
	return float64(C.CosKronTransProb(C.int(z), C.int(trans), nil))
}
func xrlLineEnergy(z, line int) float64 {
	return float64(C.LineEnergy(C.int(z), C.int(line), nil)) * 1000
}
func xrlRate(z, line int) float64 { return float64(C.RadRate(C.int(z), C.int(line), nil)) }
func xrlDensity(z int) float64    { return float64(C.ElementDensity(C.int(z), nil)) }

// xrlPhotoElam is the photoelectric cross section of Elam et al. 2002 in cm²/g at e eV.
func xrlPhotoElam(z int, e float64) float64 {
	return float64(C.CS_Photo(C.int(z), C.double(e/1000), nil))
}

// xrlPhotoKissel is the photoelectric cross section of Kissel in barn per atom at e eV.
func xrlPhotoKissel(z int, e float64) float64 {
	return float64(C.CSb_Photo_Total(C.int(z), C.double(e/1000), nil))
}

// xrlScatter is the coherent plus the incoherent scattering cross section in barn per atom at e eV.
func xrlScatter(z int, e float64) float64 {
	return float64(C.CSb_Rayl(C.int(z), C.double(e/1000), nil) + C.CSb_Compt(C.int(z), C.double(e/1000), nil))
}

// Lines that fillRates and fillBlends name.
const (
	xrlM4N2 = C.M4N2_LINE
	xrlM4N3 = C.M4N3_LINE
	xrlM4N6 = C.M4N6_LINE
	xrlM4N7 = C.M4N7_LINE
	xrlM5N3 = C.M5N3_LINE
	xrlM5N6 = C.M5N6_LINE
	xrlM5N7 = C.M5N7_LINE
)
