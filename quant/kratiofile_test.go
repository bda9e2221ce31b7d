package quant

import (
	"fmt"
	"math"
	"strings"
	"testing"
)

func TestReadKRatios(t *testing.T) {
	const text = "# fleck_format: 1\nelement, line, k_ratio, sigma, note\nFe,K,0.535,0.003,spot 1\nNi,Ni K-L3,0.488,,\n\nAu,Ma,0.01,0.001,\n"
	ks, err := ReadKRatios(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	if got := fmt.Sprint(ks); got != "[k(Fe K) = 0.53500 ± 0.00300 k(Ni K-L3) = 0.48800 k(Au M5-N7) = 0.01000 ± 0.00100]" {
		t.Errorf("read %s", got)
	}
	for _, tt := range []struct{ text, want string }{
		{"", "empty"},
		{"# nothing\n", "empty"},
		{"element,line,k\nFe,K,1\n", `no column "k_ratio"`},
		{"element;line;k_ratio;sigma\nFe;K;0,5;0,003\n", "columns are separated by commas, decimals by points"},
		{"element\tline\tk_ratio\nFe\tK\t0.5\n", "columns are separated by commas, decimals by points"},
		{"element,line,k_ratio\n", "no rows"},
		{"element,line,k_ratio\nFe,K,0.5\nXx,K,0.5\n", "line 3"},
		{"element,line,k_ratio\nFe,Q,0.5\n", "line 2"},
		{"element,line,k_ratio\nFe,Ni K,0.5\n", `"Ni K" beside element "Fe"`},
		{"element,line,k_ratio\nFe,K,half\n", `k_ratio "half" of Fe K`},
		{"element,line,k_ratio\nFe,K,NaN\n", `k_ratio "NaN"`},
		{"element,line,k_ratio,sigma\nFe,K,0.5,-1\n", `sigma "-1"`},
		{"element,line,k_ratio\nFe,K,0.5\nFe,L,0.5\n", "line 3: a second k-ratio of Fe"},
		{"element,line,k_ratio\nFe,K\n", "line 2"},
	} {
		if _, err := ReadKRatios(strings.NewReader(tt.text)); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%q: error %v, want one that holds %q", tt.text, err, tt.want)
		}
	}
}

// FuzzReadKRatios: no text panics, and what is read is finite, of known elements
// and one for each.
func FuzzReadKRatios(f *testing.F) {
	f.Add("element,line,k_ratio,sigma\nFe,K,0.535,0.003\nNi,K-L3,0.488,0.003\n")
	f.Add("\ufeffelement;line;k_ratio\nFe;K;0,5\n")
	f.Add("line,element,k_ratio\n\"Si Ka1\",Si,1e-3\n#x\n")
	f.Fuzz(func(t *testing.T, text string) {
		ks, err := ReadKRatios(strings.NewReader(text))
		if err != nil {
			return
		}
		seen := map[int]bool{}
		for _, k := range ks {
			if !k.Element.Valid() || math.IsNaN(k.Value) || math.IsInf(k.Value, 0) || !(k.Sigma >= 0) || seen[int(k.Element)] {
				t.Errorf("%q gave %v", text, ks)
			}
			seen[int(k.Element)] = true
		}
	})
}
