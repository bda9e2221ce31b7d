package study

import (
	"math"

	"example.org/fleck/maps/record"
	"example.org/fleck/quant/template"
)

// massScale turns excess counts of the target into the mass that gives them.
//
// A thin particle adds N = n·(P/S)·m/A counts, with n the counts of the bare
// substrate per pixel, A the area of a pixel, m the mass, and P and S the
// predicted counts per electron of the target at unit mass depth and of the
// substrate (template.Particle, template.Substrate). Detector and dose cancel
// but for their dependence on energy. Thin means much thinner than the electron
// range; thick particles hold more mass than this says.
type massScale struct {
	ratio  float64 // P/S, cm²/µg; 0 = not known
	reason string
}

func (w *writer) massScale() massScale {
	if w.mass.ratio > 0 || w.mass.reason != "" {
		return w.mass
	}
	w.mass = massScale{reason: "the signal of a particle could not be predicted"}
	setup := w.r.Setup()
	p, err := template.Particle(w.r.Target.Material, setup)
	if err != nil {
		return w.mass
	}
	s, err := template.Substrate(setup)
	if err != nil {
		return w.mass
	}
	rg := w.r.channels()
	var particle, substrate float64
	for c := rg.From; c < rg.To; c++ {
		particle += p.Counts[c]
		substrate += s.Counts[c]
	}
	if particle > 0 && substrate > 0 {
		w.mass = massScale{ratio: particle / substrate}
	}
	return w.mass
}

// SphereNM returns the diameter, in nm, of one sphere of the target that gives the
// excess counts in field i; NaN with the reason where it is not known.
func (r *Result) SphereNM(i int, excess float64) (nm float64, reason string) {
	return (&writer{r: r}).sphereNM(&r.Fields[i], excess)
}

// sphereNM returns the diameter, in nm, of one sphere of the target that gives
// the excess counts; NaN with the reason where it is not known.
func (w *writer) sphereNM(f *FieldResult, excess float64) (nm float64, reason string) {
	if math.IsNaN(excess) {
		return nan, "no detection limit"
	}
	if p := w.r.Target.Particles; p != nil {
		return w.simulatedNM(f, excess)
	}
	return w.thinNM(f, excess)
}

// simulatedNM is sphereNM by transport: the excess is that of the thin template, of
// which the own line is a known share.
func (w *writer) simulatedNM(f *FieldResult, excess float64) (nm float64, reason string) {
	i := 0
	for k := range w.r.Fields {
		if &w.r.Fields[k] == f {
			i = k
		}
	}
	perM2, reason := w.r.dosePerM2(i)
	peak := w.r.ownPeak()
	if reason != "" {
		return nan, reason
	}
	if peak < 0 {
		return nan, "the own line of the target was not simulated"
	}
	t := w.r.Target.Template
	d, _ := w.r.Target.Particles.Sizes.DiameterFor(peak, excess*sumOf(t.Line)/sumOf(t.Spectrum)/perM2)
	return d * 1e9, ""
}

// thinNM is sphereNM by the law of thin particles.
func (w *writer) thinNM(f *FieldResult, excess float64) (nm float64, reason string) {
	m := w.massScale()
	density := w.r.Target.Material.Density
	switch {
	case m.ratio == 0:
		return nan, m.reason
	case !f.Header.Pixel.Known():
		return nan, record.NoPixelSize
	case density == 0:
		return nan, "the density of the target is not known"
	}
	rg := w.r.channels()
	counts := 0.0
	for _, n := range f.Sums.Sum[rg.From:rg.To] {
		counts += float64(n)
	}
	if counts == 0 {
		return nan, "the field holds no counts"
	}
	perPixel := counts / float64(f.Header.Pixels())
	areaCm2 := f.Header.Pixel.AreaUm2() * 1e-8
	gram := excess * areaCm2 / (perPixel * m.ratio) * 1e-6
	return math.Cbrt(6*gram/(math.Pi*density)) * 1e7, ""
}
