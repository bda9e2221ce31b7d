package spots

import (
	"context"
	"fmt"

	"example.org/fleck/maps"
)

const onePixel = "the field is one pixel: spots are not searched for, since they have nothing beside them"

// onePixel answers for a field of one pixel: against a blank it has an excess, by
// itself it shows nothing but its spectrum.
func (s *cubeSearch) onePixel(ctx context.Context, res *Result) error {
	res.LLR = maps.Map{W: 1, H: 1, V: make([]float64, 1), What: whatLLR, Unit: "1", Pixel: s.pixel}
	res.Limit = noLimit(onePixel)
	if _, given := s.blankGround(); !given {
		res.Remarks = append(res.Remarks, onePixel+"; only a blank field can show whether it holds the target")
		return nil
	}
	s.opt.KeepBlank = true // the pixel itself is no substrate
	if err := s.prepare(ctx); err != nil {
		return err
	}
	res.Substrate, res.SubstrateCounts = s.ground.mean()
	res.SubstrateFrom, res.BlankP, res.Information = FromBlank, s.match.p, s.info
	res.Excess, res.ExcessSigma = s.match.excess, s.match.excessS
	res.LineExcess, res.LineExcessSigma = s.match.line, s.match.lineSigma
	res.Remarks = append(res.Remarks, fmt.Sprintf("%s; its excess over the blank is %.0f ± %.0f counts in the own line of %s (counting alone)",
		onePixel, res.LineExcess, res.LineExcessSigma, s.opt.Target.Name))
	return nil
}
