package record

import (
	"fmt"
	"regexp"
	"strings"
)

// FileName turns a name into one for files: a-z, 0-9 and _, which stands for
// everything else between words. It is at most maxFileName bytes long.
func FileName(name string) string {
	var b strings.Builder
	gap := false // a _ is due before the next letter
	for _, r := range strings.ToLower(name) {
		if !(r >= 'a' && r <= 'z' || r >= '0' && r <= '9') {
			gap = true
			continue
		}
		if gap && b.Len() > 0 {
			b.WriteByte('_')
		}
		b.WriteRune(r)
		gap = false
	}
	out := b.String()
	switch {
	case out == "":
		return "unnamed"
	case reserved.MatchString(out):
		return "field_" + out
	case len(out) > maxFileName:
		return out[:maxFileName]
	}
	return out
}

// maxFileName bounds a file name, with room for suffixes below the 255 bytes that
// file systems allow.
const maxFileName = 100

// reserved are names that Windows keeps for devices.
var reserved = regexp.MustCompile(`^(con|prn|aux|nul|com[0-9]|lpt[0-9])$`)

// FileNames gives out names of files that are unique whatever the case; the zero
// map made by FileNames{} is ready.
type FileNames map[string]bool

// Of returns the file name of a name, with a number where it is taken.
func (s FileNames) Of(name string) string {
	base := FileName(name)
	out := base
	for n := 2; s[out]; n++ {
		out = fmt.Sprintf("%s_%d", base, n)
	}
	s[out] = true
	return out
}
