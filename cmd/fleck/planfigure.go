package main

import (
	"context"
	"fmt"
	"io"
	"math"

	"example.org/fleck/maps/figure"
	"example.org/fleck/maps/record"
	"example.org/fleck/quant/plan"
	"github.com/urfave/cli/v2"
)

// maxCurves is the number of beam energies that a planning figure can show.
const maxCurves = 6

// drawPlan draws dose against diameter into the file of --figure.
func (e *env) drawPlan(ctx context.Context, c *cli.Context, r plan.Request) error {
	path := c.String("figure")
	if path == "" {
		return nil
	}
	format, err := figureFormat(path)
	if err != nil {
		return err
	}
	if len(r.Beams) > maxCurves {
		return usage("--figure shows at most %d beam energies, --beam names %d", maxCurves, len(r.Beams))
	}
	r.Progress = e.bar.of("drawing")
	curves, err := plan.Curves(ctx, r)
	if err != nil {
		return err
	}
	rows := []record.Object{}
	d := figure.DoseData{Available: r.DoseNAs}
	any := false
	for _, x := range curves {
		f := figure.DoseCurve{Label: fmt.Sprintf("%g keV", x.Beam.KeV()), DoseNAs: x.Doses}
		for i, m := range x.Diameters {
			f.DiameterNM = append(f.DiameterNM, m*1e9)
			any = any || !math.IsInf(x.Doses[i], 1)
			o := record.Of("beam_kev", x.Beam.KeV(), "diameter_nm", round(m*1e9, 1e-6), "family", x.Families[i])
			o.Number("dose_na_s", x.Doses[i], "no dose is enough")
			rows = append(rows, o)
		}
		d.Curves = append(d.Curves, f)
	}
	e.answer.Set("curves", rows)
	if !any {
		e.warn("no dose is enough for any particle: no figure drawn")
		return nil
	}
	opt := figure.DoseOptions{Title: r.Target.String() + " on " + r.Substrates[0].String(), Caption: planCaption(r), Format: format, WidthMM: 120}
	if err := e.writeFile(path, func(w io.Writer) error { return figure.Dose(w, d, opt) }); err != nil {
		return inFile(path, err)
	}
	e.answer.Set("figure", path)
	e.printf("\nfigure        %s\n", path)
	return nil
}

// planCaption says what the curves hold for.
func planCaption(r plan.Request) string {
	s := "Spheres; beam standing on the middle of the particle"
	if r.PixelM > 0 {
		s = fmt.Sprintf("Spheres; beam rastered over a pixel of %g nm", round(r.PixelM*1e9, 1e-6))
	}
	s += ", coating " + r.Coatings[0].String()
	if len(r.Coatings) > 1 || len(r.Substrates) > 1 {
		s += " (first substrate and coating)"
	}
	return s + fmt.Sprintf(". False alarms %g per pixel or point, particles missed %g, detector of %g sr. Doses are good to a factor of about 1.5.", r.Alpha, r.Beta, r.Detector.SolidAngleSr)
}
