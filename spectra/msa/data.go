package msa

import (
	"fmt"
	"strings"
)

// dataLine is one line of the data block, without blanks around it.
type dataLine struct {
	line int
	text string
}

// token is one number of the data block.
type token struct {
	line int
	text string
}

// dataBlock is the data block split into numbers.
type dataBlock struct {
	tokens  []token
	perLine []int // numbers per data line
	lines   []dataLine
}

// readBlock splits the data lines into numbers and checks the form of each.
// Separators are commas, semicolons, blanks and tabs in any mixture.
func readBlock(lines []dataLine, dev *collector) (*dataBlock, error) {
	b := &dataBlock{lines: lines, perLine: make([]int, 0, len(lines))}
	for _, l := range lines {
		n := len(b.tokens)
		b.split(l, dev)
		b.perLine = append(b.perLine, len(b.tokens)-n)
		if len(b.tokens) > 2*maxPoints {
			return nil, tooManyPoints(l.line)
		}
		for _, t := range b.tokens[n:] {
			if _, ok := parseNumber(t.text, 0); !ok {
				return nil, notNumber(t)
			}
			if strings.ContainsAny(t.text, "dD") {
				dev.merge(t.line, "", "exponents with the letter D; E expected")
			}
		}
	}
	return b, nil
}

func tooManyPoints(line int) error {
	return parseError(line, "", "", ErrTooLarge, fmt.Sprintf("more than %d data points", maxPoints))
}

func notNumber(t token) error {
	return parseError(t.line, "", t.text, ErrNumber,
		fmt.Sprintf("value %q is not a number; digits, sign, point and E exponent expected", shorten(t.text)))
}

// split appends the numbers of line l to the block.
func (b *dataBlock) split(l dataLine, dev *collector) {
	text := l.text
	first := true
	for text != "" {
		sep := len(text) - len(strings.TrimLeft(text, separators))
		run := text[:sep]
		text = text[sep:]
		reportSeparator(l.line, run, first, text == "", dev)
		if text == "" {
			return
		}
		end := strings.IndexAny(text, separators)
		if end < 0 {
			end = len(text)
		}
		b.tokens = append(b.tokens, token{l.line, text[:end]})
		text = text[end:]
		first = false
	}
}

const separators = ",; \t"

// reportSeparator lists a separator other than one comma, with or without
// blanks.
func reportSeparator(line int, run string, first, last bool, dev *collector) {
	commas := strings.Count(run, ",")
	semicolons := strings.Count(run, ";")
	switch {
	case first && last, first && commas+semicolons == 0: // blanks
	case last:
		dev.merge(line, "", "separator after the last value of the line")
	case first:
		dev.merge(line, "", "separator before the first value of the line")
	case semicolons > 0:
		dev.merge(line, "", "values separated by semicolons; commas expected")
	case commas > 1:
		dev.merge(line, "", "several commas between two values")
	case commas == 0 && strings.Contains(run, "\t"):
		dev.merge(line, "", "values separated by tabs; commas expected")
	case commas == 0:
		dev.merge(line, "", "values separated by blanks; commas expected")
	}
}

// pairLines reports whether every line holds exactly two numbers.
func (b *dataBlock) pairLines() bool {
	for _, n := range b.perLine {
		if n != 2 {
			return false
		}
	}
	return len(b.perLine) > 0
}

// decimalCommas returns the line of the first comma between two digits if the
// commas are, or may be, decimal ones; nil if they are separators.
//
// A comma between digits is a separator when the values then number as NPOINTS
// says, or when some value has a decimal point. It is taken for a decimal comma
// when the values number as NPOINTS says only that way. Where NPOINTS decides
// nothing, a line that also has other separators, or a header with decimal
// commas, leaves it undecidable.
func (b *dataBlock) decimalCommas(v *headerValues) *dataLine {
	var first *dataLine
	asDecimal := 0
	mixed := false
	for i, l := range b.lines {
		if strings.Contains(l.text, ".") {
			return nil
		}
		tight, numbers, other := countCommas(l.text)
		if tight > 0 && first == nil {
			first = &b.lines[i]
		}
		mixed = mixed || tight > 0 && other
		asDecimal += numbers
	}
	if first == nil {
		return nil
	}
	if n := v.pointCount(); n > 0 {
		counts := []int{n, 2 * n}
		if v.dataType == DataY {
			counts = counts[:1]
		}
		for _, want := range counts {
			if len(b.tokens) == want {
				return nil
			}
		}
		for _, want := range counts {
			if asDecimal == want {
				return first
			}
		}
	}
	if mixed || v.commas {
		return first
	}
	return nil
}

// countCommas returns the number of commas between two digits, the number of
// values if as many of these as possible are decimal commas, and whether
// blanks, tabs or semicolons separate values without a comma.
func countCommas(text string) (tight, numbers int, other bool) {
	for text = strings.Trim(text, separators); text != ""; text = strings.TrimLeft(text, separators) {
		i, inRun := 0, 0
		for ; i < len(text); i++ {
			if strings.IndexByte(separators, text[i]) < 0 {
				continue
			}
			if text[i] != ',' || i == 0 || !isDigit(text[i-1]) || i+1 == len(text) || !isDigit(text[i+1]) {
				break
			}
			inRun++
		}
		tight += inRun
		numbers += (inRun + 2) / 2
		text = text[i:]
		run := text[:len(text)-len(strings.TrimLeft(text, separators))]
		other = other || run != "" && !strings.Contains(run, ",")
	}
	return tight, numbers, other
}

func decimalComma(line int, text string) error {
	return parseError(line, "", text, ErrDecimalComma,
		fmt.Sprintf("commas inside the numbers of %q cannot be told from separators; write decimal points", shorten(text)))
}

// checkColumns lists the data lines that do not hold what NCOLUMNS says; the
// last line may be short.
func (b *dataBlock) checkColumns(v *headerValues, t DataType, dev *collector) {
	n := v.columnCount()
	if n == 0 {
		return
	}
	want, what := n, "values"
	if t == DataXY {
		want, what = 2*n, "pairs"
	}
	for i, have := range b.perLine {
		if have == want || have < want && i == len(b.perLine)-1 || have == 0 {
			continue
		}
		dev.merge(b.lines[i].line, "NCOLUMNS", fmt.Sprintf("header says %d, but the line holds another number of %s", n, what))
	}
}
