package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"slices"
	"strings"

	"example.org/fleck/maps/record"
	"github.com/urfave/cli/v2"
)

// Exit codes.
const (
	exitDone   = 0
	exitFailed = 1
	exitUsage  = 2
)

// run is the whole program: arguments in, text out, exit code back.
func run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	e := &env{stdin: stdin, stdout: stdout, stderr: stderr}
	app := &cli.App{
		Name:                      "fleck",
		HelpName:                  "fleck",
		Usage:                     "element maps and spots from X-ray spectra and count cubes",
		Version:                   versionText(),
		Writer:                    stdout,
		ErrWriter:                 stderr,
		Reader:                    stdin,
		HideHelpCommand:           true,
		DisableSliceFlagSeparator: true,
		CustomAppHelpTemplate:     appHelp,
		ExitErrHandler:            func(*cli.Context, error) {},
		Action:                    func(c *cli.Context) error { return cli.ShowAppHelp(c) },
		Commands:                  commands(e),
	}
	e.app = app
	if len(args) > 0 {
		args = args[1:]
	}
	e.json = wantsJSON(args)
	name, ordered, err := arrange(app.Commands, args)
	e.command = name
	if e.json {
		app.Writer = &e.text // of help and version, which no command answers
	}
	if err == nil {
		err = app.RunContext(ctx, append([]string{"fleck"}, ordered...))
	}
	if err == nil && e.json && !e.replied {
		e.answer.Set("text", e.text.String())
		err = e.reply()
	}
	return e.finish(err)
}

// commands lists the commands in the order of the work.
func commands(e *env) []*cli.Command {
	list := []*cli.Command{
		inspectCommand(e), linesCommand(e), identifyCommand(e), fitCommand(e),
		predictCommand(e), quantifyCommand(e),
		mapCommand(e), spotsCommand(e), compareCommand(e),
		planCommand(e), simulateCommand(e), studyCommand(e), demoCommand(e), convertCommand(e),
		completionCommand(e), helpCommand(e),
	}
	for _, c := range list {
		c.Flags = append(c.Flags, globalFlags()...)
		c.HideHelpCommand = true
		c.CustomHelpTemplate = commandHelp
		c.OnUsageError = func(_ *cli.Context, err error, _ bool) error { return usage("%w", err) }
	}
	return list
}

// env is one run of the program: streams, global settings, and what the command
// has to say.
type env struct {
	app            *cli.App
	stdin          io.Reader
	stdout, stderr io.Writer

	command            string
	json, quiet, force bool
	workers            int
	seed               uint64

	text     bytes.Buffer  // the answer in words, for stdout
	answer   record.Object // the answer for --json
	raw      []byte        // an answer stored by an earlier run, instead of answer
	settings record.Object
	inputs   []*inputFile
	fields   []string // the inputs that are measurements of a field
	warnings []string
	bar      progress
	replied  bool // the answer is written
}

// action wraps what a command does: global flags first, the answer last.
func (e *env) action(do func(ctx context.Context, c *cli.Context) error) cli.ActionFunc {
	return func(c *cli.Context) error {
		e.command = c.Command.Name
		if err := e.readGlobal(c); err != nil {
			return err
		}
		e.bar = newProgress(e.stderr, e.quiet)
		err := do(c.Context, c)
		e.bar.clear()
		if err == nil && c.Context.Err() != nil {
			err = c.Context.Err()
		}
		if err != nil {
			return err
		}
		return e.reply()
	}
}

// printf adds to the answer in words.
func (e *env) printf(format string, args ...any) { fmt.Fprintf(&e.text, format, args...) }

// warn keeps a warning for the answer and shows it, once.
func (e *env) warn(format string, args ...any) {
	text := plain(strings.TrimSpace(fmt.Sprintf(format, args...)))
	if slices.Contains(e.warnings, text) {
		return
	}
	e.warnings = append(e.warnings, text)
	if !e.quiet {
		e.bar.clear()
		fmt.Fprintf(e.stderr, "fleck %s: warning: %s\n", e.command, text)
	}
}

// note tells the user about the course of things.
func (e *env) note(format string, args ...any) {
	if !e.quiet {
		e.bar.clear()
		fmt.Fprintf(e.stderr, "fleck %s: %s\n", e.command, fmt.Sprintf(format, args...))
	}
}

// reply writes the answer to stdout.
func (e *env) reply() error {
	e.replied = true
	out := e.text.Bytes()
	if e.json {
		out = e.raw
		if out == nil {
			var err error
			if out, err = e.encode(); err != nil {
				return err
			}
		}
	}
	if _, err := e.stdout.Write(out); err != nil {
		return fmt.Errorf("standard output: %w", err)
	}
	return nil
}

// finish reports an error, if there is one, and returns the exit code.
func (e *env) finish(err error) int {
	if err == nil {
		return exitDone
	}
	e.bar.clear()
	f := classify(err)
	name := "fleck"
	if e.command != "" {
		name += " " + e.command
	}
	fmt.Fprintf(e.stderr, "%s: %s\n", name, f.Error())
	if f.exit == exitUsage && e.command != "" {
		fmt.Fprintf(e.stderr, "See: fleck %s --help\n", e.command)
	} else if f.exit == exitUsage {
		fmt.Fprintln(e.stderr, "See: fleck --help")
	}
	if e.json {
		if out, err := f.encode(); err == nil {
			e.stdout.Write(out)
		}
	}
	return f.exit
}

// interruptible runs do, which knows no context, and stops waiting for it when
// ctx ends.
func interruptible[T any](ctx context.Context, do func() (T, error)) (T, error) {
	type outcome struct {
		v   T
		err error
	}
	done := make(chan outcome, 1)
	go func() {
		v, err := do()
		done <- outcome{v, err}
	}()
	select {
	case o := <-done:
		return o.v, o.err
	case <-ctx.Done():
		var zero T
		return zero, ctx.Err()
	}
}
