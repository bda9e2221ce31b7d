//go:build study

package fit

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

var spectraPerCase = flag.Int("spectra", 400, "spectra per case")

// TestStudyBound compares bias, variance and coverage of fitted net counts with
// the Cramér–Rao bound: the standard uncertainty of the fit of the expected
// (noise-free) spectrum, all nuisance parameters included. The families of each
// case overlap within the resolution of 129 eV at Mn K-L3.
func TestStudyBound(t *testing.T) {
	n := *spectraPerCase
	if testing.Short() {
		n = 24
	}
	det := spectra.DefaultDetector()
	cal := spectra.Calibration{GainEV: 10}
	fmt.Printf("%-14s %9s  %-5s %10s %9s %8s %8s %8s %8s %8s  %s\n", "case", "scale", "", "counts", "bound", "bias/s", "var/CRB", "pull", "width", "cover95", "inflation")
	var all pulls // of the families above 200 counts and 5 sigma
	for _, tt := range boundCases() {
		for _, scale := range []float64{0.02, 0.2, 1, 20, 400} {
			var fams []family
			var fs []Family
			for _, f := range tt.fams {
				f.counts *= scale
				fams = append(fams, f)
				fs = append(fs, Family{element(t, f.z), f.f})
			}
			s := simulate(t, cal, 1024, tt.beam, det, 40000*scale, fams...)
			opt := Options{Families: fs, FixWeights: true}
			asimov, err := Spectrum(s, opt)
			if err != nil {
				t.Fatal(err)
			}
			// The truth of the study is the fitted model itself, so that nothing but
			// counting statistics parts data and model: the fit of the noise-free
			// spectrum is taken again until it gives itself back, on the stated scale and
			// detector, which fix the line weights.
			for range 8 {
				copy(s.Counts[asimov.LowChannel:], asimov.Model)
				apart := 0.0
				for k := range fams {
					fams[k].counts = asimov.Families[k].NetCounts
				}
				if asimov, err = Spectrum(s, opt); err != nil {
					t.Fatal(err)
				}
				for k := range fams {
					apart = math.Max(apart, math.Abs(asimov.Families[k].NetCounts-fams[k].counts)/asimov.Families[k].Sigma)
				}
				if apart < 0.01 {
					break
				}
			}
			sum, sq, pull := make([]float64, len(fs)), make([]float64, len(fs)), make([]pulls, len(fs))
			for i := range n {
				r, err := Spectrum(noisy(s, rand.New(rand.NewPCG(uint64(len(tt.name))<<32|uint64(scale*100), uint64(i)))), opt)
				if err != nil {
					t.Fatal(err)
				}
				for k, f := range r.Families {
					d := f.NetCounts - fams[k].counts
					sum[k] += d
					sq[k] += d * d
					pull[k].add(d / f.Sigma)
				}
			}
			for k, f := range fams {
				bound := asimov.Families[k].Sigma
				mean := sum[k] / float64(n)
				variance := sq[k]/float64(n) - mean*mean
				bias, ratio := mean/bound, variance/(bound*bound)
				covered := pull[k].covered()
				alone := math.Sqrt(f.counts) // a rough scale for the inflation by overlap
				if d := asimov.Families[k].NetCounts - f.counts; math.Abs(d) > 0.02*bound {
					fmt.Printf("%s, %s %s: the noise-free fit is off by %+.3f standard uncertainties\n", tt.name, f.z, f.f, d/bound)
				}
				fmt.Printf("%-14s %9g  %-2s %-2s %10.0f %9.1f %+8.3f %8.3f %+8.3f %8.3f %8.3f  %.2f\n", tt.name, scale, f.z, f.f, f.counts, bound, bias, ratio, pull[k].mean(), pull[k].width(), covered, bound*bound/(alone*alone))
				if f.counts < 200 || f.counts < 5*bound {
					continue
				}
				all.join(pull[k])
				// Limits of five standard errors.
				se := 5 / math.Sqrt(float64(n))
				if math.Abs(bias) > 0.1+se {
					t.Errorf("%s, %s %s, %.0f counts: bias %.3f standard uncertainties", tt.name, f.z, f.f, f.counts, bias)
				}
				if ratio > 1.05*(1+se*math.Sqrt2) {
					t.Errorf("%s, %s %s, %.0f counts: variance %.3f times the bound", tt.name, f.z, f.f, f.counts, ratio)
				}
				if covered < 0.94-5*math.Sqrt(0.94*0.06/float64(n)) {
					t.Errorf("%s, %s %s, %.0f counts: 95 %% intervals cover %.3f", tt.name, f.z, f.f, f.counts, covered)
				}
			}
		}
	}
	fmt.Printf("all above 200 counts and 5 sigma: %d pulls, mean %+.4f, width %.4f, 95 %% intervals cover %.4f\n", all.n, all.mean(), all.width(), all.covered())
	// Pulls of one spectrum are correlated: the limits allow for half as many.
	se := 5 / math.Sqrt(float64(all.n)/2)
	if math.Abs(all.mean()) > 0.05+se || math.Abs(all.width()-1) > 0.05+se/math.Sqrt2 || math.Abs(all.covered()-0.95) > 0.01+0.22*se {
		t.Errorf("pulls: mean %.4f, width %.4f, coverage %.4f", all.mean(), all.width(), all.covered())
	}
}

