//go:build study

package study

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"sync"
	"sync/atomic"
	"testing"

	"example.org/fleck/maps"
	"example.org/fleck/maps/spots"
	"example.org/fleck/quant"
	"example.org/fleck/quant/template"
	"example.org/fleck/quant/transport"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
	"gonum.org/v1/gonum/stat/distuv"
)

// verdictGroup is a target, the first, with what it may be taken for.
type verdictGroup struct {
	substrate string
	compounds []string
	low       bool // has lines at 5 keV to be told by
}

var verdictGroups = []verdictGroup{
	{"Fe-18Cr-0.5Nb-0.2Ti:7.7g/cm3", []string{"TiO2:4.23g/cm3", "BaSO4:4.5g/cm3", "TiN:5.4g/cm3", "Ti:4.5g/cm3"}, false},
	{"Al:2.7g/cm3", []string{"SiO2:2.2g/cm3", "C2H6OSi:0.97g/cm3", "SiC:3.2g/cm3", "Na2CaSi6O15:2.5g/cm3", "Si:2.33g/cm3", "Mg2Si:1.99g/cm3"}, true},
	{"Al:2.7g/cm3", []string{"CeO2:7.2g/cm3", "La2O3:6.5g/cm3", "CePO4:5.2g/cm3", "BaSO4:4.5g/cm3"}, false},
	{"Fe-18Cr-0.5Nb-0.2Ti:7.7g/cm3", []string{"Al2O3:3.95g/cm3", "Al:2.7g/cm3", "Al2Cu:4.36g/cm3", "Al2Si2O9H4:2.6g/cm3", "MgAl2O4:3.6g/cm3"}, true},
}

// truthSets are the conditions of the truth: thickness of the carbon coating in nm
// and shape.
var truthSets = []struct {
	coatingNM float64
	truncated bool
}{{8, false}, {12, true}}

var truthDiameters = []float64{120, 300, 700, 1500, 3000}

// verdictSetup is the instrument; the coating is stated as 10 nm.
func verdictSetup(substrate string, beam xray.Energy, coatingNM float64, order template.CoatingOrder) template.Setup {
	sub, err := xray.ParseMaterial(substrate)
	if err != nil {
		panic(err)
	}
	coat, err := xray.ParseMaterial(fmt.Sprintf("C:2.0g/cm3:%gnm", coatingNM))
	if err != nil {
		panic(err)
	}
	return template.Setup{Substrate: sub, Coating: &coat, Order: order, Geometry: quant.Geometry{BeamEnergy: beam, TakeOff: 35 * xray.Degree},
		Calibration: spectra.Calibration{OffsetEV: 0, GainEV: 10}, Channels: int(float64(beam) / 10)}
}

// truthOf is a compound as the other elastic cross section makes it.
type truthOf struct {
	particles []*template.Particles // by truth set
}

// draw returns the expected spectrum of the substrate and what a particle adds, of
// random size, set and yields.
func (tr truthOf) draw(rng *rand.Rand) (bare, excess []float64, diameterNM, shadowUm2 float64) {
	p := tr.particles[rng.IntN(len(tr.particles))]
	s := p.Spheres[rng.IntN(len(p.Spheres))]
	diameterNM = s.DiameterNM
	excess = slices.Clone(s.Excess.Counts)
	left := slices.Clone(excess)
	for _, name := range familiesOf(s.Own.Families) {
		part := s.Own.Families[name]
		f := math.Exp(familySigma(name)*rng.NormFloat64()) - 1
		for c, v := range part {
			excess[c] += f * v
			left[c] -= v
		}
	}
	f := math.Exp(.15*rng.NormFloat64()) - 1 // continuum
	for c, v := range left {
		excess[c] += f * math.Max(0, v)
	}
	for _, name := range familiesOf(p.Bare.Families) {
		if n := sumOf(p.Bare.Families[name]); n > .02*sumOf(p.Bare.Counts) {
			shadowUm2 = math.Max(shadowUm2, -sumOf(s.Excess.Families[name])/n)
		}
	}
	return p.Bare.Counts, excess, diameterNM, shadowUm2
}

