package cube

import (
	"fmt"

	"example.org/fleck/maps"
)

// Sides of a pixel on the specimen that are accepted: from the distance of atoms to
// the travel of a small stage. What lies outside is a slip of the unit. Choice of this
// package.
const (
	leastPixelUm = 1e-4 // 0.1 nm
	mostPixelUm  = 1e3  // 1 mm
)

// CheckPixel refuses a pixel whose sides are not lengths from 0.1 nm to 1 mm.
func CheckPixel(p maps.Pixel) error {
	const slack = 1e-9 // relative, far above what turning µm into m rounds
	for _, side := range []float64{p.X.Um(), p.Y.Um()} {
		if !(side >= leastPixelUm*(1-slack) && side <= mostPixelUm*(1+slack)) {
			return fmt.Errorf("pixel of %.6g × %.6g µm; sides from %g to %g µm are accepted", p.X.Um(), p.Y.Um(), leastPixelUm, mostPixelUm)
		}
	}
	return nil
}

// checkStated is CheckPixel for a file, whose pixel size may not be known: then it is
// zero. What an option states replaces it.
func checkStated(p maps.Pixel) error {
	if p == (maps.Pixel{}) {
		return nil
	}
	if err := CheckPixel(p); err != nil {
		return fmt.Errorf("%w: state the pixel size if the file is wrong", err)
	}
	return nil
}