// pulls gathers (estimate − truth)/sigma.
type pulls struct {
	n, in   int
	sum, sq float64
}

func (p *pulls) add(x float64) {
	p.n++
	p.sum += x
	p.sq += x * x
	if math.Abs(x) <= 1.959964 {
		p.in++
	}
}

func (p *pulls) join(q pulls) {
	p.n, p.in, p.sum, p.sq = p.n+q.n, p.in+q.in, p.sum+q.sum, p.sq+q.sq
}

func (p pulls) mean() float64 { return p.sum / float64(p.n) }

func (p pulls) width() float64 { return math.Sqrt(p.sq/float64(p.n) - p.mean()*p.mean()) }

func (p pulls) covered() float64 { return float64(p.in) / float64(p.n) }

type boundCase struct {
	name string
	beam xray.Energy
	fams []family // on 40000 continuum counts at scale 1
}

// boundCases are the overlaps of the studies.
func boundCases() []boundCase {
	K, L, M := xray.FamilyK, xray.FamilyL, xray.FamilyM
	return []boundCase{
		{"isolated Fe K", 15000, []family{{"Fe", K, 5000}}},
		{"isolated Si K", 15000, []family{{"Si", K, 5000}}},
		{"Ti K / Ba L", 15000, []family{{"Ti", K, 5000}, {"Ba", L, 5000}}},
		{"S K / Mo L", 15000, []family{{"S", K, 5000}, {"Mo", L, 5000}}},
		{"S K / Pb M", 15000, []family{{"S", K, 5000}, {"Pb", M, 5000}}},
		{"Si K / W M", 15000, []family{{"Si", K, 5000}, {"W", M, 5000}}},
		{"Si K / Ta M", 15000, []family{{"Si", K, 5000}, {"Ta", M, 5000}}},
		{"Al K / Br L", 15000, []family{{"Al", K, 5000}, {"Br", L, 5000}}},
		{"Mn K / Cr K", 15000, []family{{"Mn", K, 5000}, {"Cr", K, 20000}}},
		{"O K / Cr L", 15000, []family{{"O", K, 5000}, {"Cr", L, 5000}}},
		{"O K / V L", 15000, []family{{"O", K, 5000}, {"V", L, 5000}}},
		{"P K / Zr L", 15000, []family{{"P", K, 5000}, {"Zr", L, 5000}}},
		{"P K / Pt M", 15000, []family{{"P", K, 5000}, {"Pt", M, 5000}}},
	}
}
