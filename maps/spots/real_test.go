package spots

import (
	"bufio"
	"context"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"example.org/fleck/maps"
)

// realFile opens a file of the real data, which are not part of the module.
func realFile(t *testing.T, parts ...string) *os.File {
	t.Helper()
	dir := os.Getenv("FLECK_REAL_DATA")
	if dir == "" {
		t.Skip("FLECK_REAL_DATA is not set; it names the folder of real data")
	}
	f, err := os.Open(filepath.Join(append([]string{dir}, parts...)...))
	if err != nil {
		t.Skip(err)
	}
	t.Cleanup(func() { f.Close() })
	return f
}

// realMap reads w × h pixels from (x0, y0) of a tab-separated count map.
func realMap(t *testing.T, name string, x0, y0, w, h int) maps.Map {
	m := maps.New(w, h)
	m.What = name
	sc := bufio.NewScanner(realFile(t, "epma-maps-ooid", name))
	sc.Buffer(nil, 1<<20)
	for y := 0; sc.Scan(); y++ {
		if y < y0 || y >= y0+h {
			continue
		}
		cells := strings.Split(strings.TrimSpace(sc.Text()), "\t")
		for x := range w {
			v, err := strconv.ParseFloat(cells[x0+x], 64)
			if err != nil {
				t.Fatal(err)
			}
			m.Set(x, y-y0, v)
		}
	}
	return m
}

// Count maps of a wavelength-dispersive microprobe on a dolomite with silica: the
// iron map holds bright grains, the strontium map is quiet, nearly Poisson.
func TestRealCountMaps(t *testing.T) {
	if testing.Short() {
		t.Skip("long: left out of short runs")
	}
	find := func(name string) (maps.Map, *Result) {
		m := realMap(t, "MD6_258_6_E1_"+name+".txt", 200, 300, 96, 96)
		r, err := FindCounts(context.Background(), m, CountOptions{Seed: 1, Bootstrap: 59, NoLimit: true})
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("%s: mean %.1f counts, dispersion %.2f, p %.3f, %d spots", name, m.Stats().Mean, r.Dispersion, r.PValue, len(r.Spots))
		return m, r
	}
	m, r := find("Fe")
	top := 0
	for p, v := range m.V {
		if v > m.V[top] {
			top = p
		}
	}
	if s, d := nearest(r.Spots, float64(top%m.W), float64(top/m.W)); !r.Detected || d > 2*s.WidthPx+1 {
		t.Errorf("brightest pixel of the iron map at (%d, %d): nearest spot %.1f px away", top%m.W, top/m.W, d)
	}
	if !(r.Dispersion > 3) {
		t.Errorf("iron map: dispersion %.2f; grains of all sizes scatter far more than Poisson counts", r.Dispersion)
	}
	if _, r = find("Sr"); r.Dispersion > 1.3 {
		t.Errorf("strontium map: dispersion %.2f, want next to 1", r.Dispersion)
	}
}

// realSpectrum reads the counts of a spectrum file by lines "energy, counts".
func realSpectrum(t *testing.T, name string) []float64 {
	var out []float64
	in := false
	sc := bufio.NewScanner(realFile(t, "sem-metals", name))
	for sc.Scan() {
		line := strings.TrimSpace(sc.Text())
		if strings.HasPrefix(line, "#") {
			in = strings.HasPrefix(line, "#SPECTRUM")
			continue
		}
		if !in {
			continue
		}
		f := strings.FieldsFunc(line, func(r rune) bool { return r == ',' || r == ' ' })
		v, err := strconv.ParseFloat(f[len(f)-1], 64)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, v)
	}
	return out
}

// realWorld returns measured spectra of one detector at 15 keV: substrate,
// silicon as the target, gallium arsenide as another compound.
func realWorld(t *testing.T, substrate string) (s0 []float64, target, other Template) {
	sub, si, gaas := realSpectrum(t, substrate), realSpectrum(t, "Si_15kV.emsa"), realSpectrum(t, "GaAs_15kV.emsa")
	n := min(len(sub), len(si), len(gaas), 1100)
	const first = 35 // above the noise peak
	part := func(s []float64) []float64 {
		out := make([]float64, n-first)
		for c := range out {
			out[c] = math.Max(0, s[first+c])
		}
		return out
	}
	template := func(name string, s []float64, low, high int) Template {
		tt := Template{Name: name, Spectrum: s, Line: make([]float64, len(s))}
		for c := low - first; c < high-first; c++ { // the peak over a straight line
			base := s[low-first] + (s[high-first]-s[low-first])*float64(c-low+first)/float64(high-low)
			tt.Line[c] = math.Max(0, s[c]-base)
		}
		return tt
	}
	return part(sub), template("Si", part(si), 180, 208), template("GaAs", part(gaas), 118, 146)
}

// A cube thinned from measured spectra of one detector: molybdenum as the
// substrate, silicon as the target, gallium arsenide as another compound. The
// substrate is estimated from other draws, the template is the measured spectrum.
func TestRealSpectra(t *testing.T) {
	if testing.Short() {
		t.Skip("long: left out of short runs")
	}
	mo, target, other := realWorld(t, "Mo_15kV.emsa")
	si, gaas := target.Spectrum, other.Spectrum
	rng := rand.New(rand.NewPCG(2, 2))
	spots := []planted{{12, 14, 1, .15, si}, {35, 30, 1.5, .1, si}, {14, 36, 1.2, .3, gaas}, {37, 10, 2, .08, si}}
	f := worldField(rng, 48, 48, 100, mo, spots)
	b := worldField(rng, 48, 48, 100, mo, nil)
	r, err := Find(context.Background(), f, Options{Substrate: b.Sum(), Target: target, Confusers: []Template{other}, Seed: 1, Bootstrap: 99})
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("information %.2f, p %.3f, blank p %.3g, limit %.0f counts, remarks %q", r.Information, r.PValue, r.BlankP, r.Limit.ExcessCounts, r.Remarks)
	for _, s := range r.Spots {
		t.Logf("(%.1f, %.1f) width %.2f excess %.0f ± %.0f %s %s: %s", s.XPx, s.YPx, s.WidthPx, s.ExcessCounts, s.ExcessSigma, s.Verdict, s.Compound, s.Reason)
	}
	for _, s := range r.Rejected {
		t.Logf("rejected (%.1f, %.1f) %s", s.XPx, s.YPx, s.Reason)
	}
	named := 0
	for _, p := range []planted{spots[0], spots[1], spots[3]} {
		s, d := nearest(r.Spots, p.x, p.y)
		if d > 1.5 || s.Verdict == maps.OtherCompound {
			t.Errorf("silicon at (%g, %g): %.1f px away, verdict %s: %s", p.x, p.y, d, s.Verdict, s.Reason)
		}
		if s.Verdict == maps.TargetVerdict {
			named++
		}
	}
	// One spot in a hundred has stray counts by chance and stays without a name.
	if named < 2 {
		t.Errorf("%d of 3 spots of silicon are named", named)
	}
	if s, d := nearest(r.Spots, 14, 36); d < 2 && s.Verdict == maps.TargetVerdict {
		t.Errorf("gallium arsenide is called silicon: %s", s.Reason)
	}
}
