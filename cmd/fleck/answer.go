package main

import (
	"math"
	"runtime"
	"runtime/debug"

	"example.org/fleck/maps/record"
	"example.org/fleck/spectra/xray"
)

// format is the fleck_format of the answers: readers refuse greater numbers.
const format = 1

// version is the version of the program.
const version = "0.1.0"

// versionText returns the version and, in a build from a repository, the
// revision.
func versionText() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return version
	}
	revision, modified := "", ""
	for _, s := range info.Settings {
		switch {
		case s.Key == "vcs.revision" && len(s.Value) >= 8:
			revision = "+" + s.Value[:8]
		case s.Key == "vcs.modified" && s.Value == "true":
			modified = ".modified"
		}
	}
	if revision == "" {
		return version
	}
	return version + revision + modified
}

// origin says where a setting comes from.
type origin string

const (
	fromDefault origin = "default"
	fromFile    origin = "file"
	fromFlag    origin = "flag"
	fromCounts  origin = "counts" // found in the counts themselves
)

// setting records a resolved setting and its origin for the answer.
func (e *env) setting(key string, value any, from origin) {
	if v, ok := value.(float64); ok && (math.IsNaN(v) || math.IsInf(v, 0)) {
		value = nil
	}
	o := record.Of("value", value, "origin", from)
	if value == nil {
		o.Set("value_reason", record.NoneGiven)
	}
	e.settings.Set(key, o)
}

// encode returns the whole answer: what produced it, then its keys.
func (e *env) encode() ([]byte, error) {
	head := record.Of(
		"fleck_format", format,
		"command", e.command,
		"version", versionText(),
		"platform", runtime.GOOS+"/"+runtime.GOARCH+" "+runtime.Version(),
		"table_checksum", xray.TableChecksum(),
		"seed", e.seed,
		"settings", e.settings,
		"inputs", record.List(e.inputs),
		"warnings", record.List(e.warnings),
	)
	if e.settings == nil {
		head.Set("settings", record.Object{})
	}
	for _, m := range e.answer {
		head.Set(m.Key, m.Value)
	}
	return record.Document(head)
}
