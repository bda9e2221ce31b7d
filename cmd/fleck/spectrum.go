package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"strings"

	"example.org/fleck/maps/cube"
	"example.org/fleck/maps/peaks"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/msa"
	"example.org/fleck/spectra/xray"
	"github.com/urfave/cli/v2"
)

// measured is one spectrum with what is known about where it comes from.
type measured struct {
	s    spectra.Spectrum
	file *msa.File // nil for the sum of a cube
	csv  bool
	data []byte     // of the file
	sums *cube.Sums // of the cube, nil for a file
}

// readSpectrum reads a spectrum file, or the sum spectrum of a cube, and
// applies the conditions given by flags.
func (e *env) readSpectrum(ctx context.Context, c *cli.Context, path string) (*measured, error) {
	k := kindText
	if path != "-" {
		var err error
		if k, err = sniff(path); err != nil {
			return nil, err
		}
	}
	if k == kindImage {
		return nil, failed(codeNotSpectrum, path, "a TIFF or PNG image; expected a spectrum or a count cube")
	}
	if k != kindText || c.String("shape") != "" {
		return e.readSum(ctx, c, path)
	}
	data, err := e.readText(path)
	if err != nil {
		return nil, err
	}
	m, err := parseSpectrum(data)
	if err != nil {
		return nil, inFile(path, err)
	}
	if err := e.applyConditions(c, &m.s); err != nil {
		return nil, err
	}
	for _, d := range m.file.Deviations {
		if d.Keyword == "NPOINTS" || d.Keyword == "ENDOFDATA" { // counts are missing or left over
			e.warn("%s: %s", path, d)
		}
	}
	return m, nil
}

// parseSpectrum reads text as a spectral data file or, failing that, as a
// table.
func parseSpectrum(data []byte) (*measured, error) {
	f, err := msa.Read(bytes.NewReader(data))
	if err == nil {
		return &measured{s: f.Spectrum, file: f, data: data}, nil
	}
	if !errors.Is(err, msa.ErrNotSpectrum) {
		return nil, err
	}
	t, errCSV := msa.ReadCSV(bytes.NewReader(data))
	if errCSV == nil {
		return &measured{s: t.Spectrum, file: t, csv: true, data: data}, nil
	}
	if errors.Is(errCSV, msa.ErrNotSpectrum) {
		// The first error says what the text looks like; a table was tried already.
		text := plain(strings.Replace(err.Error(), "; ReadCSV reads one or two columns", "", 1))
		return nil, &failure{code: codeNotSpectrum, exit: exitFailed, line: classify(err).line,
			err: fmt.Errorf("neither a spectral data file nor a table of energies and counts: %s", text)}
	}
	return nil, errCSV
}

// readSum reads a cube and makes its sum spectrum.
func (e *env) readSum(ctx context.Context, c *cli.Context, path string) (*measured, error) {
	f, err := e.openCube(c, path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	sums, err := cube.SumSpectra(ctx, f, e.workers, e.bar.of("reading"))
	if err != nil {
		return nil, inFile(path, err)
	}
	for _, w := range sums.Warnings {
		e.warn("%s", w)
	}
	return &measured{s: *peaks.SumSpectrum(f.Header(), sums.Sum), sums: &sums}, nil
}

// needScale refuses a spectrum without energy axis or beam energy.
func needScale(path string, s *spectra.Spectrum, beam bool) error {
	if !s.Calibration.Valid() {
		return failed(codeNoEnergyAxis, path, "the file states no energy axis; state --energy-first and --energy-step, both in eV (fleck fit can find it with --find-scale)")
	}
	if s.BeamEnergy > 0 && s.BeamEnergy < 200 {
		return failed(codeNoBeamEnergy, path, "a beam energy of %g keV excites nothing; it is stated in keV (--beam)", s.BeamEnergy.KeV())
	}
	if kev := s.BeamEnergy.KeV(); kev > 400 {
		return failed(codeNoBeamEnergy, path, "a beam energy of %g keV is none of an electron microscope; if that is in eV, state --beam %g", kev, kev/1000)
	}
	if beam && s.BeamEnergy <= 0 {
		return failed(codeNoBeamEnergy, path, "the file states no beam energy; state --beam, in keV")
	}
	return nil
}

// beamFromCounts takes the beam energy of a file that states none from the end of
// the continuum, where that can be seen.
func (e *env) beamFromCounts(path string, s *spectra.Spectrum) {
	if s.BeamEnergy > 0 || !s.Calibration.Valid() {
		return
	}
	l, ok := s.EndOfContinuum()
	if !ok {
		return
	}
	s.BeamEnergy = xray.Energy(math.Round(float64(l.Energy))) // whole eV
	e.setting("beam_kev", s.BeamEnergy.KeV(), fromCounts)
	e.warn("%s states no beam energy: %.2f keV is taken, where the continuum ends; state --beam if it was another", path, l.Energy.KeV())
}

// checkCounts refuses counts that cannot be fitted.
func (e *env) checkCounts(path string, s *spectra.Spectrum) error {
	if k, at := spectra.CheckCounts(s.Counts); k == spectra.InvalidCounts {
		for i, v := range s.Counts {
			if !(v >= 0) {
				at = i
				break
			}
		}
		return failed(codeBadCounts, path, "channel %d holds %g counts; counts must be 0 or more", at, s.Counts[at])
	}
	if s.Total() == 0 {
		return failed(codeNoData, path, "the spectrum holds no counts")
	}
	return nil
}
