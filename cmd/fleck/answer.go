package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"runtime"
	"runtime/debug"

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

// member is one key of an object.
type member struct {
	key   string
	value any
}

// object is a JSON object whose keys keep their order.
type object []member

// set adds a key or replaces its value.
func (o *object) set(key string, value any) {
	for i := range *o {
		if (*o)[i].key == key {
			(*o)[i].value = value
			return
		}
	}
	*o = append(*o, member{key, value})
}

// number adds a number. One that is missing or infinite becomes null, with the
// reason under the key and "_reason".
func (o *object) number(key string, v float64, reason string) {
	if !math.IsNaN(v) && !math.IsInf(v, 0) {
		o.set(key, v)
		return
	}
	switch {
	case reason != "":
	case math.IsInf(v, 0):
		reason = "infinite"
	default:
		reason = "not known"
	}
	o.set(key, nil)
	o.set(key+"_reason", reason)
}

// MarshalJSON writes the keys in their order.
func (o object) MarshalJSON() ([]byte, error) {
	var b bytes.Buffer
	b.WriteByte('{')
	for i, m := range o {
		if i > 0 {
			b.WriteByte(',')
		}
		key, err := plainJSON(m.key)
		if err != nil {
			return nil, err
		}
		value, err := plainJSON(m.value)
		if err != nil {
			return nil, fmt.Errorf("key %s: %w", m.key, err)
		}
		b.Write(key)
		b.WriteByte(':')
		b.Write(value)
	}
	b.WriteByte('}')
	return b.Bytes(), nil
}

// plainJSON encodes v with <, > and & left as they are.
func plainJSON(v any) ([]byte, error) {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); err != nil {
		return nil, err
	}
	return bytes.TrimRight(b.Bytes(), "\n"), nil
}

// origin says where a setting comes from.
type origin string

const (
	fromDefault origin = "default"
	fromFile    origin = "file"
	fromFlag    origin = "flag"
)

// setting records a resolved setting and its origin for the answer.
func (e *env) setting(key string, value any, from origin) {
	if v, ok := value.(float64); ok && (math.IsNaN(v) || math.IsInf(v, 0)) {
		value = nil
	}
	e.settings.set(key, object{{"value", value}, {"origin", from}})
}

// encode returns the whole answer: what produced it, then its keys.
func (e *env) encode() ([]byte, error) {
	head := object{
		{"fleck_format", format},
		{"command", e.command},
		{"version", versionText()},
		{"platform", runtime.GOOS + "/" + runtime.GOARCH + " " + runtime.Version()},
		{"table_checksum", xray.TableChecksum()},
		{"seed", e.seed},
		{"settings", e.settings},
		{"inputs", nonNil(e.inputs)},
		{"warnings", nonNil(e.warnings)},
	}
	if e.settings == nil {
		head.set("settings", object{})
	}
	for _, m := range e.answer {
		head.set(m.key, m.value)
	}
	return encodeJSON(head)
}

// nonNil makes an empty list out of nil, so that JSON shows [].
func nonNil[T any](s []T) []T {
	if s == nil {
		return []T{}
	}
	return s
}
