package msa

import (
	"fmt"
	"sort"
	"strings"
)

// collector gathers deviations. A nil collector takes everything and keeps
// nothing.
//
// The three kinds: departures from the format (add, merge), cosmetic
// departures that only the strict check lists (cosmetic), and cautions about
// data that the format allows (caution), which the strict check leaves out.
type collector struct {
	strict bool
	list   []Deviation
	lines  map[string]*lineSet // by message: merged entries
}

// lineSet is the set of lines on which one merged deviation occurs.
type lineSet struct {
	index  int // entry in list
	ranges [][2]int
	more   int // lines beyond the ranges kept
}

// maxRanges bounds the line ranges that one merged message names, so that a
// hostile file cannot make the list long.
const maxRanges = 20

func (c *collector) add(line int, keyword, format string, args ...any) {
	if c == nil {
		return
	}
	c.list = append(c.list, Deviation{line, keyword, fmt.Sprintf(format, args...)})
}

func (c *collector) cosmetic(line int, keyword, format string, args ...any) {
	if c != nil && c.strict {
		c.add(line, keyword, format, args...)
	}
}

func (c *collector) caution(line int, keyword, format string, args ...any) {
	if c != nil && !c.strict {
		c.add(line, keyword, format, args...)
	}
}

// merge adds a deviation that may occur on many lines; equal messages become
// one entry that names all its lines. Lines must come in ascending order.
func (c *collector) merge(line int, keyword, message string) {
	if c == nil {
		return
	}
	s := c.lines[message]
	if s == nil {
		if c.lines == nil {
			c.lines = make(map[string]*lineSet)
		}
		c.lines[message] = &lineSet{index: len(c.list), ranges: [][2]int{{line, line}}}
		c.list = append(c.list, Deviation{line, keyword, message})
		return
	}
	last := &s.ranges[len(s.ranges)-1]
	switch {
	case line == last[1]:
	case line == last[1]+1 && s.more == 0:
		last[1] = line
	case len(s.ranges) < maxRanges:
		s.ranges = append(s.ranges, [2]int{line, line})
	default:
		s.more++
	}
}

// finish returns the deviations in the order of their lines.
func (c *collector) finish() []Deviation {
	if c == nil {
		return nil
	}
	for _, s := range c.lines {
		if also := s.also(); also != "" {
			c.list[s.index].Message += also
		}
	}
	c.lines = nil
	sort.SliceStable(c.list, func(i, j int) bool { return c.list[i].Line < c.list[j].Line })
	return c.list
}

// also names the lines of s beyond the first.
func (s *lineSet) also() string {
	var parts []string
	for i, r := range s.ranges {
		from := r[0]
		if i == 0 {
			from++
		}
		switch {
		case from > r[1]:
		case from == r[1]:
			parts = append(parts, fmt.Sprint(from))
		default:
			parts = append(parts, fmt.Sprintf("%d-%d", from, r[1]))
		}
	}
	if len(parts) == 0 {
		return ""
	}
	word := "lines"
	if len(parts) == 1 && !strings.Contains(parts[0], "-") && s.more == 0 {
		word = "line"
	}
	text := "; also on " + word + " " + strings.Join(parts, ", ")
	if s.more > 0 {
		text += fmt.Sprintf(" and %d more", s.more)
	}
	return text
}
