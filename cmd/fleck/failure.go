package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path/filepath"
	"strings"

	"example.org/fleck/maps/cube"
	"example.org/fleck/maps/record"
	"example.org/fleck/maps/spots"
	"example.org/fleck/maps/study"
	"example.org/fleck/spectra/msa"
	"example.org/fleck/spectra/xray"
)

// failure is an error with the code that scripts branch on.
type failure struct {
	code string
	exit int
	file string // "" if no file is concerned
	line int    // 0 if no line is concerned
	err  error
}

func (f *failure) Error() string {
	text := plain(f.err.Error())
	if f.file != "" && (len(f.file) < 3 || !strings.Contains(text, f.file)) {
		return f.file + ": " + strings.TrimPrefix(text, filepath.Base(f.file)+": ")
	}
	return text
}

func (f *failure) Unwrap() error { return f.err }

// plain takes what only programmers say out of the text of an error.
func plain(text string) string { return record.Reason(text) }

// Codes of failures. They are stable: scripts rely on them.
const (
	codeUsage         = "usage"
	codeElement       = "unknown_element"
	codeLine          = "unknown_line"
	codeMaterial      = "bad_material"
	codeNotFound      = "not_found"
	codeNotPermitted  = "not_permitted"
	codeEmptyFile     = "empty_file"
	codeNotSpectrum   = "not_a_spectrum"
	codeNotCube       = "not_a_cube"
	codeTruncated     = "truncated"
	codeNoData        = "no_data"
	codeBadNumber     = "bad_number"
	codeBadAxis       = "bad_energy_axis"
	codeBadFile       = "bad_file"
	codeBadCounts     = "bad_counts"
	codeSize          = "size_mismatch"
	codeTooLarge      = "too_large"
	codeNewerFormat   = "newer_format"
	codeNoEnergyAxis  = "no_energy_axis"
	codeNoBeamEnergy  = "no_beam_energy"
	codeInseparable   = "inseparable"
	codeExists        = "exists"
	codeNotEmpty      = "not_empty"
	codeOtherSettings = "other_settings"
	codeNotWritable   = "not_writable"
	codeInterrupted   = "interrupted"
	codeFailed        = "failed"
)

// failureCodes explains every code, for "fleck help codes".
var failureCodes = []struct {
	code string
	exit int
	text string
}{
	{codeUsage, exitUsage, "unknown command or flag, missing or contradicting arguments, value out of range"},
	{codeElement, exitUsage, "no element with that symbol"},
	{codeLine, exitUsage, "no line or line family with that name"},
	{codeMaterial, exitUsage, "a material that cannot be read or states too little"},
	{codeNotFound, exitFailed, "no such file or folder"},
	{codeNotPermitted, exitFailed, "the file may not be read"},
	{codeEmptyFile, exitFailed, "the file holds nothing"},
	{codeNotSpectrum, exitFailed, "the file is of another kind than a spectrum"},
	{codeNotCube, exitFailed, "the file is of another kind than a count cube or count map"},
	{codeTruncated, exitFailed, "the file ends early"},
	{codeNoData, exitFailed, "the file holds no values"},
	{codeBadNumber, exitFailed, "a number that cannot be read"},
	{codeBadAxis, exitFailed, "an energy axis that is no energy or not equally spaced"},
	{codeBadFile, exitFailed, "a file whose text or header cannot be read"},
	{codeBadCounts, exitFailed, "counts that are negative, not whole or not numbers where they must be"},
	{codeSize, exitFailed, "length of the file and stated size disagree"},
	{codeTooLarge, exitFailed, "the data take more memory than allowed"},
	{codeNewerFormat, exitFailed, "written by a newer version of fleck"},
	{codeNoEnergyAxis, exitFailed, "no energy axis known; state --energy-first and --energy-step"},
	{codeNoBeamEnergy, exitFailed, "no beam energy known; state --beam"},
	{codeInseparable, exitFailed, "target and substrate cannot be told apart"},
	{codeExists, exitFailed, "the output exists already; --force replaces it"},
	{codeNotEmpty, exitFailed, "the output folder holds other files"},
	{codeOtherSettings, exitFailed, "the output folder belongs to a run with other settings; --force replaces it"},
	{codeNotWritable, exitFailed, "the output cannot be written"},
	{codeInterrupted, exitFailed, "stopped by the user"},
	{codeFailed, exitFailed, "anything else; the message says what"},
}

