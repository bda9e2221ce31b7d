package study

import (
	"errors"
	"io"
)

// Sink takes the files of a study. Names use "/" between folders and hold
// only a-z, 0-9, "_", "-", "." and "/". Close commits a file; a file whose
// writer is not closed is not complete and must not be kept.
type Sink interface {
	Create(name string) (io.WriteCloser, error)
}

// Origin says where a setting comes from.
type Origin string

// Origins of a setting.
const (
	FromDefault Origin = "default"
	FromFile    Origin = "file"
	FromFlag    Origin = "flag"
)

// Setting is one resolved setting. Value is a bool, a string, a number, a
// slice of them or nil.
type Setting struct {
	Key    string
	Value  any
	Origin Origin
}

// WriteOptions are what only the caller knows. The zero value works.
type WriteOptions struct {
	Command  string // what made the study, e.g. "study" or "demo"
	Version  string
	Platform string
	// Settings in the order they are shown. What Options of the study resolve to
	// is added where it is missing here.
	Settings []Setting
	// Invented says that the data are simulated and how; "" for measured ones.
	Invented string
	// Repeat is the command line that does the work again, "" if there is none.
	Repeat   string
	Warnings []string // of the caller
}

// Write writes all files of a study: tables, maps, figures and index.html. The
// bytes depend on the study and the options only.
func Write(r *Result, sink Sink, opt WriteOptions) error {
	return errors.New("study: writing is not there yet")
}
