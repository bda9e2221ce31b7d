package main

import (
	"fmt"
	"log"
	"math"
	"slices"
	"strings"
)

// Limits of attenuation.csv.
const (
	minEnergy = 50    // eV
	maxEnergy = 40000 // eV
	seam      = 1050  // eV, Henke below, Kissel or Elam above
	tolerance = 0.003 // largest relative error of log-log interpolation
)

// curve is a cross section in cm²/g.
type curve interface{ at(e float64) float64 }

// elam is the photoelectric cross section after Elam et al. 2002, used above the seam for Z ≤ 8, where it has no edge.
type elam struct{ z int }

func (x elam) at(e float64) float64 { return xrlPhotoElam(x.z, e) }

// window is a range of energy in which Henke's table is used, and the widths, relative to the energy, over which it
// blends into the other table below and above.
type window struct{ lo, hi, blendLo, blendHi float64 }

// composite joins Henke's table with another one.
type composite struct {
	z       int
	toMass  float64
	low     curve // Henke, nil above Z = 92
	high    curve
	windows []window
	steps   []float64
}

func newComposite(z int, e element, nff string) (*composite, error) {
	c := &composite{z: z, toMass: avogadro * 1e-24 / e.weight}
	var edges []float64 // of the table for high energy
	if z <= 8 {
		c.high = elam{z}
	} else {
		k := newKissel(z, e.weight)
		c.high, edges = k, k.edges
	}
	inside := func(s float64) bool { return s > minEnergy && s < maxEnergy }
	if z > 92 {
		c.steps = slices.DeleteFunc(edges, func(s float64) bool { return !inside(s) })
		return c, nil
	}
	h, err := readHenke(nff, e.symbol, e.weight)
	if err != nil {
		return nil, err
	}
	h.splitJointEdges(z)
	c.low = h
	c.windows = henkeWindows(z)
	all := slices.Concat(edges, h.steps)
	for range 4 { // moving a border can merge windows
		c.clearBlends(all)
	}
	for _, s := range h.steps {
		if c.weight(s) == 1 {
			c.steps = append(c.steps, s)
		}
	}
	for _, s := range edges {
		if c.weight(s) == 0 {
			c.steps = append(c.steps, s)
		}
	}
	c.steps = slices.DeleteFunc(c.steps, func(s float64) bool { return !inside(s) })
	slices.Sort(c.steps)
	return c, nil
}

// henkeWindows returns where Henke's table is used: below the seam, and from 2 % below the lower to above the upper edge
// of L3-L2 (Sc to Ge) and M5-M4 (La to Tl), where the other tables climb instead of stepping. The climb of the other
// tables goes on above the upper edge, so the window ends 2 % or 1.25 times the splitting above it, whichever is more.
func henkeWindows(z int) []window {
	ws := []window{{lo: 0, hi: seam}}
	add := func(lower, upper int) {
		lo, hi := xrlEdge(z, lower), xrlEdge(z, upper)
		ws = append(ws, window{lo: lo * 0.98, hi: hi + max(0.02*hi, 1.25*(hi-lo))})
	}
	if z >= 21 && z <= 32 {
		add(3, 2)
	}
	if z >= 57 && z <= 81 {
		add(8, 7)
	}
	return ws
}

// clearBlends sets the blend widths, joins windows that lie close together, and moves borders so that no step of either
// table falls into a blend.
func (c *composite) clearBlends(steps []float64) {
	slices.SortFunc(c.windows, func(a, b window) int { return int(math.Copysign(1, a.lo-b.lo)) })
	var ws []window
	for _, w := range c.windows {
		if n := len(ws); n > 0 && w.lo < ws[n-1].hi*1.1 {
			ws[n-1].hi = max(ws[n-1].hi, w.hi)
			continue
		}
		ws = append(ws, w)
	}
	for i := range ws {
		w := &ws[i]
		for range 4 {
			w.blendHi = c.blendWidth(w.hi)
			for _, s := range steps {
				if s > w.hi*(1-0.002) && s < w.hi*(1+w.blendHi+0.002) {
					w.hi = s * 1.005
				}
			}
			if w.lo == 0 {
				continue
			}
			w.blendLo = c.blendWidth(w.lo)
			for _, s := range steps {
				if s < w.lo*1.002 && s > w.lo*(1-w.blendLo-0.002) {
					w.lo = s * 0.995
				}
			}
		}
	}
	c.windows = ws
}

// blendWidth is 3 %, more where the tables lie so far apart that the blend would climb with energy.
func (c *composite) blendWidth(e float64) float64 {
	return min(0.2, max(0.03, math.Abs(math.Log(c.low.at(e)/c.high.at(e)))/1.2))
}

// weight returns the share of Henke's table, 0 to 1, linear in the logarithm of the energy inside a blend.
func (c *composite) weight(e float64) float64 {
	for _, w := range c.windows {
		switch {
		case e >= w.lo && e <= w.hi:
			return 1
		case e > w.hi && e < w.hi*(1+w.blendHi):
			return 1 - math.Log(e/w.hi)/math.Log(1+w.blendHi)
		case e < w.lo && e > w.lo*(1-w.blendLo):
			return 1 - math.Log(e/w.lo)/math.Log(1-w.blendLo)
		}
	}
	return 0
}

