package main

import (
	"context"
	"strings"

	"example.org/fleck/spectra/fit"
	"example.org/fleck/spectra/xray"
	"github.com/urfave/cli/v2"
)

// readReferences reads --reference FAMILY=FILE: measured peaks that take the
// place of modelled families.
func (e *env) readReferences(ctx context.Context, c *cli.Context, opt fit.Options) ([]*fit.Reference, error) {
	var out []*fit.Reference
	for _, arg := range c.StringSlice("reference") {
		name, file, ok := strings.Cut(arg, "=")
		if !ok || file == "" {
			return nil, usage("--reference %q: expected a family and a spectrum file, such as \"Fe K=iron.msa\"", arg)
		}
		f, err := fit.ParseFamily(strings.TrimSpace(name))
		if err != nil {
			return nil, usage("--reference %q: %v", arg, err)
		}
		m, err := e.readSpectrum(ctx, c, file)
		if err != nil {
			return nil, err
		}
		if err := needScale(file, &m.s, false); err != nil {
			return nil, err
		}
		o := fit.Options{Detector: opt.Detector}
		low := fit.LowEV([]xray.Element{f.Element}, m.s.BeamEnergy)
		o.Families = fit.FamiliesOf([]xray.Element{f.Element}, m.s.BeamEnergy, low, float64(m.s.Energy(float64(len(m.s.Counts)-1))))
		ref, err := fit.NewReference(&m.s, f, o)
		if err != nil {
			return nil, inFile(file, err)
		}
		out = append(out, ref)
	}
	return out, nil
}
