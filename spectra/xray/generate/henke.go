package main

import (
	"bufio"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// Constants for turning f2 into a cross section, CODATA 2018.
const (
	electronRadius = 2.8179403262e-13 // cm
	hc             = 1.239841984e-4   // eV cm
	avogadro       = 6.02214076e23    // 1/mol
)

// henke is the photoelectric cross section of one element after Henke, Gullikson & Davis 1993, in cm²/g.
// Points 0.1 eV below and above an edge are read as a step halfway between.
type henke struct {
	e, mu  []float64
	steps  []float64
	splits []split
}

// split repairs a place where the table joins the edges of two sub-shells into one step at the lower one: only share of
// the step belongs there, the rest to the upper edge. Below is the cross section just below the lower edge.
type split struct{ lower, upper, below, share float64 }

// readHenke reads SYMBOL.nff: energy in eV, f1, f2. mu = 2 r0 λ f2 NA/A.
func readHenke(dir, symbol string, weight float64) (*henke, error) {
	path := filepath.Join(dir, strings.ToLower(symbol)+".nff")
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	h := new(henke)
	s := bufio.NewScanner(f)
	for n := 1; s.Scan(); n++ {
		fields := strings.Fields(s.Text())
		if n == 1 || len(fields) < 3 {
			continue
		}
		e, err1 := strconv.ParseFloat(fields[0], 64)
		f2, err2 := strconv.ParseFloat(fields[2], 64)
		if err1 != nil || err2 != nil {
			return nil, fmt.Errorf("%s: line %d: %q", path, n, s.Text())
		}
		if e < 30 || f2 <= 0 {
			continue
		}
		h.e = append(h.e, e)
		h.mu = append(h.mu, 2*electronRadius*hc/e*f2*avogadro/weight)
	}
	if len(h.e) < 300 {
		return nil, fmt.Errorf("%s: %d rows only", path, len(h.e))
	}
	for i := 1; i < len(h.e); i++ {
		// "points added 0.1 eV above and below sharp absorption edges" (read.me of the tables)
		if w := h.e[i] - h.e[i-1]; w > 0.18 && w < 0.22 && h.mu[i] > 1.01*h.mu[i-1] {
			h.steps = append(h.steps, (h.e[i]+h.e[i-1])/2)
		}
	}
	return h, nil
}

// raw interpolates log-log, flat between the two points of a step and its middle.
func (h *henke) raw(e float64) float64 {
	i := 1
	for i < len(h.e)-1 && h.e[i] < e {
		i++
	}
	lo, hi := h.e[i-1], h.e[i]
	for _, s := range h.steps {
		if s > lo && s < hi {
			if e < s {
				return h.mu[i-1]
			}
			return h.mu[i]
		}
	}
	t := math.Log(e/lo) / math.Log(hi/lo)
	return h.mu[i-1] * math.Pow(h.mu[i]/h.mu[i-1], t)
}

// at returns the cross section with the splits.
func (h *henke) at(e float64) float64 {
	mu := h.raw(e)
	for _, s := range h.splits {
		if e > s.lower && e < s.upper {
			below := s.below * math.Pow(e/s.lower, -2.6) // the usual fall of the outer shells
			mu = below + s.share*(mu-below)
		}
	}
	return mu
}

// splitJointEdges looks for L3 steps that hold L2 too and M5 steps that hold M4 too. A step counts as joint if the table
// has no step at the upper edge and the cross section does not grow from the lower edge to beyond the upper one.
// The share follows the number of electrons, 4:2 and 6:4.
func (h *henke) splitJointEdges(z int) {
	for _, pair := range []struct {
		lower, upper int
		share        float64
	}{{3, 2, 2. / 3}, {8, 7, 3. / 5}} {
		lower, upper := xrlEdge(z, pair.lower), xrlEdge(z, pair.upper)
		if lower < 100 || upper-lower < 2 {
			continue
		}
		step := h.stepNear(lower, 0.015)
		if step == 0 || h.raw(step*(1+1e-6)) < 1.8*h.raw(step*(1-1e-6)) {
			continue
		}
		upper += step - lower
		if s := h.stepNear(upper, 0.3*(upper-step)/upper); s != 0 && s != step {
			continue
		}
		beyond := upper + (upper - step)
		if h.raw(beyond) > 1.02*h.raw(step*(1+1e-6)) {
			continue
		}
		h.splits = append(h.splits, split{step, upper, h.raw(step * (1 - 1e-6)), pair.share})
		h.steps = append(h.steps, upper)
	}
}

// stepNear returns the step nearest to e within the relative distance, or 0.
func (h *henke) stepNear(e, distance float64) float64 {
	best := 0.0
	for _, s := range h.steps {
		if d := math.Abs(s/e - 1); d < distance && (best == 0 || d < math.Abs(best/e-1)) {
			best = s
		}
	}
	return best
}
