package main

import (
	"fmt"
	"math"
	"strings"
)

// levels are the names of the levels in the order of the numbers of libxrl.
var levels = strings.Fields("K L1 L2 L3 M1 M2 M3 M4 M5 N1 N2 N3 N4 N5 N6 N7 O1 O2 O3 O4 O5 O6 O7 P1 P2 P3 P4 P5 Q1")

// inner counts the levels of shells.csv, K to M5.
const inner = 9

func elementTable(elements [maxZ + 1]element) string {
	var b strings.Builder
	b.WriteString("z,symbol,atomic_weight_g_mol,weight_source,density_g_cm3,density_source\n")
	for z := 1; z <= maxZ; z++ {
		e := elements[z]
		density, source := e.density, e.densitySource
		if density == 0 {
			density, source = xrlDensity(z), "STAR"
		}
		fmt.Fprintf(&b, "%d,%s,%s,IUPAC,%s,%s\n", z, e.symbol, e.weightText, format(density, 6), source)
	}
	return b.String()
}

func shellTable(yields map[shellKey]sourced) string {
	var b strings.Builder
	b.WriteString("z,shell,edge_ev,jump,yield,width_ev,electrons,edge_source,jump_source,yield_source\n")
	for z := 1; z <= maxZ; z++ {
		for s := range inner {
			edge := xrlEdge(z, s)
			if edge <= 0 {
				continue
			}
			jump := xrlJump(z, s)
			if jump <= 1 { // libxrl puts 1 where the compilation has no step
				jump = 0
			}
			yield := sourced{xrlYield(z, s), yieldSource(s)}
			if y, ok := yields[shellKey{z, levels[s]}]; ok {
				yield = y
			} else if z <= 12 && (levels[s] == "L2" || levels[s] == "L3") {
				yield = sourced{0, "NONE"} // Mg: 1.2e-3 and 1.2e-13, not data
			}
			fmt.Fprintf(&b, "%d,%s,%s,%s,%s,%s,%d,TOI,ELAM,%s\n", z, levels[s], format(edge, 7), format(jump, 6),
				format(yield.value, 6), format(xrlWidth(z, s), 4), int(math.Round(xrlElectrons(z, s))), yield.source)
		}
	}
	return b.String()
}

// yieldSource is the compilation behind FluorYield.
func yieldSource(shell int) string {
	switch {
	case shell == 0:
		return "BAMB"
	case shell <= 3:
		return "KRAU"
	}
	return "MCGU"
}

// maxCosterKronig bounds the sum of the Coster-Kronig factors of a level; with the yield the decays must not exceed 1. Only M1 of
// Ho, Er and Tm do in the compilation, by up to 10 %. They are scaled down.
const maxCosterKronig = 0.998

func costerKronigTable() string {
	var b strings.Builder
	b.WriteString("z,from,to,probability,source\n")
	// The numbers are those of xraylib.h: F12 1, F13 2, F'13 3, F23 4, FM12 5 … FM45 14.
	type row struct {
		from, to string
		numbers  []int
		source   string
	}
	rows := []row{{"L1", "L2", []int{1}, "KRAU"}, {"L1", "L3", []int{2, 3}, "KRAU"}, {"L2", "L3", []int{4}, "KRAU"}}
	n := 5
	for from := 1; from <= 4; from++ {
		for to := from + 1; to <= 5; to++ {
			rows = append(rows, row{fmt.Sprintf("M%d", from), fmt.Sprintf("M%d", to), []int{n}, "CHEN"})
			n++
		}
	}
	for z := 1; z <= maxZ; z++ {
		total := map[string]float64{} // decays of a level by Coster-Kronig transitions
		value := func(r row) (v float64) {
			for _, number := range r.numbers {
				v += xrlCosterKronig(z, number)
			}
			return v
		}
		for _, r := range rows {
			total[r.from] += value(r)
		}
		for _, r := range rows {
			v, source := value(r), r.source
			if all := total[r.from]; all > maxCosterKronig {
				v, source = v*maxCosterKronig/all, "CHES"
			}
			if v > 0 {
				fmt.Fprintf(&b, "%d,%s,%s,%s,%s\n", z, r.from, r.to, format(v, 6), source)
			}
		}
	}
	return b.String()
}
