package study

import (
	"math"
	"testing"

	"example.org/fleck/spectra/fit"
)

// TestEvidence: blocks and the whole field hold all counts once; the spectrum of
// a spot is that of its pixels in the cube.
func TestEvidence(t *testing.T) {
	r := result(t)
	low := r.Fit.LowChannel
	for i := range r.Fields {
		f := &r.Fields[i]
		e := f.Evidence
		blocks := make([]float64, len(e.Sum.Counts))
		pixels := 0
		for _, b := range e.Blocks {
			pixels += b.Pixels
			for c, n := range b.Counts {
				blocks[c] += n
			}
		}
		if pixels != f.Header.Pixels() || e.Sum.Pixels != pixels {
			t.Errorf("%s: blocks of %d pixels, field of %d", f.Name, pixels, f.Header.Pixels())
		}
		for c, n := range blocks {
			if n != float64(f.Sums.Sum[low+c]) || n != e.Sum.Counts[c] {
				t.Fatalf("%s, channel %d: blocks hold %g, the field %d", f.Name, c, n, f.Sums.Sum[low+c])
			}
		}
		rows, err := r.Study.Fields[i].Source.Rows()
		if err != nil {
			t.Fatal(err)
		}
		all := make([]uint32, f.Header.Pixels()*f.Header.Channels)
		for y := range f.Header.Height {
			if err := rows.ReadRow(all[y*f.Header.RowLen() : (y+1)*f.Header.RowLen()]); err != nil {
				t.Fatal(err)
			}
		}
		for k, s := range f.Spots.Spots {
			want := make([]float64, len(e.Sum.Counts))
			n := 0
			for p := range f.Header.Pixels() {
				x, y := float64(p%f.Header.Width), float64(p/f.Header.Width)
				if math.Hypot(x-s.XPx, y-s.YPx) > SpotRadiusPx(s) {
					continue
				}
				n++
				for c := range want {
					want[c] += float64(all[p*f.Header.Channels+low+c])
				}
			}
			got := e.Spots[k]
			if got.Pixels != n {
				t.Errorf("%s, spot %d: %d pixels, want %d", f.Name, s.ID, got.Pixels, n)
			}
			for c := range want {
				if got.Counts[c] != want[c] {
					t.Fatalf("%s, spot %d, channel %d: %g counts, want %g", f.Name, s.ID, c, got.Counts[c], want[c])
				}
			}
			if got.AroundPixels < got.Pixels {
				t.Logf("%s, spot %d: a ring of %d pixels around %d", f.Name, s.ID, got.AroundPixels, got.Pixels)
			}
			// The amplitudes of the fit hold the counts of the spectrum (a property
			// of maximum likelihood); escape peaks and tails beyond the range take
			// up to 2 %.
			sum := got.Fit.Continuum
			total := 0.0
			for j := range got.Fit.NetCounts {
				sum += got.Fit.NetCounts[j]
			}
			for _, v := range want {
				total += v
			}
			if got.Fit.Status == fit.Converged && math.Abs(sum-total) > 0.02*total+1 {
				t.Errorf("%s, spot %d: amplitudes of %g for %g counts", f.Name, s.ID, sum, total)
			}
		}
	}
}

// TestSpotsShowTheirLine: the spectra of spots told to be titania hold Ti K
// beyond doubt, those of their surroundings per pixel far less.
func TestSpotsShowTheirLine(t *testing.T) {
	if testing.Short() {
		t.Skip("the tiny fields hold few spots")
	}
	r := result(t)
	own := -1
	for k, f := range r.Families {
		if f.String() == r.Target.Own {
			own = k
		}
	}
	seen := 0
	for i := range r.Fields {
		for k, s := range r.Fields[i].Spots.Spots {
			e := r.Fields[i].Evidence.Spots[k]
			if s.Compound == "TiO2" && s.LineCounts > 10*s.LineSigma {
				seen++
				if e.Fit.NetCounts[own] < 5*e.Fit.Sigma[own] {
					t.Errorf("spot %d: Ti K %g ± %g", s.ID, e.Fit.NetCounts[own], e.Fit.Sigma[own])
				}
			}
		}
	}
	if seen == 0 {
		t.Error("no strong spot of titania to look at")
	}
}

func TestSpectraFile(t *testing.T) {
	files := plainFiles(t)
	data := decode(t, files["t1/spectra.json"])
	reasons(t, "spectra.json", data)
	r := result(t)
	list := find(t, data, "spots").([]any)
	if len(list) != len(r.Fields[0].Spots.Spots) {
		t.Fatalf("%d spectra for %d spots", len(list), len(r.Fields[0].Spots.Spots))
	}
	counts := find(t, list[0], "counts").([]any)
	if len(counts) != len(r.Fit.Model) || counts[300] != r.Fields[0].Evidence.Spots[0].Counts[300] {
		t.Errorf("counts of %d channels, %v in channel 300", len(counts), counts[300])
	}
	if find(t, decode(t, files["result.json"]), "fields", 0, "files", "spectra") != "t1/spectra.json" {
		t.Error("result.json does not name the file")
	}
}
