package record

import (
	"io"
	"regexp"
	"strings"
)

// packagePrefix is one or more names of packages before the text of an error:
// they tell a programmer where it arose, but nothing to who reads a message.
var packagePrefix = regexp.MustCompile(`(^|: |\n)((analysis|compare|composition|cube|figure|fit|maps|matrix|msa|peaks|plan|poisson|quant|record|report|scene|spectra|spots|study|synth|template|transport|xray): )+`)

// Reason takes what only programmers say out of the text of an error, for a reason
// or a remark in a result: the names of packages, and that of an early end.
func Reason(text string) string {
	return strings.ReplaceAll(packagePrefix.ReplaceAllString(text, "$1"), io.ErrUnexpectedEOF.Error(), "the file ends early")
}
