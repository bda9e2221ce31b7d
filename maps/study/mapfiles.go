package study

import (
	"cmp"
	"io"
	"math"
	"slices"

	fields "example.org/fleck/maps"
	"example.org/fleck/maps/cube"
	"example.org/fleck/maps/figure"
	"example.org/fleck/maps/record"
	"example.org/fleck/spectra/fit"
	"example.org/fleck/spectra/xray"
)

// mapped is one line family that is drawn, with its display range over all
// fields.
type mapped struct {
	family int // index into Result.Families
	name   string
	scale  fields.Scale
	why    string // whose line it is
}

// displayShare is the share of pixels that the display range covers: without
// the brightest per cent a few large particles do not hide all others. Common
// practice, no source.
const displayShare = 0.99

// substrateLines is how many lines of the substrate are drawn.
const substrateLines = 1

// prepareMaps chooses the families that matter: those of the target, its own
// first, the own ones of the other compounds, and the strongest of the
// substrate.
func (w *writer) prepareMaps() {
	r := w.r
	add := func(k int, why string) {
		if !slices.ContainsFunc(w.matter, func(m mapped) bool { return m.family == k }) {
			w.matter = append(w.matter, mapped{family: k, name: r.Families[k].String(), why: why, scale: w.scaleOf(k)})
		}
	}
	for k, f := range r.Families {
		if f.String() == r.Target.Own {
			add(k, "own line of the target "+r.Target.Material.Name)
		}
	}
	for k, f := range r.Families {
		if r.Target.Material.Fraction(f.Element) > 0 {
			add(k, "line of the target "+r.Target.Material.Name)
		}
	}
	for _, c := range r.Confusers {
		for k, f := range r.Families {
			if f.String() == c.Own {
				add(k, "own line of "+c.Material.Name)
			}
		}
	}
	for _, c := range r.Confusers {
		for k, f := range r.Families {
			if c.Material.Fraction(f.Element) > 0 && w.fallsOnOwn(f) {
				add(k, "line of "+c.Material.Name+" that falls on "+r.Target.Own)
			}
		}
	}
	var base []int
	for k, f := range r.Families {
		if r.Study.Substrate.Fraction(f.Element) > 0 {
			base = append(base, k)
		}
	}
	hard := func(k int) int { // lines above 1 keV come from the bulk rather than the surface
		if line, ok := fit.MainLine(r.Families[k].Element, r.Families[k].Family, r.Sum.BeamEnergy); ok && line.Energy > xray.KeV {
			return 1
		}
		return 0
	}
	slices.SortStableFunc(base, func(a, b int) int {
		return cmp.Or(cmp.Compare(hard(b), hard(a)), cmp.Compare(w.net(b), w.net(a)))
	})
	for _, k := range base[:min(substrateLines, len(base))] {
		add(k, "line of the substrate")
	}
}

// fallsOnOwn reports whether the main line of a family lies within one width of
// the main line of the target's own family.
func (w *writer) fallsOnOwn(f fit.Family) bool {
	own, err := fit.ParseFamily(w.r.Target.Own)
	if err != nil || own == f {
		return false
	}
	a, okA := fit.MainLine(own.Element, own.Family, w.r.Sum.BeamEnergy)
	b, okB := fit.MainLine(f.Element, f.Family, w.r.Sum.BeamEnergy)
	return okA && okB && math.Abs(float64(a.Energy-b.Energy)) < w.r.Fit.Detector.FWHM(a.Energy)
}

// net returns the net counts of family k in the sum spectrum.
func (w *writer) net(k int) float64 {
	if f, ok := w.r.Fit.Find(w.r.Families[k]); ok {
		return f.NetCounts
	}
	return 0
}

// scaleOf is the display range of family k, one for all fields: from 0 to the
// value that all but the brightest pixels stay below.
func (w *writer) scaleOf(k int) fields.Scale {
	var all []float64
	for i := range w.r.Fields {
		for _, v := range w.r.Fields[i].Maps.Stacks[k].Value.V {
			if v == v {
				all = append(all, v)
			}
		}
	}
	s := fields.Scale{Low: 0, High: 1}
	if len(all) > 0 {
		slices.Sort(all)
		s.High = max(1, all[min(len(all)-1, int(displayShare*float64(len(all))))])
	}
	return s
}

// figureDPI is the resolution of figures; panels of many maps have three
// quarters of it, since their size decides that of the page.
const figureDPI = 200

// pageWidthMM is the width of wide figures: two columns of print.
const pageWidthMM = 170

// fieldFolders writes the maps of every field into a folder of its own.
func (w *writer) fieldFolders() error {
	names := record.FileNames{}
	for i := range w.r.Fields {
		f := &w.r.Fields[i]
		if err := w.fieldFolder(f, names.Of(f.Name)); err != nil {
			return err
		}
	}
	return nil
}

