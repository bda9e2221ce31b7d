package study

import (
	"context"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"example.org/fleck/maps/spots"
	"example.org/fleck/quant/template"
	"example.org/fleck/spectra/fit"
	"example.org/fleck/spectra/synth"
	"example.org/fleck/spectra/xray"
)

// Setup returns the specimen and the instrument as the fit found it.
func (r *Result) Setup() template.Setup {
	return template.Setup{Substrate: r.Study.Substrate, Coating: r.Study.Coating, Order: r.Study.Order,
		Geometry: r.geometry(), Detector: r.Fit.Detector, Calibration: r.Fit.Calibration, Channels: len(r.Sum.Counts)}
}

// channels returns the range of channels that is searched.
func (r *Result) channels() spots.Range {
	return spots.Range{From: r.Fit.LowChannel, To: r.Fit.LowChannel + len(r.Fit.Model)}
}

func (r *Result) templates(ctx context.Context) error {
	o := template.SphereOptions{Trajectories: sphereTrajectories, Seed: sphereSeed, Workers: r.Study.Options.Workers}
	if r.Study.Store != nil {
		o.Store = r.Study.Store
	}
	var err error
	if r.Target, err = Predict(ctx, r.Study.Target, r.Setup(), r.channels(), o); err != nil {
		return fmt.Errorf("study: %s: %w", r.Study.Target.Name, err)
	}
	for _, m := range r.Study.Confusers {
		p, err := Predict(ctx, m, r.Setup(), r.channels(), o)
		if err != nil {
			return fmt.Errorf("study: %s: %w", m.Name, err)
		}
		r.Confusers = append(r.Confusers, p)
	}
	return nil
}

// sphereDiameters are those, in nm, at which compact particles are predicted beside
// the thin limit, in steps fine enough against the uncertainty of the templates.
var sphereDiameters = []float64{150, 400, 1000, 2000, 4000}

// Trajectories per diameter of a template: a standard error of about 2.5 % of a
// family, 1.5 % of a ratio, small against the uncertainty of the parts. The seed makes
// the same bits for any study; it is no setting.
const (
	sphereTrajectories = 2400
	sphereSeed         = 1
)

// Predict returns the spectra that a compound is searched and named by, over the
// channels searched: as a thin particle, and as compact ones of rising size, by
// transport where its density is known, else as films.
func Predict(ctx context.Context, m xray.Material, setup template.Setup, rg spots.Range, opt template.SphereOptions) (Predicted, error) {
	thin, err := template.Particle(m, setup)
	if err != nil {
		return Predicted{}, err
	}
	out := Predicted{Material: m, Own: thin.Strongest}
	out.Template = partsOf(m.Name, rg, thin.Counts, thin.Families, thin.Strongest, familiesOf(thin.Families))
	if m.RequireDensity() == nil {
		if out.Particles, err = template.Spheres(ctx, m, sphereDiameters, setup, opt); err != nil {
			return out, err
		}
		for _, s := range out.Particles.Spheres {
			out.Template.Thicker = append(out.Template.Thicker, asSphere(m.Name, rg, thin, s))
		}
		return out, nil
	}
	for _, depth := range thickDepths {
		whole, film, err := template.Covered(m, depth, setup)
		if err != nil {
			return out, err
		}
		out.Template.Thicker = append(out.Template.Thicker, partsOf(m.Name, rg, whole.Counts, film.Families, out.Own, familiesOf(thin.Families)))
	}
	return out, nil
}

// asSphere returns the thin template with its families standing to the own one as
// those of a sphere do. The continuum stays that of the thin particle, and the
// substrate that the sphere hides is a smaller share of the substrate: both differ
// by less than the noise of the simulation or their uncertainty.
func asSphere(name string, rg spots.Range, thin template.Spectrum, s template.Sphere) spots.Template {
	counts := append([]float64(nil), thin.Counts...)
	families := map[string][]float64{}
	own := thin.Strongest
	flat, round := sumOf(thin.Families[own]), sumOf(s.Own.Families[own])
	for _, n := range familiesOf(thin.Families) {
		part := append([]float64(nil), thin.Families[n]...)
		if total := sumOf(part); total > 0 && round > 0 {
			scale := sumOf(s.Own.Families[n]) / round * flat / total
			for c, v := range part {
				part[c] = v * scale
				counts[c] = math.Max(0, counts[c]+part[c]-v)
			}
		}
		families[n] = part
	}
	return partsOf(name, rg, counts, families, own, familiesOf(families))
}

func sumOf(v []float64) float64 {
	t := 0.0
	for _, x := range v {
		t += x
	}
	return t
}

// thickDepths are the mass depths, g/cm², at which a compound without a density is
// predicted as a film beside the thin limit: 0.2 to 3 µm at a density of 4.
var thickDepths = []float64{8e-5, 1.6e-4, 3.2e-4, 6.4e-4, 1.28e-3}