type verdictTally struct {
	put, listed, right, wrong, cannot int
	as                                map[string]int
	gap                               map[string][]float64 // log-likelihood of the truth less that of a rival
	doubt                             []bool               // of the listed spots: no name whatever fits
}

// TestStudyCompounds prints how spots of 1000 excess counts are named at 10 and
// 5 keV. The truth is drawn: yields, continuum, coating, size and shape; by
// transport with the other elastic cross section than the templates'. DRAWS sets the
// effort, GROUP and BEAM choose parts, SWAP=1 puts the coating under the particles while the templates have it
// over them.
func TestStudyCompounds(t *testing.T) {
	draws := 60
	if v, err := strconv.Atoi(os.Getenv("DRAWS")); err == nil {
		draws = v
	}
	beams := []xray.Energy{10 * xray.KeV, 5 * xray.KeV}
	groups := verdictGroups
	if testing.Short() {
		draws, beams, groups = 4, beams[:1], groups[1:2]
	}
	if g, err := strconv.Atoi(os.Getenv("GROUP")); err == nil {
		groups = groups[g : g+1]
	}
	if kev, err := strconv.Atoi(os.Getenv("BEAM")); err == nil {
		beams = []xray.Energy{xray.Energy(kev) * xray.KeV}
	}
	order := template.Over
	if os.Getenv("SWAP") != "" {
		order = template.Under
		fmt.Println("the truth has the coating under the particles, the templates over them")
	}
	for _, beam := range beams {
		var all, capped, pairs2 verdictTally
		caps, pairs, own := 0, 0, 0
		for _, g := range groups {
			if beam < 10*xray.KeV && !g.low {
				continue
			}
			setup := verdictSetup(g.substrate, beam, 10, template.Over)
			rg := spots.Range{From: 15, To: setup.Channels}
			var predicted []Predicted
			truths := make([]truthOf, len(g.compounds))
			for i, name := range g.compounds {
				m, err := xray.ParseMaterial(name)
				if err != nil {
					t.Fatal(err)
				}
				p, err := Predict(context.Background(), m, setup, rg, template.SphereOptions{Trajectories: sphereTrajectories, Seed: sphereSeed})
				if err != nil {
					t.Fatal(err)
				}
				predicted = append(predicted, p)
				for k, set := range truthSets {
					ps, err := template.Spheres(context.Background(), m, truthDiameters, verdictSetup(g.substrate, beam, set.coatingNM, order),
						template.SphereOptions{Trajectories: 1500, Seed: uint64(100*i + k + 7), Elastic: transport.Rutherford, Truncated: set.truncated})
					if err != nil {
						t.Fatal(err)
					}
					truths[i].particles = append(truths[i].particles, ps)
				}
			}
			printMasses(predicted[0], truths[0])
			var tallies []verdictTally
			for i := range truths {
				tallies = append(tallies, nameSpots(t, truths[i], predicted, carbonLine(setup, rg), i, draws, rg))
			}
			fmt.Printf("%g keV, %s on %s, own line %s\n", beam.KeV(), predicted[0].Material.Name, setup.Substrate.Name, predicted[0].Own)
			for i, y := range tallies {
				fmt.Printf("  truth %-12s put %3d listed %3d right %3d wrong %3d cannot tell %3d  %v\n", predicted[i].Material.Name, y.put, y.listed, y.right, y.wrong, y.cannot, y.as)
				all.add(y)
			}
			for i := 1; i < len(tallies); i++ {
				pairs++
				a, b := predicted[0].Material.Name, predicted[i].Material.Name
				x, y := tallies[0].gap[b], tallies[i].gap[a]
				if len(x) < draws/2 || len(y) < draws/2 {
					fmt.Printf("  %s / %s: spots of one are not listed, so that the own line tells them\n", a, b)
					own++
					continue
				}
				// Ratio of the likelihoods as a test: 99 % power at 1 % error if the lowest
				// 1 % of the truth's gaps lie above the highest 1 % of the rival's.
				low, high := quantileOf(x, .01), -quantileOf(y, .01)
				can := low > high
				// What the two would be called with nothing else offered.
				var two verdictTally
				two.pair(tallies[0], b)
				two.pair(tallies[i], a)
				fmt.Printf("  %s / %s: 1 %% quantiles of the gap %.1f and %.1f; likelihood ratio separates: %v; of the two alone right %d, wrong %d, cannot tell %.3f\n", a, b, low, -high, can, two.right, two.wrong, float64(two.cannot)/float64(two.listed))
				pairs2.add(two)
				if can {
					caps++
					capped.add(two)
				}
			}
		}
		se := func(k, n int) float64 {
			p := math.Max(float64(k), .5) / float64(max(1, n))
			return math.Sqrt(p * (1 - p) / float64(max(1, n)))
		}
		named := all.right + all.wrong
		fmt.Printf("%g keV, %d pairs: all offered: wrong names %.4f ± %.4f of %d listed; right %.4f ± %.4f of %d named; cannot tell %.3f\n", beam.KeV(), pairs,
			float64(all.wrong)/float64(max(1, all.listed)), se(all.wrong, all.listed), all.listed, float64(all.right)/float64(max(1, named)), se(all.right, named), named, float64(all.cannot)/float64(max(1, all.listed)))
		fmt.Printf("  the two of a pair alone: wrong %.4f ± %.4f of %d; the own line tells %d pairs, the likelihood ratio %d more, of which cannot tell %.3f ± %.3f\n",
			float64(pairs2.wrong)/float64(max(1, pairs2.listed)), se(pairs2.wrong, pairs2.listed), pairs2.listed, own, caps, float64(capped.cannot)/float64(max(1, capped.listed)), se(capped.cannot, capped.listed))
	}
}

