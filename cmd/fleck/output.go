package main

import (
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
)

// checkOutput refuses an output file that exists, unless --force, and one that
// is an input. It looks before the work is done.
func (e *env) checkOutput(path string) error {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		dir := filepath.Dir(path)
		if d, err := os.Stat(dir); err != nil || !d.IsDir() {
			return failed(codeNotWritable, path, "there is no folder %s to write into", dir)
		}
		return nil
	case err != nil:
		return failed(codeNotWritable, path, "%w", bare(err))
	case info.IsDir():
		return failed(codeNotWritable, path, "is a folder; expected the name of a file")
	}
	for _, in := range e.inputs {
		if other, err := os.Stat(in.path); err == nil && os.SameFile(info, other) {
			return usage("%s is an input; inputs are never replaced", path)
		}
	}
	if !e.force {
		return failed(codeExists, path, "exists already; --force replaces it")
	}
	return nil
}

// writeFile writes a file under a temporary name and gives it its own when it
// is complete; on failure nothing is left.
func (e *env) writeFile(path string, write func(io.Writer) error) error {
	if err := e.checkOutput(path); err != nil {
		return err
	}
	return replaceFile(path, write)
}

// replaceFile is writeFile without the check.
func replaceFile(path string, write func(io.Writer) error) (err error) {
	f, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".partial-*")
	if err != nil {
		return failed(codeNotWritable, path, "cannot be written: %w", bare(err))
	}
	defer func() {
		if err != nil {
			f.Close()
			os.Remove(f.Name())
		}
	}()
	if err := write(f); err != nil {
		var p *fs.PathError
		if errors.As(err, &p) {
			return failed(codeNotWritable, path, "cannot be written: %w", p.Err)
		}
		return err
	}
	if err := f.Chmod(0o644); err != nil {
		return failed(codeNotWritable, path, "cannot be written: %w", bare(err))
	}
	if err := f.Close(); err != nil {
		return failed(codeNotWritable, path, "cannot be written: %w", bare(err))
	}
	if err := os.Rename(f.Name(), path); err != nil {
		return failed(codeNotWritable, path, "cannot be written: %w", err)
	}
	return nil
}
