package matrix

import (
	"math"
	"testing"

	"example.org/fleck/quant"
	"example.org/fleck/spectra/xray"
)

// filmRow is one measured k-ratio of testdata/bastin.csv.
type filmRow struct {
	thickness float64 // g/cm²
	substrate xray.Element
	peak      quant.Peak
	beam      float64 // keV
	k         float64
}

func bastin(t testing.TB) []filmRow {
	t.Helper()
	var out []filmRow
	for _, r := range readTable(t, "bastin.csv", 6) {
		z, err := xray.ParseElement(r[2])
		if err != nil {
			t.Fatal(err)
		}
		p, err := quant.ParsePeak(r[3])
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, filmRow{number(t, r[1]) * 1e-6, z, p, number(t, r[4]), number(t, r[5])})
	}
	return out
}

const aluminium = xray.Element(13)

// predictFilm returns the k-ratio of a row.
func predictFilm(t testing.TB, r filmRow, opt Options) float64 {
	t.Helper()
	film := xray.Pure(aluminium)
	film.MassDepth = r.thickness
	p, err := LayeredKRatios([]xray.Material{film}, xray.Pure(r.substrate), []quant.Peak{r.peak}, geometry(r.beam, 40), opt)
	if err != nil {
		t.Fatal(err)
	}
	return p[0].KRatio
}

// spread is the mean and the standard deviation of ratios, in units of the mean.
type spread struct {
	n       int
	sum, sq float64
}

func (s *spread) add(x float64) { s.n++; s.sum += x; s.sq += x * x }
func (s *spread) mean() float64 { return s.sum / float64(s.n) }
func (s *spread) rms() float64 {
	m := s.mean()
	return math.Sqrt(max(s.sq/float64(s.n)-m*m, 0)) / m
}

func TestBastinAll(t *testing.T) {
	by := map[string]*spread{}
	get := func(k string) *spread {
		if by[k] == nil {
			by[k] = &spread{}
		}
		return by[k]
	}
	for _, f := range []Fluorescence{NoFluorescence, Characteristic} {
		for _, r := range bastin(t) {
			q := predictFilm(t, r, Options{Fluorescence: f}) / r.k
			if r.peak.Element == aluminium {
				get(f.String() + " film").add(q)
				get(f.String() + " film " + r.substrate.Symbol()).add(q)
			} else if q > 0.8 && q < 1.2 {
				get(f.String() + " substrate").add(q)
				get(f.String() + " substrate " + r.peak.Family.String()).add(q)
			} else {
				get("outside").add(q)
			}
		}
	}
	for k, s := range by {
		t.Logf("%-30s %4d  %.4f  %.2f %%", k, s.n, s.mean(), 100*s.rms())
	}
}
