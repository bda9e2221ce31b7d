package msa

import (
	"bytes"
	"fmt"
	"io"
	"testing"

	"example.org/fleck/spectra"
)

// benchSpectrum is a made-up spectrum with counts of one to six digits.
func benchSpectrum(channels int) spectra.Spectrum {
	s := spectra.Spectrum{
		Title:       "Benchmark",
		Calibration: spectra.Calibration{OffsetEV: -200, GainEV: 10},
		Conditions:  spectra.Conditions{BeamEnergy: 15000, LiveTimeS: 60, RealTimeS: 70},
		Counts:      make([]float64, channels),
	}
	for i := range s.Counts {
		s.Counts[i] = float64(i * i % 100003)
	}
	return s
}

func BenchmarkRead(b *testing.B) {
	for _, channels := range []int{1024, 4096} {
		for _, t := range []DataType{DataY, DataXY} {
			b.Run(fmt.Sprintf("ch=%d/type=%s", channels, t), func(b *testing.B) {
				var text bytes.Buffer
				if err := Write(&text, FromSpectrum(benchSpectrum(channels)), WriteOptions{DataType: t}); err != nil {
					b.Fatal(err)
				}
				b.SetBytes(int64(text.Len()))
				b.ReportAllocs()
				for b.Loop() {
					if _, err := Read(bytes.NewReader(text.Bytes())); err != nil {
						b.Fatal(err)
					}
				}
			})
		}
	}
}

func BenchmarkWrite(b *testing.B) {
	for _, t := range []DataType{DataY, DataXY} {
		b.Run(fmt.Sprintf("ch=4096/type=%s", t), func(b *testing.B) {
			f := FromSpectrum(benchSpectrum(4096))
			b.ReportAllocs()
			for b.Loop() {
				if err := Write(io.Discard, f, WriteOptions{DataType: t}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
