package main

import (
	"bytes"
	"context"
	"math"
	"strings"

	"example.org/fleck/maps"
	"example.org/fleck/maps/cube"
	"example.org/fleck/maps/peaks"
	"example.org/fleck/maps/record"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/msa"
	"github.com/urfave/cli/v2"
)

func inspectCommand(e *env) *cli.Command {
	return &cli.Command{
		Name:      "inspect",
		Usage:     "what is in a spectrum, cube or map, and what looks wrong",
		UsageText: "fleck inspect FILE",
		Description: `FILE is a spectrum (ISO 22029 or CSV), a cube (see: fleck help cubes) or a single
count map. Deviations from the format come with their line.

Example:
  fleck inspect spectrum.msa`,
		Flags: append(append([]cli.Flag{
			&cli.BoolFlag{DisableDefaultText: true, Name: "strict", Usage: "list matters of layout of spectrum files too"},
		}, conditionFlags()...), cubeFlags()...),
		Action: e.action(func(ctx context.Context, c *cli.Context) error {
			path, err := oneFile(c, "one spectrum, cube or map")
			if err != nil {
				return err
			}
			return e.inspect(ctx, c, path)
		}),
	}
}

func (e *env) inspect(ctx context.Context, c *cli.Context, path string) error {
	if _, err := cubeOptions(c); err != nil {
		return err
	}
	k := kindText
	if path != "-" {
		var err error
		if k, err = sniff(path); err != nil {
			return err
		}
	}
	e.answer.Set("file", path)
	stated := c.String("shape") != ""
	if k == kindImage {
		return e.inspectMap(c, path)
	}
	if k != kindText || stated {
		f, err := e.openCube(c, path)
		if err != nil && k == kindArray && !stated {
			if m, errMap := e.readMap(c, path); errMap == nil {
				return e.describeMap(path, m)
			}
		}
		if err != nil {
			return err
		}
		defer f.Close()
		return e.inspectCube(ctx, path, f)
	}
	data, err := e.readText(path)
	if err != nil {
		return err
	}
	m, err := parseSpectrum(data)
	if err != nil && classify(err).code == codeNotSpectrum && path != "-" && looksLikeTable(data) {
		return e.inspectMap(c, path)
	}
	if err != nil {
		return inFile(path, err)
	}
	if err := e.applyConditions(c, &m.s); err != nil {
		return err
	}
	return e.inspectSpectrum(path, m, c.Bool("strict"))
}

// inspectSpectrum describes a spectrum file.
func (e *env) inspectSpectrum(path string, m *measured, strict bool) error {
	deviations := m.file.Deviations
	if strict && !m.csv {
		if d, err := msa.Check(bytes.NewReader(m.data)); err == nil {
			deviations = d
		}
	}
	s := &m.s
	e.check(s)
	what := "ISO 22029 (EMSA/MAS)"
	if m.csv {
		what = "table"
	} else if m.file.Version != "" {
		what += ", version " + m.file.Version
	}
	e.printf("%s: spectrum, %s\n", path, what)
	e.answer.Set("kind", "spectrum")
	e.answer.Set("file_format", what)
	e.answer.Set("title", s.Title)
	if s.Title != "" {
		e.printf("  title        %s\n", s.Title)
	}
	e.describe(s, s.Calibration.Valid())
	rows := []record.Object{}
	for _, d := range deviations {
		row := record.Of("line", d.Line, "keyword", d.Keyword, "message", d.Message)
		if d.Line == 0 {
			row.Set("line", nil)
		}
		rows = append(rows, row)
	}
	e.answer.Set("deviations", rows)
	if len(deviations) > 0 {
		e.printf("  deviations   %d\n", len(deviations))
		for _, d := range deviations {
			e.printf("    %s\n", d)
		}
	}
	return nil
}

