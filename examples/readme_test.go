// Package examples holds small programs, one per folder, whose output is
// checked. Its own test checks what README.md shows: the shell session is run
// and its output compared, and the Go snippet is part of the program in fit.
package examples

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

const top = ".."

// block returns the text of the fenced blocks of README.md with the given word
// after the fence.
func blocks(t *testing.T, word string) []string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(top, "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	rest := string(b)
	for {
		_, after, ok := strings.Cut(rest, "\n```"+word+"\n")
		if !ok {
			break
		}
		text, next, ok := strings.Cut(after, "```\n")
		if !ok {
			t.Fatalf("README.md: a block %q does not end", word)
		}
		out = append(out, text)
		rest = next
	}
	if len(out) == 0 {
		t.Fatalf("README.md: no block %q", word)
	}
	return out
}

// TestSession runs every line of README.md that starts with "$ fleck" and
// compares what it prints on standard output with the lines below it. A line
// "..." stands for lines left out.
func TestSession(t *testing.T) {
	bin := filepath.Join(t.TempDir(), "fleck")
	build := exec.Command("go", "build", "-o", bin, "./cmd/fleck")
	build.Dir = top
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("go build: %v\n%s", err, out)
	}
	ran := 0
	for _, text := range blocks(t, "console") {
		for _, part := range strings.Split("\n"+text, "\n$ ")[1:] {
			line, want, _ := strings.Cut(part, "\n")
			args := fields(line)
			if args[0] != "fleck" {
				t.Errorf("README.md: %q: the session runs fleck only", line)
				continue
			}
			ran++
			var stdout, stderr bytes.Buffer
			run := exec.Command(bin, args[1:]...)
			run.Dir, run.Stdout, run.Stderr = top, &stdout, &stderr
			if err := run.Run(); err != nil {
				t.Errorf("%s: %v\n%s", line, err, stderr.String())
				continue
			}
			if !matches(stdout.String(), want) {
				t.Errorf("%s\ngot:\n%s\nREADME.md shows:\n%s", line, stdout.String(), want)
			}
		}
	}
	if ran == 0 {
		t.Error("README.md: no line that runs fleck")
	}
}

// fields splits a command line at blanks outside double quotes.
func fields(line string) []string {
	var out []string
	for i, part := range strings.Split(line, `"`) {
		if i%2 == 1 {
			out = append(out, part)
			continue
		}
		out = append(out, strings.Fields(part)...)
	}
	return out
}

// matches reports whether got equals want but for blanks at line ends, where a
// line "..." in want stands for any number of lines.
func matches(got, want string) bool {
	clean := func(s string) []string {
		l := strings.Split(strings.TrimRight(s, "\n"), "\n")
		for i := range l {
			l[i] = strings.TrimRight(l[i], " ")
		}
		return l
	}
	var match func(g, w []string) bool
	match = func(g, w []string) bool {
		switch {
		case len(w) == 0:
			return len(g) == 0
		case w[0] == "...":
			return match(g, w[1:]) || len(g) > 0 && match(g[1:], w)
		}
		return len(g) > 0 && g[0] == w[0] && match(g[1:], w[1:])
	}
	return match(clean(got), clean(want))
}

func TestMatches(t *testing.T) {
	for _, c := range []struct {
		got, want string
		ok        bool
	}{
		{"a\nb\n", "a\nb\n", true},
		{"a\nb \n", "a\nb", true},
		{"a\nb\n", "a\n", false},
		{"a\n", "a\nb\n", false},
		{"a\nb\nc\n", "a\n...\n", true},
		{"a\nb\nc\n", "...\nc\n", true},
		{"a\nb\nc\n", "...\nb\n", false},
		{"", "a", false},
	} {
		if matches(c.got, c.want) != c.ok {
			t.Errorf("matches(%q, %q) is %v", c.got, c.want, !c.ok)
		}
	}
}

// TestSnippet checks that the Go code of README.md and its output are those of
// the program in fit, whose output its own test checks.
func TestSnippet(t *testing.T) {
	program, err := os.ReadFile("fit/main.go")
	if err != nil {
		t.Fatal(err)
	}
	output, err := os.ReadFile("fit/main_test.go")
	if err != nil {
		t.Fatal(err)
	}
	squeeze := func(s string) string { return strings.Join(strings.Fields(s), " ") }
	for _, code := range blocks(t, "go") {
		// Error handling is left out in README.md; each line must be in the program.
		for _, line := range strings.Split(code, "\n") {
			if l := squeeze(line); l != "" && !strings.Contains(squeeze(string(program)), l) {
				t.Errorf("README.md: line %q is not in examples/fit/main.go", l)
			}
		}
	}
	for _, text := range blocks(t, "text") {
		for _, line := range strings.Split(strings.TrimSpace(text), "\n") {
			if !strings.Contains(string(output), "// "+line+"\n") {
				t.Errorf("README.md: line %q is not in the checked output of examples/fit", line)
			}
		}
	}
}
