package study

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
)

// member is one key of an object.
type member struct {
	key   string
	value any
}

// object is a JSON object whose keys keep their order.
type object []member

// set adds a key.
func (o *object) set(key string, value any) { *o = append(*o, member{key, value}) }

// number adds a number. One that is missing or infinite becomes null, with the
// reason under the key and "_reason".
func (o *object) number(key string, v float64, reason string) {
	if !math.IsNaN(v) && !math.IsInf(v, 0) {
		o.set(key, v)
		return
	}
	if reason == "" {
		reason = "not known"
		if math.IsInf(v, 0) {
			reason = "infinite"
		}
	}
	o.set(key, nil)
	o.set(key+"_reason", reason)
}

// get returns the value of a key, nil when it is not there.
func (o object) get(key string) any {
	for _, m := range o {
		if m.key == key {
			return m.value
		}
	}
	return nil
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

// document encodes v as an indented JSON file.
func document(v any) ([]byte, error) {
	plain, err := plainJSON(v)
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	if err := json.Indent(&b, plain, "", "  "); err != nil {
		return nil, err
	}
	b.WriteByte('\n')
	return b.Bytes(), nil
}

// nonNil makes an empty list out of nil, so that JSON shows [].
func nonNil[T any](s []T) []T {
	if s == nil {
		return []T{}
	}
	return s
}
