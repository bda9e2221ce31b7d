package study

import (
	"fmt"
	"regexp"
	"strings"
)

// slug turns a name into one for files: a-z, 0-9, _ and -.
func slug(name string) string {
	var b strings.Builder
	dash := false // a dash is due before the next letter
	for _, r := range strings.ToLower(name) {
		if r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r == '_' {
			if dash && b.Len() > 0 {
				b.WriteByte('-')
			}
			b.WriteRune(r)
			dash = false
			continue
		}
		dash = true
	}
	if b.Len() == 0 {
		return "unnamed"
	}
	return b.String()
}

// maxSlug bounds a file name, with room for suffixes below the 255 bytes that
// file systems allow.
const maxSlug = 100

// reserved are names that Windows keeps for devices.
var reserved = regexp.MustCompile(`^(con|prn|aux|nul|com[0-9]|lpt[0-9])$`)

// slugs gives out names that are unique.
type slugs map[string]bool

// of returns the slug of name, with a number where it is taken.
func (s slugs) of(name string) string {
	base := slug(name)
	if len(base) > maxSlug {
		base = base[:maxSlug]
	}
	if reserved.MatchString(base) {
		base = "field-" + base
	}
	out := base
	for n := 2; s[out]; n++ {
		out = fmt.Sprintf("%s-%d", base, n)
	}
	s[out] = true
	return out
}