// printMasses prints the mass that the counts of the own line of each truth would be
// turned into, over the true one: what the cross section, the coating and its order
// do to it.
func printMasses(p Predicted, tr truthOf) {
	r := Result{Target: p}
	peak := r.ownPeak()
	for k, set := range truthSets {
		fmt.Printf("  mass found over mass put in, coating %g nm, truncated %v:", set.coatingNM, set.truncated)
		for _, s := range tr.particles[k].Spheres {
			d, _ := p.Particles.Sizes.DiameterFor(peak, sumOf(s.Own.Families[p.Own])*1e-12)
			fmt.Printf(" %.0f nm %.2f", s.DiameterNM, math.Pow(d*1e9/s.DiameterNM, 3))
		}
		fmt.Println()
	}
}

func (y *verdictTally) add(o verdictTally) {
	y.put, y.listed, y.right, y.wrong, y.cannot = y.put+o.put, y.listed+o.listed, y.right+o.right, y.wrong+o.wrong, y.cannot+o.cannot
}

// pair adds what the spots of tally o would be called if only the truth and a rival
// had been offered.
func (y *verdictTally) pair(o verdictTally, rival string) {
	const margin = 2.706 // the default of spots.Options.Margin
	for i, gap := range o.gap[rival] {
		y.listed++
		switch {
		case gap <= -margin && !o.doubt[i]:
			y.wrong++
		case gap >= margin && !o.doubt[i]:
			y.right++
		default:
			y.cannot++
		}
	}
}

func quantileOf(v []float64, p float64) float64 {
	s := slices.Clone(v)
	slices.Sort(s)
	return s[int(p*float64(len(s)))]
}

// carbonLine is free in every search: the coating's, and what the beam deposits.
func carbonLine(s template.Setup, rg spots.Range) []spots.Template {
	m, err := xray.ParseMaterial("C:2.0g/cm3")
	if err != nil {
		panic(err)
	}
	p, err := template.Particle(m, s)
	if err != nil {
		panic(err)
	}
	line := p.Families["C K"][rg.From:rg.To]
	return []spots.Template{normalised("C K", line, line)}
}

