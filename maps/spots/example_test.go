package spots_test

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"

	"example.org/fleck/maps"
	"example.org/fleck/maps/spots"
)

// lines returns a spectrum of 60 channels: a flat continuum of share flat and
// Gaussian lines of 2 channels standard deviation at 10 (oxygen), 30 (the target's
// metal) and 45 (substrate) with the given shares.
func lines(flat, oxygen, metal, substrate float64) []float64 {
	s := make([]float64, 60)
	for c := range s {
		s[c] = flat / 60
		for at, share := range map[int]float64{10: oxygen, 30: metal, 45: substrate} {
			d := float64(c-at) / 2
			s[c] += share * math.Exp(-d*d/2) / (2 * math.Sqrt(2*math.Pi))
		}
	}
	return s
}

// One particle of an oxide, 157 counts strong, on a metal substrate at 50 counts
// per pixel.
func ExampleFind() {
	substrate := lines(.35, .02, 0, .63)
	target := spots.Template{Name: "oxide", Spectrum: lines(.25, .25, .5, 0), Line: lines(0, 0, .5, 0)}
	carbide := spots.Template{Name: "carbide", Spectrum: lines(.4, 0, .6, 0), Line: lines(0, 0, .6, 0)}

	const w, h = 32, 32
	rng := rand.New(rand.NewPCG(1, 1))
	draw := func(p []float64) int {
		u := rng.Float64()
		for c, v := range p {
			if u -= v; u < 0 {
				return c
			}
		}
		return len(p) - 1
	}
	counts := make([]uint32, w*h*60)
	for y := range h {
		for x := range w {
			f := .5 * math.Exp(-(math.Pow(float64(x)-20, 2)+math.Pow(float64(y)-11, 2))/2)
			for range 50 {
				p := substrate
				if rng.Float64() < f {
					p = target.Spectrum
				}
				counts[(y*w+x)*60+draw(p)]++
			}
		}
	}
	px := maps.Pixel{X: 200 * maps.Nanometre, Y: 200 * maps.Nanometre}
	field, err := spots.NewField(w, h, 60, counts, px)
	if err != nil {
		fmt.Println(err)
		return
	}
	r, err := spots.Find(context.Background(), field, spots.Options{
		Substrate: substrate, Target: target, Confusers: []spots.Template{carbide}, Seed: 1, NoLimit: true,
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println("detected:", r.Detected)
	for _, s := range r.Spots {
		fmt.Printf("spot at (%.0f, %.0f) px: %s %s\n", s.XPx, s.YPx, s.Verdict, s.Compound)
	}
	// Output:
	// detected: true
	// spot at (20, 11) px: target oxide
}

// A compound that blank fields show as often belongs to the substrate.
func ExampleMarkSubstrate() {
	carbide := maps.Spot{Verdict: maps.OtherCompound, Compound: "TiC"}
	titania := maps.Spot{Verdict: maps.TargetVerdict, Compound: "TiO2"}
	treated := []spots.Population{{Spots: []maps.Spot{titania, carbide, titania, titania, titania}, Area: 1}}
	blanks := []spots.Population{{Spots: []maps.Spot{carbide, carbide}, Area: 1}}
	out, occurrences, err := spots.MarkSubstrate(treated, blanks, 0)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, o := range occurrences {
		fmt.Println(o.Compound, o.Treated, o.Blank, o.Marked)
	}
	fmt.Println(out[0].Spots[0].Verdict, out[0].Spots[1].Verdict)
	// Output:
	// TiC 1 2 true
	// TiO2 4 0 false
	// target substrate
}

// A bright grain in a count map at 4 counts per pixel.
func ExampleFindCounts() {
	m := maps.New(24, 24)
	m.What = "Fe K counts"
	rng := rand.New(rand.NewPCG(3, 1))
	for y := range m.H {
		for x := range m.W {
			mu := 4 + 20*math.Exp(-(math.Pow(float64(x)-9, 2)+math.Pow(float64(y)-15, 2))/2)
			n, p := 0.0, math.Exp(-mu) // Poisson counts
			for u := rng.Float64(); u > p; u *= rng.Float64() {
				n++
			}
			m.Set(x, y, n)
		}
	}
	r, err := spots.FindCounts(context.Background(), m, spots.CountOptions{Seed: 1, NoLimit: true, Widths: []float64{.8, 1.2, 1.8}})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, s := range r.Spots {
		fmt.Printf("spot at (%.0f, %.0f) px: %s\n", s.XPx, s.YPx, s.Verdict)
	}
	// Output:
	// spot at (9, 15) px: cannot_tell
}