// describe writes what spectra and cubes have in common.
func (e *env) describe(s *spectra.Spectrum, calibrated bool) {
	a := &e.answer
	a.Set("points", len(s.Counts))
	e.printf("  channels     %d\n", len(s.Counts))
	offset, gain := math.NaN(), math.NaN()
	if calibrated {
		offset, gain = s.OffsetEV, s.GainEV
		last := float64(s.Calibration.Energy(float64(len(s.Counts) - 1)))
		e.printf("  energy axis  %.6g to %.6g eV, %.6g eV per channel\n", offset, round(last, 1e-6), gain)
	} else {
		e.printf("  energy axis  not stated (--energy-first, --energy-step)\n")
	}
	a.Number("energy_first_ev", offset, "the file states no energy axis")
	a.Number("energy_step_ev", gain, "the file states no energy axis")
	a.Number("counts_total", s.Total(), "")
	e.printf("  counts       %.10g\n", s.Total())
	for _, q := range []struct {
		key, name, unit string
		v               float64
	}{
		{"live_time_s", "live time", "s", s.LiveTimeS},
		{"real_time_s", "real time", "s", s.RealTimeS},
		{"beam_kev", "beam energy", "keV", s.BeamEnergy.KeV()},
		{"takeoff_deg", "take-off", "deg", round(s.TakeOff.Degrees(), 1e-9)},
		{"tilt_deg", "tilt", "deg", round(s.Tilt.Degrees(), 1e-9)},
		{"probe_current_na", "current", "nA", s.ProbeCurrentNA},
	} {
		v := q.v
		if v == 0 && q.key != "tilt_deg" {
			v = math.NaN()
		}
		a.Number(q.key, v, "the file does not state it")
		if !math.IsNaN(v) && v != 0 {
			e.printf("  %-12s %.6g %s\n", q.name, v, q.unit)
		}
	}
	rate := math.NaN()
	if s.LiveTimeS > 0 {
		rate = s.Total() / s.LiveTimeS
		e.printf("  count rate   %.0f counts per second of live time\n", rate)
	}
	a.Number("count_rate_per_s", rate, "the file does not state the live time")
	dead := s.DeadTimeFraction()
	a.Number("dead_time", dead, "needs live time and a longer real time")
	if !math.IsNaN(dead) {
		e.printf("  dead time    %.1f %%\n", 100*dead)
	}
	if calibrated {
		e.describeEnds(s)
	}
}

// describeEnds writes where the continuum ends and what lies near zero.
func (e *env) describeEnds(s *spectra.Spectrum) {
	const unknown = "the counts do not tell"
	a := &e.answer
	end, sigma, share := math.NaN(), math.NaN(), math.NaN()
	if l, ok := s.EndOfContinuum(); ok {
		end, sigma, share = l.Energy.KeV(), l.Sigma.KeV(), l.SumShare
		e.printf("  continuum    ends at %.2f keV (counting ± %.2f, the law it follows ± %.2f)\n", end, sigma, continuumLaw*end)
		e.printf("  sums         up to about %.2f %% of the counts may be two events in one\n", 100*share)
	}
	a.Number("landing_energy_kev", round(end, 1e-4), unknown)
	a.Number("landing_sigma_kev", round(sigma, 1e-4), unknown)
	a.Number("sum_share", round(share, 1e-6), unknown)
	at, counts := math.NaN(), math.NaN()
	if x, n, ok := s.NoisePeak(); ok {
		at, counts = x, n
		e.printf("  noise peak   %.0f counts of the electronics at %.0f eV, no line\n", n, x)
	}
	a.Number("noise_peak_ev", round(at, 1e-2), "none stands out near zero energy")
	a.Number("noise_peak_counts", round(counts, 1), "none stands out near zero energy")
}

// check warns about what looks wrong in a spectrum.
func (e *env) check(s *spectra.Spectrum) {
	e.doubts(s.Check())
}

// doubts shows warnings of the library and writes them down with their names.
func (e *env) doubts(ws []spectra.Warning) {
	rows := []record.Object{}
	for _, w := range ws {
		text := w.Text
		switch w.Kind {
		case spectra.NoBeamEnergy:
			text += " (--beam)"
		case spectra.NoEnergyAxis:
			text += " (--energy-first, --energy-step)"
		}
		e.warn("%s", text)
		row := record.Object{}
		row.Set("kind", string(w.Kind))
		row.Set("message", text)
		rows = append(rows, row)
	}
	e.answer.Set("checks", rows)
}