// usage returns an error about how the program was called.
func usage(format string, args ...any) error {
	return &failure{code: codeUsage, exit: exitUsage, err: fmt.Errorf(format, args...)}
}

// wrong returns an error about an argument, with its own code.
func wrong(code, format string, args ...any) error {
	return &failure{code: code, exit: exitUsage, err: fmt.Errorf(format, args...)}
}

// failed returns an error of the work itself; file may be "".
func failed(code, file, format string, args ...any) error {
	return &failure{code: code, exit: exitFailed, file: file, err: fmt.Errorf(format, args...)}
}

// inFile names the file that err is about.
func inFile(file string, err error) error {
	if err == nil {
		return nil
	}
	f := *classify(err)
	if f.file == "" {
		f.file = file
	}
	return &f
}

// causes maps errors of the library to codes; the first match counts.
var causes = []struct {
	err  error
	code string
}{
	{context.Canceled, codeInterrupted},
	{context.DeadlineExceeded, codeInterrupted},
	{fs.ErrNotExist, codeNotFound},
	{fs.ErrPermission, codeNotPermitted},
	{msa.ErrNotSpectrum, codeNotSpectrum},
	{msa.ErrTruncated, codeTruncated},
	{msa.ErrNoData, codeNoData},
	{msa.ErrNumber, codeBadNumber},
	{msa.ErrDecimalComma, codeBadNumber},
	{msa.ErrUnit, codeBadAxis},
	{msa.ErrSpacing, codeBadAxis},
	{msa.ErrNewerFormat, codeNewerFormat},
	{study.ErrNewerFormat, codeNewerFormat},
	{msa.ErrTooLarge, codeTooLarge},
	{cube.ErrTooLarge, codeTooLarge},
	{cube.ErrNoValues, codeNoData},
	{spots.ErrInseparable, codeInseparable},
	{io.ErrUnexpectedEOF, codeTruncated},
}

// classify turns any error into a failure.
func classify(err error) *failure {
	var f *failure
	if errors.As(err, &f) {
		if err == error(f) {
			return f
		}
		outer := *f // what was wrapped around it names the place
		outer.err = err
		return &outer
	}
	f = &failure{code: codeFailed, exit: exitFailed, err: err}
	var inMSA *msa.ParseError
	var inCube *cube.ParseError
	var size *cube.SizeError
	var syntax *xray.SyntaxError
	var inStudy *study.FileError
	switch {
	case errors.As(err, &inStudy):
		f.code, f.line = codeBadFile, inStudy.Line
	case errors.As(err, &inMSA):
		f.code, f.line = codeBadFile, inMSA.Line
	case errors.As(err, &inCube):
		f.code, f.line = codeBadFile, inCube.Line
	case errors.As(err, &size):
		f.code = codeSize
	case errors.As(err, &syntax):
		f.code, f.exit = codeMaterial, exitUsage
	}
	for _, c := range causes {
		if errors.Is(err, c.err) {
			f.code = c.code
			break
		}
	}
	if f.code == codeInterrupted {
		f.err = errors.New("stopped by the user; no answer was written")
	}
	return f
}

// encode returns the failure as the JSON that --json prints.
func (f *failure) encode() ([]byte, error) {
	var o record.Object
	o.Set("code", f.code)
	o.Set("message", f.Error())
	if f.file != "" {
		o.Set("file", f.file)
	} else {
		o.Set("file", nil)
	}
	if f.line > 0 {
		o.Set("line", f.line)
	} else {
		o.Set("line", nil)
	}
	return record.Document(record.Of("error", o))
}
