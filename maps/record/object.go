// Package record writes results down: JSON objects whose keys keep their order,
// and tables of spots. Every number that is missing becomes null, with the reason
// beside it. Keys are part of the output format (fleck_format) and stay.
package record

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
)

// Member is one key of an object.
type Member struct {
	Key   string
	Value any
}

// Object is a JSON object whose keys keep their order.
type Object []Member

// Of makes an object of keys, which are strings, and values in turn. It panics on
// anything else.
func Of(keysAndValues ...any) Object {
	if len(keysAndValues)%2 != 0 {
		panic("record: Of: a key without a value")
	}
	o := make(Object, 0, len(keysAndValues)/2)
	for i := 0; i < len(keysAndValues); i += 2 {
		o = append(o, Member{keysAndValues[i].(string), keysAndValues[i+1]})
	}
	return o
}

// Set adds a key or replaces its value.
func (o *Object) Set(key string, value any) {
	for i := range *o {
		if (*o)[i].Key == key {
			(*o)[i].Value = value
			return
		}
	}
	*o = append(*o, Member{key, value})
}

// NoneGiven is the reason of what the user may state and did not.
const NoneGiven = "none given"

// Text adds a text; "" becomes null, with the reason under the key and "_reason".
func (o *Object) Text(key, v, reason string) {
	if v != "" {
		o.Set(key, v)
		return
	}
	o.Set(key, nil)
	o.Set(key+"_reason", Reason(reason))
}

// Number adds a number. One that is missing or infinite becomes null, with the
// reason under the key and "_reason".
func (o *Object) Number(key string, v float64, reason string) {
	if !math.IsNaN(v) && !math.IsInf(v, 0) {
		o.Set(key, v)
		return
	}
	if reason == "" {
		reason = "not known"
		if math.IsInf(v, 0) {
			reason = "infinite"
		}
	}
	o.Set(key, nil)
	o.Set(key+"_reason", Reason(reason))
}

// Get returns the value of a key, nil when it is not there.
func (o Object) Get(key string) any {
	for _, m := range o {
		if m.Key == key {
			return m.Value
		}
	}
	return nil
}

// MarshalJSON writes the keys in their order.
func (o Object) MarshalJSON() ([]byte, error) {
	var b bytes.Buffer
	b.WriteByte('{')
	for i, m := range o {
		if i > 0 {
			b.WriteByte(',')
		}
		key, err := plainJSON(m.Key)
		if err != nil {
			return nil, err
		}
		value, err := plainJSON(m.Value)
		if err != nil {
			return nil, fmt.Errorf("key %s: %w", m.Key, err)
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

// Document encodes v as an indented JSON file.
func Document(v any) ([]byte, error) {
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

// List makes an empty list out of nil, so that JSON shows [].
func List[T any](s []T) []T {
	if s == nil {
		return []T{}
	}
	return s
}
