package xray

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// SyntaxError says where a material cannot be read and what is accepted there.
type SyntaxError struct {
	Input   string // what was given
	Column  int    // character of Input at which reading stopped, counted from 1
	Problem string // what is wrong and what is accepted
}

// Error returns one line: input, column, problem.
func (e *SyntaxError) Error() string {
	return fmt.Sprintf("xray: material %q: column %d: %s", e.Input, e.Column, e.Problem)
}

// Limits of the notation; far above any real material, they bound the work that a hostile string can cause.
const (
	maxMaterialLength = 400 // bytes
	maxNesting        = 20  // parentheses inside parentheses
	maxCount          = 1e6 // atoms of one symbol
	minCount          = 1e-6
	maxQualifier      = 1e9 // in the unit given
	minQualifier      = 1e-9
)

// ParseMaterial reads a material: a composition, then qualifiers, each after a colon and with its unit.
//
//	TiO2:4.23g/cm3              formula, atom counts follow the symbols
//	Ca(OH)2   TiC0.5N0.5        groups and fractional counts
//	CuSO4·5H2O  or  CuSO4*5H2O  hydrate
//	Fe-18Cr-0.5Nb:7.7g/cm3      alloy in mass percent: balance element, then percent before each symbol
//	C:2.0g/cm3:8nm              layer by thickness, nm or um
//	Al:3.55ug/cm2               layer by mass thickness
//
// A single element without a stated density takes the default of Element.Density and DensityDefault says so, except a
// layer of carbon, whose density varies too much. Compounds and alloys have no default; RequireDensity tells whether one
// is missing. A density and a thickness give the mass depth, a density and a mass depth the thickness.
//
// Whatever can be read in two ways is an error. CuSO4.5H2O could be a hydrate or 4.5 atoms of oxygen.
// Errors are of type *SyntaxError.
func ParseMaterial(s string) (Material, error) {
	p := &materialParser{input: s, end: len(s)}
	m, err := p.material()
	if err != nil {
		return Material{}, err
	}
	return m, nil
}

// materialParser reads input[pos:end].
type materialParser struct {
	input    string
	pos, end int
	depth    int
	name     strings.Builder // canonical spelling of the composition
}

func (p *materialParser) errorAt(pos int, format string, args ...any) error {
	return &SyntaxError{p.input, utf8.RuneCountInString(p.input[:pos]) + 1, fmt.Sprintf(format, args...)}
}

func (p *materialParser) material() (Material, error) {
	var m Material
	if len(p.input) > maxMaterialLength {
		return m, &SyntaxError{p.input[:20] + "…", maxMaterialLength + 1, fmt.Sprintf("longer than %d bytes", maxMaterialLength)}
	}
	if p.input == "" {
		return m, p.errorAt(0, "empty; accepted is a formula such as TiO2:4.23g/cm3 or an alloy such as Fe-18Cr-10Ni:7.9g/cm3")
	}
	for i, r := range p.input {
		if r == utf8.RuneError {
			return m, p.errorAt(i, "not valid UTF-8")
		}
		if unicode.IsControl(r) {
			return m, p.errorAt(i, "control character %q", r)
		}
	}
	composition, qualifiers, _ := strings.Cut(p.input, ":")
	p.end = len(composition)
	var err error
	if strings.Contains(composition, "-") {
		m.Components, err = p.alloy()
	} else {
		m.Components, err = p.formula()
	}
	if err != nil {
		return m, err
	}
	m.Name = p.name.String()
	if err := p.qualifiers(&m, len(composition), qualifiers); err != nil {
		return m, err
	}
	p.complete(&m)
	return m, nil
}

// peek returns the next byte, 0 at the end.
func (p *materialParser) peek() byte {
	if p.pos >= p.end {
		return 0
	}
	return p.input[p.pos]
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }
func isUpper(c byte) bool { return c >= 'A' && c <= 'Z' }
func isLower(c byte) bool { return c >= 'a' && c <= 'z' }

