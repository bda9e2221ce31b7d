package main

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"

	"example.org/fleck/maps/study"
)

// resumeStore keeps values of a study as files of a folder, each with its digest
// before it. The names of the files begin with that of the program, so that
// another version takes up nothing.
type resumeStore struct {
	dir    string
	prefix string

	mu   sync.Mutex
	used []string // files taken or written in this run
}

// newResumeStore opens the store within an output folder; nil where the folder
// cannot be made, so that a study runs without.
func newResumeStore(dir string) *resumeStore {
	s := &resumeStore{dir: filepath.Join(dir, resumeName), prefix: programSum() + "-"}
	if os.MkdirAll(s.dir, 0o755) != nil {
		return nil
	}
	return s
}

// programSum tells builds of the program apart, those between versions as well.
func programSum() string {
	h := sha256.New()
	fmt.Fprintln(h, versionText())
	if path, err := os.Executable(); err == nil {
		_ = hashFile(h, path) // without it the version stands alone
	}
	return fmt.Sprintf("%x", h.Sum(nil)[:6])
}

func (s *resumeStore) use(key string) string {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.used = append(s.used, s.prefix+key)
	return filepath.Join(s.dir, s.prefix+key)
}

// Get returns a value that was kept whole.
func (s *resumeStore) Get(key string) ([]byte, bool) {
	data, err := os.ReadFile(s.use(key))
	if err != nil || len(data) < sha256.Size {
		return nil, false
	}
	sum := sha256.Sum256(data[sha256.Size:])
	return data[sha256.Size:], bytes.Equal(sum[:], data[:sha256.Size])
}

// Put keeps a value; one that cannot be written is computed again another time.
func (s *resumeStore) Put(key string, value []byte) {
	sum := sha256.Sum256(value)
	f, err := os.CreateTemp(s.dir, partialPrefix)
	if err != nil {
		return
	}
	_, err = f.Write(sum[:])
	if err == nil {
		_, err = f.Write(value)
	}
	if e := f.Close(); err == nil {
		err = e
	}
	if err == nil {
		err = os.Rename(f.Name(), s.use(key))
	}
	if err != nil {
		os.Remove(f.Name())
	}
}

// prune takes away what the run did not use, so that the folder holds what
// belongs to the result beside it.
func (s *resumeStore) prune() {
	entries, err := os.ReadDir(s.dir)
	if err != nil {
		return
	}
	for _, en := range entries {
		if !slices.Contains(s.used, en.Name()) {
			os.Remove(filepath.Join(s.dir, en.Name()))
		}
	}
}

// noteReused says what was taken up.
func (e *env) noteReused(r *study.Result) {
	var parts []string
	for _, f := range r.Fields {
		var stages []string
		for _, stage := range f.Reused {
			stages = append(stages, string(stage))
		}
		if len(stages) > 0 {
			parts = append(parts, f.Name+" ("+strings.Join(stages, ", ")+")")
		}
	}
	if len(parts) > 0 {
		e.note("taken up from an earlier run: %s", strings.Join(parts, "; "))
	}
}
