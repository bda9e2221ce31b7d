package msa_test

import (
	"errors"
	"fmt"
	"os"
	"strings"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/msa"
	"example.org/fleck/spectra/xray"
)

func ExampleRead() {
	r, err := os.Open("../../testdata/two-peak-npoints-41.msa")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer r.Close()
	f, err := msa.Read(r)
	if err != nil {
		fmt.Println(err)
		return
	}
	s := f.Spectrum
	fmt.Printf("%s: %d channels, %.0f counts in %g s\n", s.Title, len(s.Counts), s.Total(), s.LiveTimeS)
	fmt.Printf("channel 14 is at %g keV\n", s.Energy(14).KeV())
	for _, d := range f.Deviations {
		fmt.Println(d)
	}
	// Output:
	// Invented two-peak test spectrum: 40 channels, 6975 counts in 12.5 s
	// channel 14 is at 1.48 keV
	// line 7: NPOINTS: header says 41, found 40 values
}

// A text of another kind is refused with a message that names it.
func ExampleRead_foreign() {
	_, err := msa.Read(strings.NewReader("P6\n64 64\n255\n"))
	fmt.Println(err)
	fmt.Println(errors.Is(err, msa.ErrNotSpectrum))
	// Output:
	// msa: line 1: starts with "P6" (a portable pixmap image); expected #FORMAT : EMSA/MAS Spectral Data File
	// true
}

func ExampleCheck() {
	r, err := os.Open("../../testdata/two-peak-colon-16.msa")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer r.Close()
	departures, err := msa.Check(r)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, d := range departures {
		fmt.Println(d)
	}
	// Output:
	// line 1: FORMAT: colon in position 16, not 14; also on lines 2-30, 39
}

func ExampleWrite() {
	f := msa.FromSpectrum(spectra.Spectrum{
		Title:       "Invented spectrum",
		Calibration: spectra.Calibration{OffsetEV: 0, GainEV: 20},
		Conditions:  spectra.Conditions{BeamEnergy: 15 * xray.KeV, LiveTimeS: 60, RealTimeS: 66},
		Counts:      []float64{0, 3, 12, 40, 11, 2},
	})
	f.Set("DATE", "03-FEB-2024")
	f.Set("TIME", "14:05")
	f.Set("OWNER", "Example laboratory")
	if err := msa.Write(os.Stdout, f, msa.WriteOptions{}); err != nil {
		fmt.Println(err)
	}
	// Output:
	// #FORMAT      : EMSA/MAS Spectral Data File
	// #VERSION     : 1.0
	// #TITLE       : Invented spectrum
	// #DATE        : 03-FEB-2024
	// #TIME        : 14:05
	// #OWNER       : Example laboratory
	// #NPOINTS     : 6.
	// #NCOLUMNS    : 5.
	// #XUNITS      : eV
	// #YUNITS      : counts
	// #DATATYPE    : Y
	// #XPERCHAN    : 20.0
	// #OFFSET      : 0.0
	// #SIGNALTYPE  : EDS
	// #BEAMKV   -kV: 15.0
	// #LIVETIME  -s: 60.0
	// #REALTIME  -s: 66.0
	// #SPECTRUM    : Spectral data start on the next line
	// 0, 3, 12, 40, 11
	// 2
	// #ENDOFDATA   : End of data
}

func ExampleReadCSV() {
	f, err := msa.ReadCSV(strings.NewReader("# live_time_s: 60\n# real_time_s: 66\nchannel,counts\n0,5\n1,7\n2,6\n"))
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(f.Spectrum.Counts, f.Spectrum.Calibration.Valid())
	fmt.Println(f.Deviations[0])
	// Output:
	// [5 7 6] false
	// line 3: no energies: the spectrum has no energy scale
}

func ExampleWriteCSV() {
	err := msa.WriteCSV(os.Stdout, spectra.Spectrum{
		Title:       "Invented spectrum",
		Calibration: spectra.Calibration{OffsetEV: 100, GainEV: 10.3},
		Conditions:  spectra.Conditions{LiveTimeS: 60},
		Counts:      []float64{5, 7, 6},
	})
	if err != nil {
		fmt.Println(err)
	}
	// Output:
	// # fleck_format: 1
	// # title: Invented spectrum
	// # live_time_s: 60
	// # offset_ev: 100
	// # gain_ev: 10.3
	// energy_ev,counts
	// 100,5
	// 110.3,7
	// 120.6,6
}
