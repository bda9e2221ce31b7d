package main

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"example.org/fleck/maps/record"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// Names in an output folder.
const (
	markerName = "fleck.json"  // says whose folder it is
	resultName = "result.json" // the answer of the command; see answerFile
)

// resumeName is the folder within an output folder that keeps what a study has
// computed, so that it can go on after an interruption. It can be deleted at any
// time.
const resumeName = ".resume"

// partialPrefix begins the name of the folder where files wait until all are
// complete.
const partialPrefix = ".partial-"

// marker is the content of fleck.json.
type marker struct {
	Format   int      `json:"fleck_format"`
	Version  string   `json:"version"`
	Command  string   `json:"command"`
	Settings string   `json:"settings_hash"`
	Complete bool     `json:"complete"`
	Files    []string `json:"files"`
}

// outputFolder collects the files of a command and puts them into place
// together.
type outputFolder struct {
	dir     string
	partial string   // where files wait
	made    []string // folders that were created, the outermost first
	mark    marker
	old     []string // files of an earlier run, to be taken away
	files   []string
	done    bool
}

// settingsHash is the digest of what decides the content of a folder: command,
// settings and inputs.
func (e *env) settingsHash() (string, error) {
	o := record.Of("command", e.command, "seed", e.seed, "settings", e.settings, "inputs", record.List(e.inputs))
	data, err := record.Document(o)
	if err != nil {
		return "", err
	}
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:]), nil
}

// openFolder prepares an output folder. complete reports that an earlier run
// with the same settings has filled it already. Without a name there is none: out
// is nil.
func (e *env) openFolder(dir string) (out *outputFolder, complete bool, err error) {
	if dir == "" {
		return nil, false, nil
	}
	hash, err := e.settingsHash()
	if err != nil {
		return nil, false, err
	}
	out = &outputFolder{dir: dir, mark: marker{Format: format, Version: versionText(), Command: e.command, Settings: hash}}
	entries, err := os.ReadDir(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		if info, statErr := os.Stat(dir); statErr == nil && !info.IsDir() {
			return nil, false, failed(codeNotWritable, dir, "is a file; expected a folder")
		}
		return nil, false, failed(codeNotWritable, dir, "%w", bare(err))
	default:
		if complete, err = out.judge(entries, e.force); err != nil || complete {
			return nil, complete, err
		}
	}
	if err := out.create(); err != nil {
		out.discard()
		return nil, false, err
	}
	return out, false, nil
}

// judge decides what an existing folder is.
func (out *outputFolder) judge(entries []fs.DirEntry, force bool) (complete bool, err error) {
	entries = slices.DeleteFunc(entries, func(en fs.DirEntry) bool {
		return strings.HasPrefix(en.Name(), partialPrefix) || en.Name() == resumeName
	})
	if len(entries) == 0 {
		return false, nil
	}
	data, err := os.ReadFile(filepath.Join(out.dir, markerName))
	if errors.Is(err, fs.ErrNotExist) {
		return false, failed(codeNotEmpty, out.dir, "the folder holds other files (%s, …) and no %s; choose an empty or a new folder", entries[0].Name(), markerName)
	}
	if err != nil {
		return false, failed(codeNotWritable, out.dir, "%w", bare(err))
	}
	var old marker
	if err := json.Unmarshal(data, &old); err != nil || old.Format < 1 {
		return false, failed(codeNotEmpty, out.dir, "%s in the folder is not readable as the mark of an output folder; choose another folder", markerName)
	}
	switch {
	case old.Format > format:
		return false, failed(codeNewerFormat, out.dir, "the folder was written by a newer version of fleck (fleck_format %d, this one reads up to %d)", old.Format, format)
	case force:
	case old.Settings != out.mark.Settings || old.Version != out.mark.Version || old.Command != out.mark.Command:
		what := "other settings or inputs"
		if old.Command != out.mark.Command {
			what = "the command " + old.Command
		} else if old.Version != out.mark.Version {
			what = "version " + old.Version
		}
		return false, failed(codeOtherSettings, out.dir, "the folder belongs to a run with %s; --force replaces its files", what)
	case old.Complete && out.present(old.Files):
		return true, nil
	}
	out.old = old.Files
	return false, nil
}

