package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"example.org/fleck/maps/record"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
)

// inputFile is a file that the answer rests on. Its digest is taken when the
// answer is encoded, so that answers in words cost no second reading.
type inputFile struct {
	path string
	data []byte // the content where it is in memory
	also func() []string
	sum  string // of the file once it was taken
}

// MarshalJSON writes path and SHA-256.
func (f *inputFile) MarshalJSON() ([]byte, error) {
	sum, err := f.digest()
	if err != nil {
		return nil, err
	}
	o := record.Of("file", f.path, "sha256", sum)
	if f.also != nil {
		var parts []record.Object
		for _, p := range f.also() {
			s, err := (&inputFile{path: p}).digest()
			if err != nil {
				return nil, err
			}
			parts = append(parts, record.Of("file", p, "sha256", s))
		}
		if parts != nil {
			o.Set("parts", parts)
		}
	}
	return json.Marshal(o)
}

// digest returns the SHA-256 of a file, of a folder that of the names and
// digests of its files.
func (f *inputFile) digest() (string, error) {
	if f.sum != "" {
		return f.sum, nil
	}
	var err error
	f.sum, err = f.takeDigest()
	return f.sum, err
}

func (f *inputFile) takeDigest() (string, error) {
	h := sha256.New()
	if f.data != nil {
		h.Write(f.data)
		return hex.EncodeToString(h.Sum(nil)), nil
	}
	info, err := os.Stat(f.path)
	if err != nil {
		return "", err
	}
	if !info.IsDir() {
		err = hashFile(h, f.path)
		return hex.EncodeToString(h.Sum(nil)), err
	}
	entries, err := os.ReadDir(f.path)
	if err != nil {
		return "", err
	}
	for _, en := range entries {
		if !en.Type().IsRegular() {
			continue
		}
		one := sha256.New()
		if err := hashFile(one, filepath.Join(f.path, en.Name())); err != nil {
			return "", err
		}
		fmt.Fprintf(h, "%s  %s\n", hex.EncodeToString(one.Sum(nil)), en.Name())
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

func hashFile(h hash.Hash, path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	_, err = io.Copy(h, f)
	return err
}

// recorder is a folder that remembers which of its files were opened: a header
// can lead to the file that holds the data.
type recorder struct {
	fs.FS
	dir    string
	opened []string
}

// Open opens a file below the folder.
func (r *recorder) Open(name string) (fs.File, error) {
	f, err := r.FS.Open(name)
	if err == nil && !slices.Contains(r.opened, name) {
		r.opened = append(r.opened, name)
	}
	return f, err
}

// ReadDir lists a folder.
func (r *recorder) ReadDir(name string) ([]fs.DirEntry, error) { return fs.ReadDir(r.FS, name) }

// Stat returns what is known of a file without opening it.
func (r *recorder) Stat(name string) (fs.FileInfo, error) { return fs.Stat(r.FS, name) }

// newRecorder returns the folder of path and the name of path in it.
func newRecorder(path string) (*recorder, string) {
	clean := filepath.Clean(path)
	dir, name := filepath.Split(clean)
	if name == "." || name == ".." || name == "" {
		if abs, err := filepath.Abs(clean); err == nil {
			dir, name = filepath.Split(abs)
		}
	}
	if dir == "" {
		dir = "."
	}
	return &recorder{FS: os.DirFS(dir), dir: dir}, name
}

// kind is what a file is by its first bytes.
type kind int

const (
	kindText   kind = iota
	kindArray       // NRRD or NPY, perhaps compressed
	kindImage       // TIFF or PNG
	kindFolder      // one spectrum per file
	kindBinary      // anything else
)

var magic = []struct {
	bytes string
	kind  kind
}{
	{"NRRD", kindArray}, {"\x93NUMPY", kindArray}, {"\x1f\x8b", kindArray}, {"\x28\xb5\x2f\xfd", kindArray},
	{"\x89PNG", kindImage}, {"II*\x00", kindImage}, {"MM\x00*", kindImage},
}

// sniff looks at the first bytes of a file. An empty file is an error.
func sniff(path string) (kind, error) {
	info, err := os.Stat(path)
	if err != nil {
		return 0, inFile(path, bare(err))
	}
	if info.IsDir() {
		return kindFolder, nil
	}
	if !info.Mode().IsRegular() {
		return 0, failed(codeFailed, path, "not a regular file")
	}
	f, err := os.Open(path)
	if err != nil {
		return 0, inFile(path, bare(err))
	}
	defer f.Close()
	head := make([]byte, 4096)
	n, err := io.ReadFull(f, head)
	if err != nil && !errors.Is(err, io.ErrUnexpectedEOF) && err != io.EOF {
		return 0, inFile(path, bare(err))
	}
	head = head[:n]
	if n == 0 {
		return 0, failed(codeEmptyFile, path, "the file is empty (0 bytes)")
	}
	for _, m := range magic {
		if bytes.HasPrefix(head, []byte(m.bytes)) {
			return m.kind, nil
		}
	}
	if bytes.IndexByte(head, 0) >= 0 {
		return kindBinary, nil
	}
	return kindText, nil
}

// bare takes the operation and the path off an error of the system.
func bare(err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}

// maxText bounds the size of text files read whole: 2^20 points with 64 bytes
// each are the limit of the readers, headers come on top.
const maxText = 128 << 20

// readText reads a text file whole and records it as input; "-" is standard
// input.
func (e *env) readText(path string) ([]byte, error) {
	var r io.Reader = e.stdin
	if path != "-" {
		f, err := os.Open(path)
		if err != nil {
			return nil, inFile(path, bare(err))
		}
		defer f.Close()
		r = f
	}
	data, err := io.ReadAll(io.LimitReader(r, maxText+1))
	switch {
	case err != nil:
		return nil, inFile(path, bare(err))
	case len(data) > maxText:
		return nil, failed(codeTooLarge, path, "text of more than %d MiB", maxText>>20)
	case len(data) == 0:
		return nil, failed(codeEmptyFile, path, "the file is empty (0 bytes)")
	}
	e.addInput(&inputFile{path: path, data: data})
	return data, nil
}

// digestOf returns the digest of an input that was recorded; where its header led
// to other files, that of all their digests.
func (e *env) digestOf(path string) (string, error) {
	for _, f := range e.inputs {
		if f.path != path {
			continue
		}
		sum, err := f.digest()
		if err != nil || f.also == nil || len(f.also()) == 0 {
			return sum, err
		}
		h := sha256.New()
		fmt.Fprintln(h, sum)
		for _, p := range f.also() {
			part, err := (&inputFile{path: p}).digest()
			if err != nil {
				return "", err
			}
			fmt.Fprintln(h, part)
		}
		return hex.EncodeToString(h.Sum(nil)), nil
	}
	return "", nil
}

// digestOfAll is the digest of one input, or that of the digests of several.
func (e *env) digestOfAll(paths []string) (string, error) {
	if len(paths) == 1 {
		return e.digestOf(paths[0])
	}
	h := sha256.New()
	for _, p := range paths {
		sum, err := e.digestOf(p)
		if err != nil {
			return "", err
		}
		fmt.Fprintln(h, sum)
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

// addMeasurement notes that an input is a measurement of a field, and refuses one that
// is there already, under the same name or as a copy: it would count twice.
func (e *env) addMeasurement(path string) error {
	info, err := os.Stat(path)
	if err != nil {
		return inFile(path, bare(err))
	}
	for _, o := range e.fields {
		other, err := os.Stat(o)
		if err != nil {
			return inFile(o, bare(err))
		}
		same := os.SameFile(info, other)
		if !same && !info.IsDir() && info.Size() == other.Size() {
			a, err := e.digestOf(path)
			if err != nil {
				return inFile(path, bare(err))
			}
			b, err := e.digestOf(o)
			if err != nil {
				return inFile(o, bare(err))
			}
			same = a != "" && a == b
		}
		if same {
			return failed(codeFailed, path, "holds the same measurement as %s, which would count twice; accepted is each measurement once", o)
		}
	}
	e.fields = append(e.fields, path)
	return nil
}

// addInput records an input once.
func (e *env) addInput(f *inputFile) {
	for _, o := range e.inputs {
		if o.path == f.path {
			return
		}
	}
	e.inputs = append(e.inputs, f)
}
