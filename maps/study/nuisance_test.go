package study

import (
	"slices"
	"strings"
	"testing"

	"example.org/fleck/maps/spots"
	"example.org/fleck/quant/template"
	"example.org/fleck/spectra/xray"
)

// The continuum of a coating is free where it lies over the particles and is heavier
// than they are: a particle carries more of it than the plane beside it.
func TestNuisanceOfCoating(t *testing.T) {
	small := result(t)
	for _, tt := range []struct {
		coating string
		order   template.CoatingOrder
		want    bool
	}{
		{"Au:19.3g/cm3:10nm", template.Over, true},
		{"Au:19.3g/cm3:10nm", template.Both, true},
		{"Au:19.3g/cm3:10nm", template.Under, false},
		{"C:2.0g/cm3:10nm", template.Over, false},
	} {
		coat, err := xray.ParseMaterial(tt.coating)
		if err != nil {
			t.Fatal(err)
		}
		st, r := *small.Study, *small
		st.Coating, st.Order, r.Study = &coat, tt.order, &st
		list := r.Nuisance()
		i := slices.IndexFunc(list, func(n spots.Template) bool { return strings.HasPrefix(n.Name, "continuum of ") })
		if i >= 0 != tt.want {
			t.Errorf("%s %s: continuum is free: %v, want %v", tt.coating, tt.order, i >= 0, tt.want)
		}
		if i >= 0 {
			// Smooth: no channel holds much more than those beside it.
			s := list[i].Spectrum
			for c := 1; c+1 < len(s); c++ {
				if s[c] > 2*(s[c-1]+s[c+1])+1e-6 {
					t.Errorf("%s: channel %d of the continuum holds %g beside %g and %g", tt.coating, c, s[c], s[c-1], s[c+1])
				}
			}
		}
	}
}