func (c *composite) photo(e float64) float64 {
	w := c.weight(e)
	switch w {
	case 0:
		return c.high.at(e)
	case 1:
		return c.low.at(e)
	}
	return math.Exp(w*math.Log(c.low.at(e)) + (1-w)*math.Log(c.high.at(e)))
}

// scatter is coherent plus incoherent scattering in cm²/g; below 100 eV the value at 100 eV.
func (c *composite) scatter(e float64) float64 {
	return xrlScatter(c.z, max(e, 100.001)) * c.toMass
}

// source returns the key for the row at e.
func (c *composite) source(e float64) string {
	w := c.weight(e)
	switch {
	case w > 0 && w < 1:
		return "MIX"
	case w == 1:
		for _, s := range c.low.(*henke).splits {
			if e > s.lower && e < s.upper {
				return "H93S"
			}
		}
		return "H93"
	}
	k, ok := c.high.(*kissel)
	if !ok {
		return "ELAM"
	}
	for _, r := range k.repairs {
		if e > r.lo && e < r.hi {
			return "KISX"
		}
	}
	if c.z <= lightKissel && e > elamAbove*1.03 {
		return "ELAM"
	}
	return "KISS"
}

// sample is one point of the curve; e is printed, at is where it was evaluated.
type sample struct{ e, photo, total float64 }

// samples returns the curve between two steps densely enough to stand for it.
func (c *composite) samples(lo, hi float64) []sample {
	const ratio = 1.0006
	es := []float64{lo, hi}
	for e := lo * ratio; e < hi; e *= ratio {
		es = append(es, e)
	}
	if h, ok := c.low.(*henke); ok {
		for _, e := range h.e {
			if e > lo*(1+1e-7) && e < hi*(1-1e-7) && c.weight(e) > 0 {
				es = append(es, e)
			}
		}
	}
	for _, w := range c.windows {
		for _, e := range []float64{w.lo, w.hi, w.lo * (1 - w.blendLo), w.hi * (1 + w.blendHi)} {
			if e > lo && e < hi {
				es = append(es, e)
			}
		}
	}
	slices.Sort(es)
	es = slices.Compact(es)
	out := make([]sample, len(es))
	for i, e := range es {
		at := min(max(e, lo*(1+1e-7)), hi*(1-1e-7))
		p := c.photo(at)
		out[i] = sample{e, p, p + c.scatter(at)}
	}
	return out
}

// thin keeps as few samples as log-log interpolation within the tolerance needs.
func thin(all []sample) []sample {
	out := all[:1:1]
	for i := 0; i < len(all)-1; {
		// Grow the stretch until a sample in it misses the tolerance; a stretch that fits may hold shorter ones
		// that do not, so look a little further before giving up.
		best := i + 1
		for j, misses := i+2, 0; j < len(all) && misses < 40; j++ {
			if fits(all[i : j+1]) {
				best, misses = j, 0
			} else {
				misses++
			}
		}
		out = append(out, all[best])
		i = best
	}
	return out
}

func fits(s []sample) bool {
	a, b := s[0], s[len(s)-1]
	width := math.Log(b.e / a.e)
	dp, dt := math.Log(b.photo/a.photo), math.Log(b.total/a.total)
	for _, m := range s[1 : len(s)-1] {
		t := math.Log(m.e/a.e) / width
		if math.Abs(math.Log(m.photo/a.photo)-t*dp) > tolerance || math.Abs(math.Log(m.total/a.total)-t*dt) > tolerance {
			return false
		}
	}
	return true
}

func attenuationTable(elements [maxZ + 1]element, nff string) (string, error) {
	var b strings.Builder
	b.WriteString("z,energy_ev,photo_cm2_g,total_cm2_g,source\n")
	for z := 1; z <= maxZ; z++ {
		c, err := newComposite(z, elements[z], nff)
		if err != nil {
			return "", err
		}
		if verbose {
			log.Printf("%s: windows %.5g, steps %.6g, splits %v", elements[z].symbol, c.windows, c.steps, c.splits())
		}
		borders := slices.Concat([]float64{minEnergy}, c.steps, []float64{maxEnergy})
		for i := 1; i < len(borders); i++ {
			for _, s := range thin(c.samples(borders[i-1], borders[i])) {
				at := min(max(s.e, borders[i-1]*(1+1e-7)), borders[i]*(1-1e-7))
				fmt.Fprintf(&b, "%d,%s,%s,%s,%s\n", z, format(s.e, 7), format(s.photo, 5), format(s.total, 5), c.source(at))
			}
		}
	}
	return b.String(), nil
}

func (c *composite) splits() []split {
	if h, ok := c.low.(*henke); ok {
		return h.splits
	}
	return nil
}