// Relative uncertainties of the parts of a template: K lines 10 %, L 25 %, M 35 %,
// as quant/template states them; lines below 1 keV 20 % (absorption and yields, common
// practice, no source); what is left, the continuum, 25 %.
const (
	kSigma         = 0.10
	lSigma         = 0.25
	mSigma         = 0.35
	softSigma      = 0.20
	continuumSigma = 1.0
	// leastShare is the share of a template below which a family counts as rest.
	leastShare = 0.01
)

func familiesOf(f map[string][]float64) []string { return slices.Sorted(maps.Keys(f)) }

// partsOf returns a template of the families named and the rest.
func partsOf(name string, rg spots.Range, counts []float64, families map[string][]float64, own string, names []string) spots.Template {
	whole := counts[rg.From:rg.To]
	sum := sumOf(whole)
	rest := append([]float64(nil), whole...)
	line := make([]float64, len(whole))
	t := spots.Template{Name: name}
	for _, n := range names {
		if families[n] == nil {
			continue
		}
		part := make([]float64, len(whole))
		total := 0.0
		for c, v := range families[n][rg.From:rg.To] {
			part[c] = math.Max(0, math.Min(v, rest[c]))
			total += part[c]
		}
		if n == own {
			copy(line, part)
		} else if total < leastShare*sum {
			continue
		}
		for c := range rest {
			rest[c] = math.Max(0, rest[c]-part[c])
		}
		t.Parts = append(t.Parts, spots.Part{Spectrum: part, Sigma: familySigma(n)})
	}
	t.Parts = append(t.Parts, spots.Part{Spectrum: rest, Sigma: continuumSigma})
	for c := range rest { // rounding: the whole is what the parts add up to
		rest[c] = math.Max(0, rest[c])
	}
	scaled := normalised(name, whole, line)
	scaled.Parts = t.Parts
	for i := range scaled.Parts {
		for c := range scaled.Parts[i].Spectrum {
			scaled.Parts[i].Spectrum[c] /= sum
		}
	}
	return scaled
}

// familySigma returns the relative uncertainty of the strength of a family, "Ti K".
func familySigma(name string) float64 {
	symbol, family, _ := strings.Cut(name, " ")
	sigma := map[string]float64{"K": kSigma, "L": lSigma, "M": mSigma}[family]
	if sigma == 0 {
		return mSigma
	}
	f, err := xray.ParseElement(symbol)
	if err == nil && family == "K" && f < 11 { // K lines below 1 keV
		return softSigma
	}
	return sigma
}

// normalised scales a spectrum and its line part so that the spectrum sums to 1.
func normalised(name string, spectrum, line []float64) spots.Template {
	t := spots.Template{Name: name, Spectrum: append([]float64(nil), spectrum...), Line: append([]float64(nil), line...)}
	sum := sumOf(spectrum)
	for i := range t.Spectrum {
		t.Spectrum[i] /= sum
		t.Line[i] /= sum
	}
	return t
}

// Nuisance returns what is of free strength and says nothing about a spot: the lines
// of the coating and of carbon, which the beam deposits, and the continuum of a coating
// over the particles that is heavier than the target. A particle carries more of such a
// coat than the plane beside it: with 10 nm of gold at 5 keV a sphere of silica of
// 150 nm adds twice as much continuum, by transport, as counts in Si K.
func (r *Result) Nuisance() []spots.Template {
	elements := []xray.Element{6}
	if c := r.Study.Coating; c != nil {
		for _, x := range c.Components {
			if x.Element != 6 {
				elements = append(elements, x.Element)
			}
		}
	}
	rg := r.channels()
	var out []spots.Template
	for _, f := range fit.FamiliesOf(elements, r.Sum.BeamEnergy, r.Fit.Options.LowEV, r.Fit.Options.HighEV) {
		full := make([]float64, len(r.Sum.Counts))
		var lines []synth.Line
		for _, w := range xray.FamilyWeights(f.Element, f.Family, r.Sum.BeamEnergy) {
			lines = append(lines, synth.Line{Energy: w.Line.Energy, Photons: w.Weight})
		}
		synth.AddLines(full, r.Fit.Detector, r.Fit.Calibration, lines)
		part := full[rg.From:rg.To]
		sum := 0.0
		for _, v := range part {
			sum += v
		}
		if sum > 0 {
			out = append(out, normalised(f.String(), part, part))
		}
	}
	if c := r.Study.Coating; c != nil && r.Study.Order != template.Under && c.MeanZ() > r.Study.Target.MeanZ() {
		setup := r.Setup()
		setup.Coating, setup.Order = nil, template.NoCoating
		if coat, err := template.Particle(*c, setup); err == nil {
			part := append([]float64(nil), coat.Counts[rg.From:rg.To]...)
			for _, family := range coat.Families {
				for i, v := range family[rg.From:rg.To] {
					part[i] -= v
				}
			}
			for i, v := range part {
				part[i] = math.Max(0, v)
			}
			if sumOf(part) > 0 {
				out = append(out, normalised("continuum of "+c.Name, part, part))
			}
		}
	}
	return out
}