// inspectCube describes a cube by its header and its sum spectrum.
func (e *env) inspectCube(ctx context.Context, path string, f *cube.File) error {
	h := f.Header()
	sums, err := cube.SumSpectra(ctx, f, e.workers, e.bar.of("reading"))
	if err != nil {
		return inFile(path, err)
	}
	for _, w := range sums.Warnings {
		e.warn("%s", w)
	}
	s := peaks.SumSpectrum(h, sums.Sum)
	if !h.CalibrationKnown {
		s.Calibration = spectra.Calibration{}
	}
	e.check(s)
	a := &e.answer
	a.Set("kind", "cube")
	a.Set("title", h.Title)
	a.Set("width", h.Width)
	a.Set("height", h.Height)
	a.Set("channels", h.Channels)
	a.Set("type", h.Type.String())
	a.Set("frames", max(1, h.Frames))
	e.printf("%s: cube of %d × %d pixels (width × height), %s\n", path, h.Width, h.Height, h.Type)
	if h.Frames > 1 {
		a.Set("frames_read", h.Selected.String())
		e.printf("  frames       %d; %s are read, as their sum (--frames)\n", h.Frames, h.Selected)
	}
	if h.Title != "" {
		e.printf("  title        %s\n", h.Title)
	}
	e.describe(s, h.CalibrationKnown)
	e.describePixel(h.Pixel)
	totals := sums.PixelTotals.Stats()
	a.Number("counts_per_pixel", totals.Mean, "")
	a.Number("counts_pixel_min", totals.Min, "")
	a.Number("counts_pixel_max", totals.Max, "")
	e.printf("  per pixel    %.4g counts on average, %.0f to %.0f\n", totals.Mean, totals.Min, totals.Max)
	if len(h.Keys) > 0 {
		keys := record.Object{}
		for _, k := range h.Keys {
			keys.Set(k.Key, k.Value)
			e.printf("  %s: %s\n", k.Key, k.Value)
		}
		a.Set("keys", keys)
	}
	a.Set("deviations", []record.Object{})
	return nil
}

func (e *env) describePixel(p maps.Pixel) {
	x, y := math.NaN(), math.NaN()
	if p.Known() {
		x, y = round(p.X.Um(), 1e-9), round(p.Y.Um(), 1e-9)
		e.printf("  pixel        %.6g × %.6g µm\n", x, y)
	} else {
		e.printf("  pixel        size not stated (--pixel)\n")
	}
	e.answer.Number("pixel_width_um", x, "the file does not state it")
	e.answer.Number("pixel_height_um", y, "the file does not state it")
}

// inspectMap describes a single count map.
func (e *env) inspectMap(c *cli.Context, path string) error {
	m, err := e.readMap(c, path)
	if err != nil {
		return err
	}
	return e.describeMap(path, m)
}

// longestTitle is the number of letters of a description that are printed.
const longestTitle = 60

// holds says what a map shows, in one short line.
func holds(m maps.Map) string {
	what := []rune(m.What)
	if len(what) > longestTitle {
		what = append(what[:longestTitle:longestTitle], '…')
	}
	if strings.Contains(strings.ToLower(m.What), strings.ToLower(m.Unit)) {
		return string(what)
	}
	return strings.TrimSpace(string(what) + " " + m.Unit)
}

func (e *env) describeMap(path string, m maps.Map) error {
	st := m.Stats()
	e.printf("%s: map of %d × %d pixels (width × height)\n", path, m.W, m.H)
	a := &e.answer
	a.Set("kind", "map")
	a.Set("width", m.W)
	a.Set("height", m.H)
	a.Set("channels", 1)
	a.Set("what", m.What)
	a.Set("unit", m.Unit)
	if text := holds(m); text != "" {
		e.printf("  holds        %s\n", text)
	}
	a.Number("counts_total", st.Sum, "the map holds no value")
	a.Number("min", st.Min, "the map holds no value")
	a.Number("max", st.Max, "the map holds no value")
	a.Number("mean", st.Mean, "the map holds no value")
	e.printf("  values       %.6g to %.6g, mean %.6g, sum %.10g\n", st.Min, st.Max, st.Mean, st.Sum)
	if missing := m.W*m.H - st.N; missing > 0 {
		e.printf("  no value     %d pixels\n", missing)
	}
	e.describePixel(m.Pixel)
	switch kind, at := spectra.CheckCounts(m.V); kind {
	case spectra.InvalidCounts:
		for i, v := range m.V {
			if !(v >= 0) {
				at = i
				break
			}
		}
		e.warn("not counts: pixel (%d, %d) holds %g", at%m.W, at/m.W, m.V[at])
	case spectra.FractionalCounts:
		e.warn("not raw counts: pixel (%d, %d) holds %g", at%m.W, at/m.W, m.V[at])
	}
	a.Set("deviations", []record.Object{})
	return nil
}
