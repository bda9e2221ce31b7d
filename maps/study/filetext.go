package study

import (
	"errors"
	"fmt"
	"strings"

	"github.com/BurntSushi/toml"
)

// fileParser turns the text of a study file into a File.
type fileParser struct {
	text string
	form fileStudy
	meta toml.MetaData
}

// decode reads the TOML form and refuses keys that it does not know.
func (p *fileParser) decode() error {
	if err := syntax(p.text); err != nil {
		var pe toml.ParseError
		if errors.As(err, &pe) {
			return &FileError{pe.Position.Line, errors.New(pe.Message)}
		}
		return &FileError{0, err}
	}
	meta, err := toml.Decode(p.text, &p.form)
	if err != nil {
		line := p.line(func(_ fileStudy, _ toml.MetaData, err error) bool { return err != nil })
		return &FileError{line, errors.New(typeMessage(err))}
	}
	p.meta = meta
	if bad := meta.Undecoded(); len(bad) > 0 {
		line := p.line(func(_ fileStudy, m toml.MetaData, _ error) bool { return len(m.Undecoded()) > 0 })
		return &FileError{line, fmt.Errorf("unknown key %q", bad[0].String())}
	}
	return nil
}

// syntax reports text that is no TOML.
func syntax(text string) error {
	var any map[string]any
	_, err := toml.Decode(text, &any)
	return err
}

// typeMessage makes the message about a value of the wrong type short.
func typeMessage(err error) string {
	key, text := "", err.Error()
	var pe toml.ParseError
	if errors.As(err, &pe) {
		key, text = pe.LastKey, pe.Message
	} else if _, rest, ok := strings.Cut(text, `(last key "`); ok {
		key, text, _ = strings.Cut(rest, `"): `)
	}
	text = strings.TrimPrefix(text, "toml: ")
	if have, want, ok := strings.Cut(strings.TrimPrefix(text, "incompatible types: TOML value has type "), "; destination has type "); ok {
		text = fmt.Sprintf("is %s; %s is accepted", have, want)
	}
	return strings.TrimSpace(key + " " + text)
}

// maxSearch bounds the bytes decoded to find one line: about a second of work,
// needed only by files of many thousand lines.
const maxSearch = 16 << 20

// line returns the first line of the statement with which holds becomes true,
// 0 when it never does or the file is too long to say. The decoder keeps no positions, so the text is decoded
// up to different lines; a text cut in the middle of a statement is taken back
// to the statement before it.
func (p *fileParser) line(holds func(form fileStudy, meta toml.MetaData, err error) bool) int {
	lines := strings.SplitAfter(p.text, "\n")
	work := 0 // bytes decoded
	at := func(n int) (whole int, yes bool) {
		for ; n > 0; n-- {
			text := strings.Join(lines[:n], "")
			if work += len(text); work > maxSearch {
				return 0, false
			}
			if syntax(text) != nil {
				continue
			}
			var form fileStudy
			meta, err := toml.Decode(text, &form)
			return n, holds(form, meta, err)
		}
		return 0, false
	}
	if _, yes := at(len(lines)); !yes {
		return 0
	}
	low, high := 0, len(lines) // false at low, true at high
	for high-low > 1 {
		mid := (low + high) / 2
		whole, yes := at(mid)
		if yes {
			high = whole
		} else {
			low = mid
		}
	}
	// high ends the statement; it begins after the last whole text before it.
	whole, _ := at(high - 1)
	if work > maxSearch {
		return 0
	}
	for whole < high-1 && strings.TrimSpace(lines[whole]) == "" {
		whole++
	}
	return whole + 1
}
