package study

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"example.org/fleck/maps/report"
)

// methods describes what was done, with the settings as they were resolved, in
// paragraphs to paste into a report.
func (w *writer) methods() []string {
	out := []string{w.acquisition(), w.fitting(), w.searching()}
	if text := w.halving(); text != "" {
		out = append(out, text)
	}
	if w.r.Comparison != nil {
		out = append(out, w.comparing())
	}
	return append(out, w.computing())
}

func (w *writer) acquisition() string {
	r := w.r
	h := r.Fields[0].Header
	made := "were recorded"
	if w.opt.Invented != "" {
		made = "were simulated, not measured,"
	}
	text := fmt.Sprintf("Maps of %s by energy-dispersive X-ray spectrometry in a scanning electron microscope %s at a beam energy of %s: %s with %d channels of %s eV.",
		r.Study.Substrate.String(), made, w.beamText(), w.fieldSize(), h.Channels, report.Number(h.Calibration.GainEV))
	text += " Fields: " + w.roleText() + "."
	if c := r.Study.Coating; c != nil {
		text += fmt.Sprintf(" The specimens carry a coating of %s, %s the particles.", c.String(), map[string]string{"under": "under", "over": "over", "both": "under and over"}[string(r.Study.Order)])
	}
	if t := h.Conditions.LiveTimeS; t > 0 {
		text += fmt.Sprintf(" Live time of a field: %s s.", report.Number(t))
	}
	return text
}

func (w *writer) fitting() string {
	r := w.r
	var names []string
	for _, f := range r.Families {
		names = append(names, f.String())
	}
	return fmt.Sprintf("The pooled sum spectrum was fitted from %s to %s keV by maximum Poisson likelihood with the line families %s, a continuum with absorption by substrate and coating, escape peaks, sum peaks and incomplete charge collection. "+
		"With scale, resolution, line shares and continuum shape frozen, the same model was fitted to every pixel. Net counts carry standard uncertainties (k = 1) from counting and fit. The maps are raw intensities; no reference material was measured and no mass fractions are given.",
		report.Number(r.Fit.Options.LowEV/1000), report.Number(r.Fit.Options.HighEV/1000), strings.Join(names, ", "))
}

func (w *writer) searching() string {
	r := w.r
	o := r.Fields[0].Spots.Options
	substrate := "the field itself, its spots left out"
	if r.BlankCounts > 0 {
		substrate = fmt.Sprintf("untreated fields, their spots left out (%s counts)", report.Number(math.Round(r.BlankCounts)))
	}
	text := fmt.Sprintf("Spots of %s were searched on the counts by a likelihood ratio between the predicted spectrum of a thin particle and that of %s, scanned over place and %d widths from %s to %s pixels (scan statistic after Kulldorff 1997). "+
		"The decision threshold of a field holds a false-alarm rate of %s, found on %d replicas of the field without spots. Spots are listed at a false discovery rate of %s over local maxima (Benjamini and Hochberg 1995; Chumbley and others 2010), where the %s lines alone are significant as well (intersection–union test, Berger 1982).",
		r.Target.Material.Name, substrate, len(o.Widths), report.Number(o.Widths[0]), report.Number(o.Widths[len(o.Widths)-1]), percent(o.Alpha), o.Bootstrap, percent(o.Q), r.Target.Own)
	if len(r.Confusers) > 0 {
		text += fmt.Sprintf(" A spot is named as the compound whose predicted spectrum fits it better than every other (%s) by a log-likelihood of %s or more; else the verdict is “cannot tell”. Compounds that blank fields show as often as treated ones are given to the substrate, spot by spot; the comparison counts those named as the target on both sides.",
			strings.Join(materialNames(r.Study.Confusers), ", "), report.Number(o.Margin))
	}
	if slices.ContainsFunc(r.Fields, func(f FieldResult) bool { return len(f.Spots.Phases) > 1 }) {
		text += fmt.Sprintf(" Where the substrate has several phases, told apart by their spectra without the %s lines (Potts field, iterated conditional modes, Besag 1986), each pixel was weighed against its own.", r.Target.Own)
	}
	if !r.Study.Options.NoLimit {
		text += " The detection limit is the excess of one spot of the smallest width that is found with the stated probability when such spots are put into replicas."
	}
	return text
}

// halving says how the halves of the frames were compared.
func (w *writer) halving() string {
	for i := range w.r.Fields {
		if st := w.r.Fields[i].Stability; st != nil {
			return fmt.Sprintf("Frames were added up. The first half of the frames of a field was tested against the second for a change of dose, growth of carbon, loss of the target in its spots and drift of the spots, each at a level of %s (normal approximation of the counting statistics).", percent(st.Alpha))
		}
	}
	return ""
}

func (w *writer) comparing() string {
	c := w.r.Comparison
	text := fmt.Sprintf("Densities of the spots told to be %s on treated and on untreated fields were compared with the %s as the replicate, one-sided at %s, with %s coverage intervals; test: %s.",
		w.r.Target.Material.Name, c.Unit, percent(c.Options.Alpha), percent(c.Options.Level), firstOf(c.Density.Method, "none, "+c.Density.Reason))
	if m := w.r.Mean; m != nil && !math.IsNaN(m.Share) {
		text += " The sum spectra of whole fields were compared as well, by weighted least squares on the target's own line with all other lines, the continuum and the energy axis free; the scatter of fields of one kind gives the uncertainty (Student's t)."
	}
	if c.Options.Paired {
		text += " Fields of one coupon before and after treatment were taken as pairs."
	}
	return text
}

func (w *writer) computing() string {
	return fmt.Sprintf("Computed with fleck %s, atomic data tables %s, seed %d of the random numbers.", firstOf(w.opt.Version, "(version not stated)"), w.tableSum(), w.r.Study.Options.Seed)
}

func firstOf(texts ...string) string {
	for _, t := range texts {
		if t != "" {
			return t
		}
	}
	return ""
}

// cite says how to cite the result, the program and the methods.
func (w *writer) cite() []string {
	title := firstOf(w.r.Study.Title, "Search for "+w.r.Target.Material.Name)
	result := fmt.Sprintf("This result: “%s”, result.json with SHA-256 %s.", title, w.resultSum)
	if w.opt.Invented != "" {
		result = fmt.Sprintf("This result (simulated data): “%s”, result.json with SHA-256 %s.", title, w.resultSum)
	}
	return []string{
		result,
		fmt.Sprintf("The program: fleck %s, atomic data tables %s.", firstOf(w.opt.Version, "(version not stated)"), w.tableSum()),
		"The methods: M. Kulldorff, Commun. Statist. Theory Methods 26 (1997) 1481; Y. Benjamini, Y. Hochberg, J. R. Statist. Soc. B 57 (1995) 289; J. Chumbley and others, NeuroImage 49 (2010) 3057; R. L. Berger, Technometrics 24 (1982) 295; K. Krishnamoorthy, J. Thomson, J. Statist. Plan. Inference 119 (2004) 23. Volumes and pages from memory, unverified.",
	}
}
