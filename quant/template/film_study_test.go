//go:build study

package template

import "testing"

// go test -tags study -run Study -v ./quant/template
//
// TestStudyFilms prints phi(rho z) over transport for films, by share of the range.
func TestStudyFilms(t *testing.T) {
	n, beams := 10000, []float64{5, 10, 15, 20}
	if testing.Short() {
		n, beams = 2000, []float64{10}
	}
	checkFilms(t, []filmCase{
		{"Au:19.3g/cm3", "Au M"}, {"Ag:10.5g/cm3", "Ag L"}, {"C:2.0g/cm3", "C K"}, {"SiO2:2.2g/cm3", "Si K"}, {"SiO2:2.2g/cm3", "O K"}, {"TiO2:4.23g/cm3", "Ti K"},
	}, []string{"Al", "Fe"}, beams, []float64{0.01, 0.03, 0.05, 0.1, 0.2, 0.4}, n)
}
