package fit

// state is a point in parameter space: family amplitudes A, deviations of the
// groups' shares, continuum and pile-up amplitudes, and the shape.
type state struct {
	family []float64 // net counts the family would have with its computed weights, ≥ 0
	dev    []float64 // per group: the group's area is weight·family·exp(dev)
	rest   []float64 // continuum terms, then pile-up, ≥ 0
	shape  shape
}

func (s state) clone() state {
	c := s
	c.family = append([]float64(nil), s.family...)
	c.dev = append([]float64(nil), s.dev...)
	c.rest = append([]float64(nil), s.rest...)
	return c
}

// between returns the state at the share t of the way from s to next.
func (s state) between(next state, t float64) state {
	c := s.clone()
	for _, x := range []struct{ dst, to []float64 }{{c.family, next.family}, {c.dev, next.dev}, {c.rest, next.rest}, {c.shape[:], next.shape[:]}} {
		for i := range x.dst {
			x.dst[i] += float64(t * (x.to[i] - x.dst[i]))
		}
	}
	return c
}

type parameterKind uint8

const (
	familyAmplitude parameterKind = iota
	groupDeviation
	restAmplitude
	shapeValue
)

// parameter names one free parameter.
type parameter struct {
	kind  parameterKind
	index int // family, group, rest or shape index
	owner int // family of a group
}

func (p parameter) bounded() bool { return p.kind == familyAmplitude || p.kind == restAmplitude }

func (p parameter) value(s *state) *float64 {
	switch p.kind {
	case familyAmplitude:
		return &s.family[p.index]
	case groupDeviation:
		return &s.dev[p.index]
	case restAmplitude:
		return &s.rest[p.index]
	}
	return &s.shape[p.index]
}
