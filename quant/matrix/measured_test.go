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

// bastinSpreads returns mean and spread of k_calculated/k_measured by name: all
// films, films by substrate, substrate lines inside 0.8–1.2 and by family; of
// the logarithm of all substrate lines, plus 1.
func bastinSpreads(t testing.TB, opt Options) map[string]*spread {
	by := map[string]*spread{}
	add := func(name string, q float64) {
		if by[name] == nil {
			by[name] = &spread{}
		}
		by[name].add(q)
	}
	for _, r := range bastin(t) {
		q := predictFilm(t, r, opt) / r.k
		if r.peak.Element == aluminium {
			add("film", q)
			add("film on "+r.substrate.Symbol(), q)
			if r.k >= 0.05 {
				add("film k >= 0.05", q)
			}
			continue
		}
		add("substrate, logarithm, all", 1+math.Log(q))
		if q > 0.8 && q < 1.2 {
			add("substrate", q)
			add("substrate "+r.peak.Family.String(), q)
		} else {
			add("substrate outside 0.8-1.2", q)
		}
	}
	return by
}

// TestPublishedFilms: PAP as published gives what an independent script found by
// substrate, without fluorescence; the means are given to three digits, and the
// attenuation of Al K differs by up to 0.3 %. With the fluorescence of Al by Si K
// the films on Si come up to 0.983.
func TestPublishedFilms(t *testing.T) {
	by := bastinSpreads(t, Options{Fluorescence: NoFluorescence, Surface: SurfacePouchou})
	for sym, want := range map[string]float64{
		"Be": 0.978, "B": 0.973, "Si": 0.940, "Cr": 1.017, "Fe": 1.031, "Cu": 1.030, "Ge": 1.037,
		"Mo": 1.048, "Ru": 1.042, "Pd": 1.061, "Hf": 1.066, "Pt": 1.064, "Bi": 1.068,
	} {
		within(t, "mean of films on "+sym, by["film on "+sym].mean(), want, 2e-3)
	}
	by = bastinSpreads(t, Options{Surface: SurfacePouchou})
	within(t, "mean of films on Si with fluorescence", by["film on Si"].mean(), 0.983, 3e-3)
}

// TestMeasuredFilms compares with measured k-ratios of Al films and their
// substrates, Bastin & Heijligers 2000, part I (see testdata/bastin.csv). Their
// own model, its film weighting fitted to these data, reaches 1.0093 and 4.25 %
// on all 1060 films, 1.0125 and 3.67 % on 829 of 872 substrate values, which is 4.9
// % outside 0.8 to 1.2. Nothing here is fitted to them. The limits lie 0.1 to
// 0.2 % above what is reached; StudyFilms prints all of it step by step.
func TestMeasuredFilms(t *testing.T) {
	by := bastinSpreads(t, Options{})
	for _, l := range []struct {
		name      string
		mean, rms float64 // accepted distance of the mean from 1, and spread
	}{
		{"film", 0.01, 0.042},
		{"film k >= 0.05", 0.01, 0.04},
		{"substrate", 0.01, 0.04},
		{"substrate K", 0.01, 0.036},
		{"substrate L", 0.012, 0.044},
		{"substrate M", 0.012, 0.036},
		{"substrate, logarithm, all", 0.012, 0.07},
	} {
		s := by[l.name]
		t.Logf("%-26s n %d mean %.4f rms %.2f %%", l.name, s.n, s.mean(), 100*s.rms())
		if math.Abs(s.mean()-1) > l.mean || s.rms() > l.rms {
			t.Errorf("%s: mean %.4f, rms %.2f %%; limits 1 ± %.3f and %.2f %%", l.name, s.mean(), 100*s.rms(), l.mean, 100*l.rms)
		}
	}
	if n := by["substrate outside 0.8-1.2"].n; n > 12 {
		t.Errorf("%d substrate values outside 0.8 to 1.2, at most 12 are accepted", n)
	}
	for _, sym := range []string{"Be", "B", "Si", "Cr", "Fe", "Cu", "Ge", "Mo", "Ru", "Pd", "Hf", "Pt", "Bi"} {
		if m := by["film on "+sym].mean(); math.Abs(m-1) > 0.02 {
			t.Errorf("films on %s: mean %.4f, limit 1 ± 0.02", sym, m)
		}
	}
}