func (w *writer) fieldFolder(f *FieldResult, folder string) error {
	files := record.Object{}
	// Every map is written as NPY and as 32-bit TIFF.
	both := func(base string, m fields.Map) error {
		files.Set(base, folder+"/"+base+".npy")
		if _, err := w.file(folder+"/"+base+".npy", func(out io.Writer) error { return cube.WriteMapNPY(out, m) }); err != nil {
			return err
		}
		files.Set(base+"_tiff", folder+"/"+base+".tif")
		_, err := w.file(folder+"/"+base+".tif", func(out io.Writer) error { return figure.FloatTIFF(out, m) })
		return err
	}
	for k, fam := range w.r.Families {
		base := record.FileName(fam.String())
		st := f.Maps.Stacks[k]
		if err := both(base, st.Value); err != nil {
			return err
		}
		if err := both(base+"_sigma", st.Sigma); err != nil {
			return err
		}
	}
	for _, m := range w.matter {
		base := record.FileName(m.name)
		value := f.Maps.Stacks[m.family].Value
		files.Set(base+"_png", folder+"/"+base+".png")
		scale := m.scale
		_, err := w.file(folder+"/"+base+".png", func(out io.Writer) error {
			return figure.ElementMap(out, value, figure.MapOptions{Title: f.Name + ": " + value.What, Scale: &scale, DPI: w.dpi,
				Caption: "Display range shared by all fields."})
		})
		if err != nil {
			return err
		}
	}
	if len(f.Maps.Stacks) > 0 {
		status := fields.New(f.Header.Width, f.Header.Height)
		status.What = "status of the fit"
		for p, s := range f.Maps.Stacks[0].Status {
			status.V[p] = float64(s)
		}
		if err := both("status", status); err != nil {
			return err
		}
	}
	if err := both("continuum", f.Maps.Continuum); err != nil {
		return err
	}
	if err := both("counts", f.Sums.PixelTotals); err != nil {
		return err
	}
	if err := both("likelihood", f.Spots.LLR); err != nil {
		return err
	}
	if len(f.Spots.Phases) > 1 {
		phases := fields.New(f.Header.Width, f.Header.Height)
		phases.What = "phase of the substrate, 1 the largest"
		for p, k := range f.Spots.PhaseOf {
			phases.V[p] = float64(k) + 1
		}
		if err := both("phases", phases); err != nil {
			return err
		}
	}
	if err := w.ownFigures(f, folder, &files); err != nil {
		return err
	}
	if f.Evidence != nil {
		files.Set("spectra", folder+"/spectra.json")
		if err := w.json(folder+"/spectra.json", w.spectraFile(f)); err != nil {
			return err
		}
	}
	m, scale := w.ownMap(f)
	name := folder + "/spots.png"
	files.Set("spots", name)
	data, err := w.file(name, func(out io.Writer) error {
		return figure.SpotMap(out, m, f.Spots.Spots, figure.SpotMapOptions{Title: f.Name + ": spots on " + m.What, Scale: &scale, DPI: w.dpi})
	})
	if err != nil {
		return err
	}
	w.figures.spotMaps = append(w.figures.spotMaps, drawn{data, name})
	w.fieldFiles = append(w.fieldFiles, files)
	return nil
}

// overlayLayers is how many lines an overlay shows at most: as many as can be
// told apart.
const overlayLayers = 3

// ownFigures draws what surrounds the target's own line: its uncertainty, its
// significance, and an overlay with the next lines of other elements.
func (w *writer) ownFigures(f *FieldResult, folder string, files *record.Object) error {
	if len(w.matter) == 0 || w.matter[0].name != w.r.Target.Own {
		return nil
	}
	own := w.matter[0]
	st := f.Maps.Stacks[own.family]
	base := record.FileName(own.name)
	var layers []figure.Layer
	elements := map[string]bool{}
	// The substrate comes second: it shows where particles lie.
	order := append([]mapped{own, w.matter[len(w.matter)-1]}, w.matter[1:]...)
	for _, m := range order {
		symbol := w.r.Families[m.family].Element.Symbol()
		if elements[symbol] || len(layers) == overlayLayers {
			continue
		}
		elements[symbol] = true
		scale := m.scale
		layers = append(layers, figure.Layer{Map: f.Maps.Stacks[m.family].Value, Name: m.name, Scale: &scale})
	}
	for _, g := range []struct {
		key, name string
		draw      func(io.Writer) error
		left      bool
	}{
		{base + "_sigma_png", base + "_sigma.png", func(out io.Writer) error {
			return figure.ElementMap(out, st.Sigma, figure.MapOptions{Title: f.Name + ": " + st.Sigma.What, DPI: w.dpi})
		}, !hasValue(st.Sigma)},
		{base + "_significance_png", base + "_significance.png", func(out io.Writer) error {
			return figure.Significance(out, st.Value, st.Sigma, figure.MapOptions{Title: f.Name + ": " + own.name + " over its standard uncertainty", DPI: w.dpi})
		}, false},
		{"overlay", "overlay.png", func(out io.Writer) error {
			return figure.Overlay(out, layers, figure.OverlayOptions{Title: f.Name + ": lines together", Caption: "Display ranges shared by all fields.", WidthMM: pageWidthMM / 2, DPI: w.dpi})
		}, len(layers) < 2},
	} {
		if g.left {
			continue
		}
		files.Set(g.key, folder+"/"+g.name)
		if _, err := w.file(folder+"/"+g.name, g.draw); err != nil {
			return err
		}
	}
	return nil
}

func hasValue(m fields.Map) bool {
	_, ok := m.Range()
	return ok
}

// ownMap returns the map of the target's own line with its display range; the
// counts of every pixel where that line was not fitted.
func (w *writer) ownMap(f *FieldResult) (fields.Map, fields.Scale) {
	if len(w.matter) > 0 && w.matter[0].name == w.r.Target.Own {
		return f.Maps.Stacks[w.matter[0].family].Value, w.matter[0].scale
	}
	m := f.Sums.PixelTotals
	m.What, m.Unit = "counts", "counts"
	s, ok := m.Range()
	if !ok || s.High <= 0 {
		s.High = 1
	}
	return m, fields.Scale{Low: 0, High: s.High}
}
