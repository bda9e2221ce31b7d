package spectra

import (
	"math"

	"example.org/fleck/spectra/xray"
)

// PeakGradient gathers, over any number of peaks, what their derivatives with
// respect to the energy scale and the resolution need: functions at the borders
// of the channels. Channel i lies between borders i and i+1, and a derivative
// of its counts is the difference of such a function at the two.
type PeakGradient struct {
	Density []float64 // counts per eV at the border
	Noise   []float64 // derivative, by NoiseEV, of the counts below the border
	Fano    []float64 // likewise by FanoEV
}

// Reset makes g ready for n channels, with all values zero.
func (g *PeakGradient) Reset(n int) {
	for _, p := range []*[]float64{&g.Density, &g.Noise, &g.Fano} {
		if cap(*p) < n+1 {
			*p = make([]float64, n+1)
		}
		*p = (*p)[:n+1]
		clear(*p)
	}
}

// Offset writes the derivatives by OffsetEV into dst, one per channel.
func (g *PeakGradient) Offset(dst []float64) { differences(dst, g.Density) }

// Gain writes the derivatives by GainEV into dst; first is the channel
// coordinate of the first channel.
func (g *PeakGradient) Gain(dst []float64, first float64) {
	for i := range dst {
		ch := first + float64(i)
		dst[i] = float64((ch+0.5)*g.Density[i+1]) - float64((ch-0.5)*g.Density[i])
	}
}

// Resolution writes the derivatives by NoiseEV and FanoEV into the two slices.
func (g *PeakGradient) Resolution(noise, fano []float64) {
	differences(noise, g.Noise)
	differences(fano, g.Fano)
}

func differences(dst, at []float64) {
	for i := range dst {
		dst[i] = at[i+1] - at[i]
	}
}

// AddPeakGradient adds to g what belongs to the peak that AddPeak adds.
func (d Detector) AddPeakGradient(g *PeakGradient, c Calibration, e xray.Energy, area float64) {
	if area == 0 {
		return
	}
	fwhm := d.FWHM(e)
	sigma := fwhm / fwhmPerSigma
	perNoise := d.NoiseEV / (fwhm * fwhmPerSigma)
	perFano := math.Max(0, float64(e)) / (2 * fwhm * fwhmPerSigma)
	n := len(g.Density)
	var buf [lossSteps + 1]piece
	for _, p := range d.pieces(&buf, e) {
		lo, hi := channelRange(n-1, c, p.centre-p.width/2-gaussReach*sigma, p.centre+p.width/2+gaussReach*sigma)
		x := (c.OffsetEV + (float64(lo)-0.5)*c.GainEV - p.centre) / sigma
		dx, h := c.GainEV/sigma, p.width/(2*sigma)
		a := area * p.share
		for i := lo; i <= hi && i < n; i++ {
			var density, bySigma float64
			if p.width == 0 {
				_, f := normal(x)
				density, bySigma = a*f/sigma, -a*x*f/sigma
			} else {
				c1, f1 := normal(x + h)
				c0, f0 := normal(x - h)
				density, bySigma = a*(c1-c0)/p.width, a*(f1-f0)/p.width
			}
			g.Density[i] += density
			g.Noise[i] += bySigma * perNoise
			g.Fano[i] += bySigma * perFano
			x += dx
		}
	}
}
