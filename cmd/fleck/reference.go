package main

import (
	"context"
	"slices"
	"strings"

	"example.org/fleck/spectra/fit"
	"example.org/fleck/spectra/xray"
	"github.com/urfave/cli/v2"
)

// readReferences reads --reference FAMILY=FILE: measured peaks that take the
// place of modelled families. The reference spectrum is fitted with all elements
// of the list, so that what else it holds is taken off.
func (e *env) readReferences(ctx context.Context, c *cli.Context, opt fit.Options, elements []xray.Element) ([]*fit.Reference, error) {
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
		all := elements
		if !slices.Contains(all, f.Element) {
			all = append(slices.Clone(all), f.Element)
		}
		low := fit.LowEV(all, m.s.BeamEnergy)
		o.Families = fit.FamiliesOf(all, m.s.BeamEnergy, low, float64(m.s.Energy(float64(len(m.s.Counts)-1))))
		ref, err := fit.NewReference(&m.s, f, o)
		if err != nil {
			return nil, inFile(file, err)
		}
		out = append(out, ref)
	}
	return out, nil
}
