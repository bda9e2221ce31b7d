package xray

import "strings"

// qualifiers reads density, thickness and mass thickness from text, which starts after the colon at position colon.
func (p *materialParser) qualifiers(m *Material, colon int, text string) error {
	const accepted = "a density in g/cm3, a thickness in nm or um, or a mass thickness in ug/cm2"
	p.pos, p.end = colon, len(p.input)
	for p.pos < p.end {
		p.pos++ // the colon
		start := p.pos
		v, ok, err := p.number()
		if err != nil {
			return err
		}
		if !ok {
			return p.unexpected(accepted + ", number first")
		}
		at := p.pos
		unit := p.input[at:]
		unit, _, _ = strings.Cut(unit, ":")
		p.pos += len(unit)
		if v < minQualifier || v > maxQualifier {
			return p.errorAt(start, "%s is out of range; want %g to %g in the unit given", p.input[start:p.pos], minQualifier, maxQualifier)
		}
		var target *float64
		var what string
		switch strings.NewReplacer("µ", "u", "μ", "u", "²", "2", "³", "3").Replace(unit) {
		case "g/cm3":
			target, what = &m.Density, "density"
		case "nm":
			target, what, v = &m.ThicknessM, "thickness", v/1e9
		case "um":
			target, what, v = &m.ThicknessM, "thickness", v/1e6
		case "ug/cm2":
			target, what, v = &m.MassDepth, "mass thickness", v/1e6
		case "":
			return p.errorAt(at, "number without a unit; want %s", accepted)
		default:
			return p.errorAt(at, "unknown unit %q; want %s", unit, accepted)
		}
		if *target > 0 {
			return p.errorAt(start, "%s is given twice", what)
		}
		*target = v
		if m.ThicknessM > 0 && m.MassDepth > 0 {
			return p.errorAt(start, "thickness and mass thickness are both given; give one, and the density")
		}
	}
	return nil
}

// complete fills in the default density and what follows from two of density, thickness and mass depth.
func (p *materialParser) complete(m *Material) {
	layer := m.ThicknessM > 0 || m.MassDepth > 0
	m.byMassDepth = m.MassDepth > 0
	if m.Density == 0 && len(m.Components) == 1 {
		if z := m.Components[0].Element; !(z == 6 && layer) {
			m.Density = z.Density()
			m.DensityDefault = m.Density > 0
		}
	}
	switch {
	case m.Density == 0:
	case m.ThicknessM > 0:
		m.MassDepth = m.Density * m.ThicknessM * 100
	case m.MassDepth > 0:
		m.ThicknessM = m.MassDepth / m.Density / 100
	}
}