// symbol reads an element symbol: an upper-case letter and the lower-case letters after it.
func (p *materialParser) symbol(after string) (Element, error) {
	start := p.pos
	if !isUpper(p.peek()) {
		return 0, p.unexpected(after)
	}
	for p.pos++; isLower(p.peek()); p.pos++ {
	}
	s := p.input[start:p.pos]
	z := elementOf(s)
	if z == 0 {
		p.pos = start
		return 0, p.errorAt(start, "no element with symbol %q", s)
	}
	return z, nil
}

// unexpected is the error for the character at pos where want was accepted.
func (p *materialParser) unexpected(want string) error {
	if p.pos >= p.end {
		return p.errorAt(p.pos, "ends too early; want %s", want)
	}
	r, _ := utf8.DecodeRuneInString(p.input[p.pos:])
	return p.errorAt(p.pos, "unexpected %q; want %s", r, want)
}

// number reads digits with at most one decimal point, digits on both sides of it, without leading zeros. ok is false if there is no digit.
func (p *materialParser) number() (v float64, ok bool, err error) {
	start := p.pos
	for isDigit(p.peek()) {
		p.pos++
	}
	if p.pos == start {
		return 0, false, nil
	}
	// SiO2 mistyped as Si02 would be silicon alone.
	if p.input[start] == '0' && p.pos > start+1 {
		return 0, false, p.errorAt(start, "%q begins with the digit 0, where the letter O of oxygen may be meant; a number begins with 1 to 9, or with 0 and a point", p.input[start:p.pos])
	}
	if p.peek() == '.' {
		p.pos++
		if !isDigit(p.peek()) {
			return 0, false, p.unexpected("a digit after the decimal point")
		}
		for isDigit(p.peek()) {
			p.pos++
		}
	}
	v, err = strconv.ParseFloat(p.input[start:p.pos], 64)
	if err != nil || math.IsInf(v, 0) {
		return 0, false, p.errorAt(start, "%q is not a number", p.input[start:p.pos])
	}
	return v, true, nil
}

// formula reads parts joined by the hydrate sign.
func (p *materialParser) formula() ([]Component, error) {
	atoms := map[Element]float64{}
	for first := true; ; first = false {
		coefficient := 1.0
		if !first {
			start := p.pos
			v, ok, err := p.number()
			if err != nil {
				return nil, err
			}
			if ok {
				if v < minCount || v > maxCount {
					return nil, p.errorAt(start, "coefficient %s; want %g to %g", p.input[start:p.pos], minCount, maxCount)
				}
				coefficient = v
				p.name.WriteString(p.input[start:p.pos])
			}
		} else if isDigit(p.peek()) {
			return nil, p.errorAt(p.pos, "a composition starts with a symbol; in a formula the number follows (H2O), in an alloy the balance element comes first (Fe-18Cr)")
		}
		part, err := p.sequence()
		if err != nil {
			return nil, err
		}
		for z, n := range part {
			atoms[z] += coefficient * n
		}
		switch {
		case p.pos >= p.end:
			for z := range atoms {
				atoms[z] *= z.AtomicWeight()
			}
			return fractions(atoms), nil
		case p.hydrateSign():
			p.name.WriteString("·")
		default:
			return nil, p.unexpected("a symbol, a count, a parenthesis, · or *")
		}
	}
}

// hydrateSign consumes · or *.
func (p *materialParser) hydrateSign() bool {
	for _, sign := range []string{"*", "·"} {
		if strings.HasPrefix(p.input[p.pos:p.end], sign) {
			p.pos += len(sign)
			return true
		}
	}
	return false
}

// sequence reads symbols and groups with their counts, at least one, and returns atoms per element.
func (p *materialParser) sequence() (map[Element]float64, error) {
	atoms := map[Element]float64{}
	for n := 0; ; n++ {
		start := p.pos
		var unit map[Element]float64
		switch c := p.peek(); {
		case c == '(':
			var err error
			if unit, err = p.group(); err != nil {
				return nil, err
			}
		case isUpper(c):
			z, err := p.symbol("a symbol")
			if err != nil {
				return nil, err
			}
			p.name.WriteString(z.Symbol())
			unit = map[Element]float64{z: 1}
		case n == 0:
			return nil, p.unexpected("an element symbol or (")
		default:
			return atoms, nil
		}
		count, err := p.count(start)
		if err != nil {
			return nil, err
		}
		for z, v := range unit {
			atoms[z] += count * v
		}
	}
}

