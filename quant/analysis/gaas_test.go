package analysis

import (
	"math"
	"slices"
	"strings"
	"testing"

	"example.org/fleck/quant"
	"example.org/fleck/spectra/fit"
	"example.org/fleck/spectra/xray"
)

// TestGalliumArsenide: standardless Ga:As from the L lines of a GaAs wafer
// (open data, 2022, silicon drift detector), 1 by stoichiometry of the crystal,
// to be found within 5 %. The L lines of Ga and As overlap with each other's
// weak lines only; yields and cross sections of neighbours err alike, so that
// the ratio is better than either. The K lines at 15 keV (overvoltage 1.45 and
// 1.27) must carry their warning.
func TestGalliumArsenide(t *testing.T) {
	for _, tt := range []struct {
		file  string
		peaks string
	}{
		{"GaAs_05kV.emsa", "Ga L,As L"},
		{"GaAs_15kV.emsa", "Ga L,As L"},
		{"GaAs_15kV.emsa", "Ga K,As K"},
	} {
		t.Run(tt.file+" "+tt.peaks, func(t *testing.T) {
			s := measured(t, "sem-metals", tt.file)
			opt := Options{Elements: elements(t, "Ga", "As"), Ignore: elements(t, "C", "O")}
			for _, p := range strings.Split(tt.peaks, ",") {
				z, f, err := xray.ParseFamily(p)
				if err != nil {
					t.Fatal(err)
				}
				opt.Peaks = append(opt.Peaks, quant.Peak{Element: z, Family: f})
			}
			q, err := Quantify(s, opt)
			if err != nil {
				t.Fatal(err)
			}
			ratio, sigma := q.AtomRatio(31, 33)
			i := slices.IndexFunc(q.Fit.Families, func(f fit.FamilyResult) bool { return f.Family.String() == "Ga L" })
			j := slices.IndexFunc(q.Fit.Families, func(f fit.FamilyResult) bool { return f.Family.String() == "As L" })
			rho := q.Fit.Covariance[i][j] / math.Sqrt(q.Fit.Covariance[i][i]*q.Fit.Covariance[j][j])
			t.Logf("Ga:As = %.3f ± %.3f; Ga %.4f, counting ± %.4f; correlation of Ga L and As L %.2f", ratio, sigma, float64(q.Composition.Mass[0]), q.Counting[0], rho)
			for _, row := range q.Rows {
				t.Logf("%v overvoltage %.2f, share leaving %.2f", row.KRatio, row.Overvoltage, row.Escape)
			}
			if !(rho < 0) {
				t.Errorf("correlation of the overlapping Ga L and As L is %.2f, want it negative", rho)
			}
			if !(sigma > 0 && sigma < 0.2) {
				t.Errorf("uncertainty of the ratio %.3f, want below 0.2", sigma)
			}
			if tt.peaks == "Ga K,As K" {
				if !q.Refused || !hasText(q.Reasons, "As K has an overvoltage of 1.2") || !hasText(q.Remarks, "Ga K has an overvoltage of 1.45, below 1.5") {
					t.Errorf("the K lines lack their warning: reasons %v, remarks %v", q.Reasons, q.Remarks)
				}
				if math.Abs(ratio-1) > 3*sigma {
					t.Errorf("Ga:As = %.3f ± %.3f from the K lines, more than three uncertainties off 1", ratio, sigma)
				}
				return
			}
			if q.Refused {
				t.Errorf("refused: %v", q.Reasons)
			}
			if ratio < 0.95 || ratio > 1.05 {
				t.Errorf("Ga:As = %.3f, want 0.95 to 1.05", ratio)
			}
		})
	}
}
