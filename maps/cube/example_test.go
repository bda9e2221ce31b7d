package cube_test

import (
	"context"
	"fmt"
	"os"

	"example.org/fleck/maps"
	"example.org/fleck/maps/cube"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

func ExampleOpen() {
	f, err := cube.Open(os.DirFS("testdata"), "small.nrrd", cube.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer f.Close()
	h := f.Header()
	fmt.Printf("%d × %d pixels of %.1f µm, %d channels of %v, %g keV\n", h.Width, h.Height, h.Pixel.X.Um(), h.Channels, h.Type, h.Conditions.BeamEnergy.KeV())
	// Output:
	// 3 × 2 pixels of 0.5 µm, 4 channels of u16, 15 keV
}

// A headerless file says nothing: everything must be stated, and a statement
// that does not fit the length of the file is refused.
func ExampleOpen_headerless() {
	opt := cube.Options{Shape: []int{5, 3, 4}, Type: cube.U16, Endian: cube.LittleEndian, Axes: "c,y,x"}
	f, err := cube.Open(os.DirFS("testdata"), "mixed_cyx.raw", opt)
	if err != nil {
		fmt.Println(err)
		return
	}
	defer f.Close()
	fmt.Println(f.Header().Shape())

	opt.Type = cube.U32
	_, err = cube.Open(os.DirFS("testdata"), "mixed_cyx.raw", opt)
	fmt.Println(err)
	// Output:
	// 3 4 5
	// cube: mixed_cyx.raw: expected 240 bytes (4 × 3 pixels (width × height) with 5 channels of u32 little-endian), found 120, 120 missing: the type may be wrong: the bytes found fit values of 16 bits
}

func ExampleSumSpectra() {
	f, err := cube.Open(os.DirFS("testdata"), "small.nrrd", cube.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer f.Close()
	s, err := cube.SumSpectra(context.Background(), f, 0, nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(s.Sum, s.MaxPixel, s.Total)
	fmt.Println(s.PixelTotals.V)
	// Output:
	// [60 66 72 78] [20 21 22 23] 276
	// [6 22 38 54 70 86]
}

// Each worker owns its scratch memory and writes only the results of its rows.
func ExampleEach() {
	f, err := cube.Open(os.DirFS("testdata"), "small.nrrd", cube.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer f.Close()
	h := f.Header()
	window := maps.New(h.Width, h.Height) // counts of channels 1 and 2
	err = cube.Each(context.Background(), f, 2, func() func(int, []uint32) error {
		return func(y int, row []uint32) error {
			for x := range h.Width {
				px := row[x*h.Channels : (x+1)*h.Channels]
				window.Set(x, y, float64(px[1])+float64(px[2]))
			}
			return nil
		}
	}, nil)
	fmt.Println(window.V, err)
	// Output:
	// [3 11 19 27 35 43] <nil>
}

func ExampleWriteNRRDDetached() {
	h := cube.Header{
		Width: 512, Height: 384, Channels: 2048, Type: cube.U16,
		CalibrationKnown: true, Calibration: spectra.Calibration{OffsetEV: -20, GainEV: 10},
		Pixel:      maps.Pixel{X: 0.5 * maps.Micrometre, Y: 0.5 * maps.Micrometre},
		Conditions: spectra.Conditions{BeamEnergy: 15 * xray.KeV, TakeOff: 35 * xray.Degree},
	}
	err := cube.WriteNRRDDetached(os.Stdout, h, cube.RawFile{Name: "field1.raw", Endian: cube.LittleEndian})
	if err != nil {
		fmt.Println(err)
	}
	// Output:
	// NRRD0003
	// type: unsigned short
	// dimension: 3
	// sizes: 2048 512 384
	// spacings: 10 0.5 0.5
	// axis mins: -20 nan nan
	// centers: node cell cell
	// kinds: domain space space
	// labels: "energy" "x" "y"
	// units: "eV" "um" "um"
	// endian: little
	// encoding: raw
	// beam energy:=15 keV
	// take-off angle:=35 deg
	// data file: field1.raw
}

func ExampleReadMap() {
	m, err := cube.ReadMap(os.DirFS("testdata"), "grey_f32.tif", cube.MapOptions{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%s: %d × %d pixels of %.1f × %.1f µm, first value %g\n", m.What, m.W, m.H, m.Pixel.X.Um(), m.Pixel.Y.Um(), m.At(0, 0))
	_, err = cube.MapAsSource(m)
	fmt.Println(err)
	// Output:
	// Ti K net counts: 4 × 3 pixels of 0.5 × 1.0 µm, first value 1.625
	// cube: map "Ti K net counts": row 0, column 0 holds 1.625; counts are whole numbers from 0 to 4294967295
}