// group reads a sequence in parentheses.
func (p *materialParser) group() (map[Element]float64, error) {
	open := p.pos
	if p.depth++; p.depth > maxNesting {
		return nil, p.errorAt(open, "more than %d nested parentheses", maxNesting)
	}
	p.pos++
	p.name.WriteByte('(')
	atoms, err := p.sequence()
	if err != nil {
		return nil, err
	}
	if p.peek() != ')' {
		if p.pos >= p.end {
			return nil, p.errorAt(open, "parenthesis is not closed")
		}
		return nil, p.unexpected("a symbol, a count or )")
	}
	p.pos++
	p.name.WriteByte(')')
	p.depth--
	return atoms, nil
}

// count reads the optional count after the unit input[unit:pos]. A count with a decimal point, of 1 or more, that is
// followed by a symbol or group could be a hydrate written with a point, so it is refused.
func (p *materialParser) count(unit int) (float64, error) {
	start := p.pos
	if p.peek() == '.' {
		for p.pos++; isDigit(p.peek()); p.pos++ {
		}
		if p.pos > start+1 && (isUpper(p.peek()) || p.peek() == '(') {
			return 0, p.pointError(unit, start, start)
		}
		p.pos = start
		return 0, p.unexpected("a symbol, a count with a digit before the point, a parenthesis, · or *")
	}
	v, ok, err := p.number()
	if err != nil || !ok {
		return 1, err
	}
	text := p.input[start:p.pos]
	if point := strings.IndexByte(text, '.'); point >= 0 && v >= 1 && (isUpper(p.peek()) || p.peek() == '(') {
		return 0, p.pointError(unit, start, start+point)
	}
	if v < minCount || v > maxCount {
		return 0, p.errorAt(start, "count %s; want %g to %g", text, minCount, maxCount)
	}
	p.name.WriteString(text)
	return v, nil
}

// pointError offers both readings of a point between digits and a symbol: count holds the digits from start on, the
// point stands at point.
func (p *materialParser) pointError(unit, start, point int) error {
	after := point + 1
	for after < p.end && isDigit(p.input[after]) {
		after++
	}
	in := p.input[:p.end]
	hydrate := in[:point] + "·" + in[point+1:]
	atoms := in[start:after]
	if start == point {
		atoms = "0" + atoms
	}
	decimal := in[:unit] + "(" + in[unit:start] + atoms + ")" + in[after:]
	return p.errorAt(point, "the point can be a hydrate or a decimal point; write %s for the hydrate or %s for the number of atoms", hydrate, decimal)
}

// alloy reads balance-percentSymbol-percentSymbol…, in mass percent.
func (p *materialParser) alloy() ([]Component, error) {
	const form = "an alloy is written with the balance element first and mass percent before each other symbol, as in Fe-18Cr-10Ni"
	balance, err := p.symbol("the balance element of an alloy, as in Fe-18Cr-10Ni")
	if err != nil {
		return nil, err
	}
	p.name.WriteString(balance.Symbol())
	mass := map[Element]float64{balance: 100}
	for p.pos < p.end {
		if p.peek() != '-' {
			return nil, p.errorAt(p.pos, "a formula and an alloy cannot be mixed; %s", form)
		}
		p.pos++
		start := p.pos
		v, ok, err := p.number()
		if err != nil {
			return nil, err
		}
		if !ok {
			return nil, p.errorAt(start, "no mass percent; %s", form)
		}
		text := p.input[start:p.pos]
		if v < minCount || v >= 100 {
			return nil, p.errorAt(start, "mass percent %s; want at least %g and less than 100", text, minCount)
		}
		at := p.pos
		z, err := p.symbol("an element symbol after the mass percent")
		if err != nil {
			return nil, err
		}
		if _, twice := mass[z]; twice {
			return nil, p.errorAt(at, "%v is given twice", z)
		}
		mass[z] = v
		mass[balance] -= v
		if mass[balance] <= 1e-9 {
			return nil, p.errorAt(start, "mass percents add up to 100 or more; nothing is left for the balance element %v", balance)
		}
		p.name.WriteString("-" + text + z.Symbol())
	}
	return fractions(mass), nil
}
