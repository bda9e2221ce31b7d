package plan

import (
	"fmt"
	"slices"
	"strings"

	"example.org/fleck/spectra/xray"
)

// residue is something that preparation or surroundings leave behind and the
// elements it shows; trade knowledge from memory, but where a source is named.
type residue struct {
	name     string
	elements []xray.Element
	// imitates is a compound that it is, or nearly is; "" if none.
	imitates string
	advice   string
}

var residues = []residue{
	{"silicon carbide paper", []xray.Element{14, 6}, "SiC", "embeds in soft metal; shows Si without O; use alumina or diamond instead"},
	{"colloidal silica for the last polish", []xray.Element{14, 8, 11, 19}, "SiO2", "leaves spheres of 40 to 100 nm that are silica; never use it for a silica target"},
	{"alumina abrasive", []xray.Element{13, 8}, "Al2O3", "embeds as angular grains"},
	{"ceria polish", []xray.Element{58, 57, 59, 60, 9, 8}, "CeO2", "carries La and Nd beside Ce"},
	{"zirconia or garnet abrasive", []xray.Element{40, 26, 13, 14, 8}, "ZrO2", "use diamond"},
	{"chromium oxide or iron oxide rouge", []xray.Element{24, 26, 8}, "Cr2O3", "use diamond"},
	{"detergent with silicate builder", []xray.Element{11, 14, 15, 16, 17, 19}, "", "rinse with pure water and measure a dried rinse as a control"},
	{"silicone grease, release agents, adhesive liners, gloves", []xray.Element{14, 8, 6}, "", "carries Si and O at about half the O/Si of silica; is everywhere"},
	{"tap water", []xray.Element{20, 12, 17, 16, 14}, "", "use deionised water"},
	{"glass slides, vials and fibre filters", []xray.Element{14, 8, 11, 20, 12, 13}, "", "Na and Ca tell glass from silica; use polymer ware"},
	{"airborne dust", []xray.Element{14, 13, 20, 26, 19, 11, 17}, "", "expose a control to the same air for the same time"},
	{"paint, paper and plastic fillers", []xray.Element{22, 20, 13, 14, 56, 16, 30}, "TiO2", "white pigment is titania; barite and chalk come with it"},
	{"barite filler", []xray.Element{56, 16, 8}, "BaSO4", "Ba L lies on Ti K; S K tells it"},
	{"zinc stearate on coated paper, galvanised parts, rubber", []xray.Element{30, 6}, "ZnO", "use uncoated paper"},
	{"skin and sweat", []xray.Element{11, 17, 19, 20}, "", "handle with tweezers"},
}

// residueWarnings lists the residues that hold the specific elements of the target
// (all elements where there is none).
func (r *Request) residueWarnings() []string {
	var own []xray.Element
	for _, c := range r.Target.Components {
		if specific(c.Element) {
			own = append(own, c.Element)
		}
	}
	if own == nil {
		for _, c := range r.Target.Components {
			own = append(own, c.Element)
		}
	}
	var out []string
	for _, x := range residues {
		var shared []string
		for _, z := range own {
			if slices.Contains(x.elements, z) {
				shared = append(shared, z.Symbol())
			}
		}
		if len(shared) == 0 {
			continue
		}
		text := fmt.Sprintf("%s can leave %s: %s", x.name, strings.Join(shared, ", "), x.advice)
		if x.imitates != "" && x.imitates == r.Target.Name {
			out = append([]string{text + " (the same compound as the target)"}, out...)
			continue
		}
		out = append(out, text)
	}
	return out
}

// substrateWarnings says what the substrates themselves do to the target's elements.
func (r *Request) substrateWarnings() []string {
	var out []string
	for _, s := range r.Substrates {
		oxide := s.Fraction(13)+s.Fraction(12)+s.Fraction(14)+s.Fraction(22)+s.Fraction(24) > 0.1
		if oxide && s.Fraction(8) == 0 && r.Target.Fraction(8) > 0 {
			out = append(out, fmt.Sprintf("%s carries a native oxide of a few nm: take the O of the neighbourhood off before judging O", s.Name))
		}
		for _, c := range r.Target.Components {
			if f := s.Fraction(c.Element); f > 0 && f <= presence && specific(c.Element) {
				out = append(out, fmt.Sprintf("%s holds %.2g %% %s, which may stand in inclusions of particle size: a blank of the same lot is needed", s.Name, 100*f, c.Element))
			}
		}
		if len(s.Components) == 1 && s.Components[0].Element == 13 && (r.Target.Fraction(14) > 0 || r.Target.Fraction(26) > 0) {
			out = append(out, "commercial aluminium holds Si and Fe in particles of 0.1 to 10 µm: use 99.99 % or better, or map the same place before treatment")
		}
	}
	return out
}

// handling lists cautions for the hands, not for the numbers. Limits are left
// to the rules of the place and the safety data sheet.
func (r *Request) handling() []string {
	out := []string{"loose powder becomes airborne when sprayed, dried, blown off or sonicated: work in a hood and fix particles before they go into the vacuum"}
	if r.Target.Fraction(14) > 0 && r.Target.Fraction(8) > 0 {
		out = append(out, "respirable crystalline silica is hazardous, and these spectra cannot tell crystalline from amorphous")
	}
	for _, z := range []xray.Element{4, 24, 28, 33, 48, 80, 82} {
		if r.Target.Fraction(z) > 0 {
			out = append(out, fmt.Sprintf("compounds of %s can be toxic: see the safety data sheet", z))
		}
	}
	return out
}
