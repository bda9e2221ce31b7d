package main

import (
	"bytes"
	"io"
	"os"
	"path"
	"path/filepath"
	"runtime"
	"strings"

	"example.org/fleck/maps/compare"
	"example.org/fleck/maps/record"
	"example.org/fleck/maps/study"
)

// answerName is the file of a study's folder that holds the command's answer;
// result.json is the library's own.
const answerName = "answer.json"

// reportName is the page of a study's folder.
const reportName = "index.html"

// Create adds a file to the folder, in a folder of its own where the name has
// one; closing it commits it. It makes the folder a study.Sink.
func (out *outputFolder) Create(name string) (io.WriteCloser, error) {
	if !filepath.IsLocal(filepath.FromSlash(name)) {
		return nil, failed(codeNotWritable, out.dir, "the name %q leaves the folder", name)
	}
	return &pendingFile{out: out, name: name}, nil
}

// pendingFile holds the bytes of one file until it is closed.
type pendingFile struct {
	bytes.Buffer
	out  *outputFolder
	name string
}

func (p *pendingFile) Close() error {
	if sub := path.Dir(p.name); sub != "." {
		if err := os.MkdirAll(filepath.Join(p.out.partial, filepath.FromSlash(sub)), 0o755); err != nil {
			return failed(codeNotWritable, p.out.dir, "%w", bare(err))
		}
	}
	return p.out.write(p.name, func(w io.Writer) error { _, err := w.Write(p.Bytes()); return err })
}

// writeReport writes the files and the page of a study.
func (e *env) writeReport(out *outputFolder, r *study.Result, c *compare.Result, invented, repeat string) error {
	r.Comparison = c
	opt := study.WriteOptions{Command: e.command, Version: versionText(), Platform: runtime.GOOS + "/" + runtime.GOARCH + " " + runtime.Version(),
		Invented: invented, Repeat: repeat, Warnings: e.warnings}
	for _, m := range e.settings {
		s := study.Setting{Key: m.Key, Origin: study.FromDefault}
		for _, part := range m.Value.(record.Object) {
			switch part.Key {
			case "value":
				s.Value = part.Value
			case "origin":
				s.Origin = study.Origin(part.Value.(origin))
			}
		}
		opt.Settings = append(opt.Settings, s)
	}
	e.bar.say("writing figures and tables")
	if err := study.Write(r, out, opt); err != nil {
		return inFile(out.dir, err)
	}
	page := filepath.Join(out.dir, reportName)
	e.answer.Set("out", out.dir)
	e.answer.Set("report", page)
	e.printf("\nwritten to %s; open %s\n", out.dir, page)
	return nil
}

// answerFile is the name of the file that holds a command's answer.
func answerFile(command string) string {
	if strings.HasPrefix(command, "study") || strings.HasPrefix(command, "demo") {
		return answerName
	}
	return resultName
}