// present reports whether all files are there.
func (out *outputFolder) present(files []string) bool {
	for _, f := range files {
		if _, err := os.Stat(filepath.Join(out.dir, f)); err != nil {
			return false
		}
	}
	return true
}

// create makes the folder and the one where files wait.
func (out *outputFolder) create() error {
	var missing []string
	for d := filepath.Clean(out.dir); ; d = filepath.Dir(d) {
		if _, err := os.Stat(d); err == nil || d == filepath.Dir(d) {
			break
		}
		missing = append(missing, d)
	}
	slices.Reverse(missing)
	for _, d := range missing {
		if err := os.Mkdir(d, 0o755); err != nil {
			return failed(codeNotWritable, out.dir, "the folder cannot be made: %w", bare(err))
		}
		out.made = append(out.made, d)
	}
	partial, err := os.MkdirTemp(out.dir, partialPrefix)
	if err != nil {
		return failed(codeNotWritable, out.dir, "the folder cannot be written into: %w", bare(err))
	}
	out.partial = partial
	return nil
}

// write adds a file.
func (out *outputFolder) write(name string, write func(io.Writer) error) error {
	if err := replaceFile(filepath.Join(out.partial, name), write); err != nil {
		return err
	}
	out.files = append(out.files, name)
	return nil
}

// discard takes away what is not complete. It is for defer: after commit it
// does nothing.
func (out *outputFolder) discard() {
	if out == nil || out.done {
		return
	}
	if out.partial != "" {
		os.RemoveAll(out.partial)
	}
	for _, d := range slices.Backward(out.made) {
		os.Remove(d)
	}
}

// commit puts the files into place, the mark last.
func (out *outputFolder) commit() error {
	slices.Sort(out.files)
	out.mark.Files = out.files
	if err := out.writeMark(); err != nil {
		return err
	}
	for _, f := range out.old {
		if filepath.IsLocal(f) && !slices.Contains(out.files, f) && f != markerName {
			os.Remove(filepath.Join(out.dir, f))
			if sub := filepath.Dir(filepath.FromSlash(f)); sub != "." {
				os.Remove(filepath.Join(out.dir, sub)) // goes when it is empty
			}
		}
	}
	for _, f := range out.files {
		if sub := filepath.Dir(filepath.FromSlash(f)); sub != "." {
			if err := os.MkdirAll(filepath.Join(out.dir, sub), 0o755); err != nil {
				return failed(codeNotWritable, out.dir, "%w", bare(err))
			}
		}
		if err := os.Rename(filepath.Join(out.partial, f), filepath.Join(out.dir, f)); err != nil {
			return failed(codeNotWritable, out.dir, "%w", err)
		}
	}
	out.mark.Complete = true
	if err := out.writeMark(); err != nil {
		return err
	}
	out.done = true
	return os.RemoveAll(out.partial)
}

func (out *outputFolder) writeMark() error {
	data, err := record.Document(out.mark)
	if err != nil {
		return err
	}
	return replaceFile(filepath.Join(out.dir, markerName), func(w io.Writer) error {
		_, err := w.Write(data)
		return err
	})
}

// finishFolder adds the answer to the folder and puts everything into place.
func (e *env) finishFolder(out *outputFolder) error {
	data, err := e.encode()
	if err != nil {
		return err
	}
	if err := out.write(answerFile(e.command), func(w io.Writer) error { _, err := w.Write(data); return err }); err != nil {
		return err
	}
	return out.commit()
}

// answerFromFolder makes the answer of the earlier run the answer of this one.
func (e *env) answerFromFolder(dir string) error {
	data, err := os.ReadFile(filepath.Join(dir, answerFile(e.command)))
	if err != nil {
		return failed(codeFailed, dir, "the result of the earlier run cannot be read: %w", bare(err))
	}
	e.raw = data
	e.note("%s is complete already, with the same settings, inputs and version; --force makes it again", dir)
	e.printf("%s\n", filepath.Join(dir, answerFile(e.command)))
	return nil
}
