package msa

import (
	"fmt"

	"example.org/fleck/spectra"
)

// arrangement decides between Y and XY data.
//
// Lines of two numbers in a file that says Y, as many as NPOINTS says, are
// pairs when the first numbers are the energy scale of the header; otherwise
// what they are cannot be told.
func (p *parser) arrangement(v *headerValues, b *dataBlock) (DataType, error) {
	n := v.pointCount()
	twoEach := b.pairLines() && (n == 0 || n == len(b.perLine))
	if v.dataType == DataXY || v.dataType == DataY && (!twoEach || n == 0) {
		return v.dataType, nil
	}
	k, _ := lookup(p.header, "DATATYPE")
	line := p.at(k)
	c, exponent, ok := v.scale()
	if v.dataType == DataY {
		xs, _ := split2(b.tokens)
		if x, err := readX(xs, exponent); err != nil || !ok || !x.agrees(c) {
			return "", parseError(line, "DATATYPE", k.Value, ErrArrangement,
				fmt.Sprintf("header says Y and %d points, but there are as many lines of two numbers and the first is not OFFSET + i·XPERCHAN; Y or XY data expected", n))
		}
		p.dev.add(line, "DATATYPE", "header says Y, but the lines hold pairs whose first number is OFFSET + i·XPERCHAN; read as XY")
		return DataXY, nil
	}
	t := DataY
	if twoEach {
		t = DataXY
		if n == 0 { // no count to go by: the first numbers must be a scale
			xs, _ := split2(b.tokens)
			x, err := readX(xs, 0)
			if err != nil {
				t = DataY
			} else if _, err := x.calibrate(spectra.Calibration{}, false, Keyword{}, nil); err != nil {
				t = DataY
			}
		}
	}
	p.dev.add(line, "DATATYPE", "states neither Y nor XY; read as %s from the lines", t)
	return t, nil
}

// split2 returns the numbers at even and at odd places.
func split2(tokens []token) (even, odd []token) {
	for i := 0; i+1 < len(tokens); i += 2 {
		even, odd = append(even, tokens[i]), append(odd, tokens[i+1])
	}
	return even, odd
}

// pairs splits the numbers of an XY block. Half a pair at the end of a
// truncated file is left out.
func (p *parser) pairs(v *headerValues, b *dataBlock) (xs, ys []token, err error) {
	xs, ys = split2(b.tokens)
	last := len(b.perLine) - 1
	for i, n := range b.perLine {
		if n%2 == 0 || len(xs) == v.pointCount() && len(b.tokens)%2 == 0 {
			continue
		}
		line := b.lines[i].line
		if i < last || p.end > 0 {
			return nil, nil, parseError(line, "", b.lines[i].text, ErrArrangement,
				fmt.Sprintf("line %q of an XY file holds %d numbers; pairs x, y expected", shorten(b.lines[i].text), n))
		}
		p.dev.add(line, "", "the last pair is incomplete; left out")
	}
	if len(ys) == 0 {
		return nil, nil, parseError(b.lines[last].line, "", "", ErrTruncated, "the file ends before its first pair of data values")
	}
	return xs, ys, nil
}

// checkPoints compares NPOINTS and the end mark with the number of points
// found.
func (p *parser) checkPoints(v *headerValues, t DataType, found int) {
	n := v.pointCount()
	what := "values"
	if t == DataXY {
		what = "pairs"
	}
	if v.points.ok {
		switch k := v.points.keyword; {
		case n == 0:
			p.dev.add(k.Line, "NPOINTS", "%q is not a whole number above 0; found %d %s", shorten(k.Value), found, what)
		case t == DataXY && n == 2*found:
			p.dev.add(k.Line, "NPOINTS", "header says %d, found %d pairs; NPOINTS counts pairs, not numbers", n, found)
		case n != found:
			p.dev.add(k.Line, "NPOINTS", "header says %d, found %d %s", n, found, what)
		}
	}
	if find(p.trailer, "ENDOFDATA") >= 0 {
		return
	}
	line := p.in.line
	if p.end > 0 {
		line = p.end
	}
	switch {
	case n == found:
		p.dev.add(line, "ENDOFDATA", "end mark missing; the data are complete")
	case n > found:
		p.dev.add(line, "ENDOFDATA", "truncated: end mark missing and %d of %d %s found; the last value may be cut", found, n, what)
	default:
		p.dev.add(line, "ENDOFDATA", "end mark missing; the file may be truncated")
	}
}