// nameSpots searches fields with one spot of compound number which.
func nameSpots(t *testing.T, tr truthOf, predicted []Predicted, nuisance []spots.Template, which, draws int, rg spots.Range) verdictTally {
	const side, excessCounts, width = 20, 1000.0, 1.2
	y := verdictTally{as: map[string]int{}, gap: map[string][]float64{}}
	var mu sync.Mutex
	var wg sync.WaitGroup
	var next atomic.Int64
	for range 2 {
		wg.Go(func() {
			for i := int(next.Add(1)) - 1; i < draws; i = int(next.Add(1)) - 1 {
				rng := rand.New(rand.NewPCG(uint64(which+1), uint64(i)))
				bare, excess, diameter, shadowUm2 := tr.draw(rng)
				b, plus := 0.0, 0.0
				for c := rg.From; c < rg.To; c++ {
					b += bare[c]
					plus += math.Max(0, excess[c])
				}
				// The excess is electrons per µm² times the sums; the profile is as wide as
				// the particle and its shadow need, and the pixel follows from it.
				dose := excessCounts / plus
				shadow := shadowUm2 // of the family that loses most
				sigma := math.Max(math.Max(.06, .35e-3*diameter), math.Sqrt(shadow/(2*math.Pi*.8)))
				pixel := sigma / width
				perPixel, perSpot := dose*pixel*pixel, dose*pixel*pixel/(2*math.Pi*sigma*sigma)
				nc := rg.To - rg.From
				cube := make([]uint32, side*side*nc)
				x0, y0 := side/2+rng.Float64()-.5, side/2+rng.Float64()-.5
				for p := range side * side {
					dx, dy := float64(p%side)-x0, float64(p/side)-y0
					k := math.Exp(-(dx*dx + dy*dy) / (2 * width * width))
					for c := range nc {
						m := perPixel*bare[rg.From+c] + perSpot*k*excess[rg.From+c]
						if m > 0 {
							cube[p*nc+c] = uint32(distuv.Poisson{Lambda: m, Src: rng}.Rand())
						}
					}
				}
				blank := make([]float64, nc)
				for c := range blank {
					if m := 4e5 / b * bare[rg.From+c]; m > 0 {
						blank[c] = distuv.Poisson{Lambda: m, Src: rng}.Rand()
					}
				}
				f, err := spots.NewField(side, side, nc, cube, maps.Pixel{})
				if err != nil {
					t.Error(err)
					return
				}
				opt := spots.Options{Target: predicted[0].Template, Substrate: blank, KeepBlank: true, Widths: []float64{1, 1.5}, Bootstrap: 99, NoLimit: true, Workers: 1, Seed: uint64(i), Nuisance: nuisance}
				for _, c := range predicted[1:] {
					opt.Confusers = append(opt.Confusers, c.Template)
				}
				r, err := spots.Find(context.Background(), f, opt)
				if err != nil {
					t.Error(err)
					return
				}
				mu.Lock()
				y.put++
				if os.Getenv("REASONS") != "" {
					fmt.Printf("    %s %.0f nm, %.0f counts/px:", predicted[which].Material.Name, diameter, perPixel*b)
					for _, s := range r.Spots {
						fmt.Printf(" [%s %s %v %s]", s.Verdict, s.Compound, s.Evidence, s.Reason)
					}
					for _, s := range r.Rejected {
						fmt.Printf(" (%.1f px off, u %.1f: %s)", math.Hypot(s.XPx-x0, s.YPx-y0), s.LogLikelihood, s.Reason)
					}
					if v, ok := r.LLR.Range(); ok {
						fmt.Printf(" highest %.1f, p %.2f, threshold %.1f, %q", v.High, r.PValue, r.Threshold, r.Remarks)
					}
					fmt.Println()
				}
				for _, s := range r.Spots {
					if math.Hypot(s.XPx-x0, s.YPx-y0) > 2.5 {
						continue
					}
					y.listed++
					truth := predicted[which].Material.Name
					switch {
					case s.Verdict == maps.CannotTell:
						y.cannot++
					case s.Compound == truth:
						y.right++
					default:
						y.wrong++
					}
					y.doubt = append(y.doubt, s.Doubt != "")
					y.as[string(s.Verdict)+" "+s.Compound]++
					for _, p := range predicted {
						if n := p.Material.Name; n != truth {
							y.gap[n] = append(y.gap[n], s.Evidence[n]-s.Evidence[truth])
						}
					}
					break
				}
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	return y
}
