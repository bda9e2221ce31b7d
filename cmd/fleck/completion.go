package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/urfave/cli/v2"
)

func completionCommand(e *env) *cli.Command {
	return &cli.Command{
		Name:      "completion",
		Usage:     "print the completion of commands and flags for a shell",
		UsageText: "fleck completion bash|zsh|fish",
		Description: `Examples:
  source <(fleck completion bash)
  fleck completion zsh > ~/.zfunc/_fleck
  fleck completion fish > ~/.config/fish/completions/fleck.fish`,
		Action: e.action(func(_ context.Context, c *cli.Context) error {
			shell, err := oneFile(c, "bash, zsh or fish")
			if err != nil {
				return err
			}
			script := map[string]func([]*cli.Command) string{"bash": bashCompletion, "zsh": zshCompletion, "fish": fishCompletion}[shell]
			if script == nil {
				return usage("no completion for %q; bash, zsh and fish are known", shell)
			}
			text := script(e.app.Commands)
			e.printf("%s", text)
			e.answer.Set("text", text)
			return nil
		}),
	}
}

// completed lists what may follow a command beside files.
func completed(c *cli.Command) []string {
	var out []string
	for _, f := range c.Flags {
		out = append(out, "--"+f.Names()[0])
	}
	switch c.Name {
	case "help":
		return append(out, "codes", "cubes", "detector", "materials")
	case "completion":
		return append(out, "bash", "zsh", "fish")
	}
	return append(out, "--help")
}

// usageLine is the text of a flag without the marks of its placeholder.
func usageLine(f cli.Flag) string {
	if d, ok := f.(cli.DocGenerationFlag); ok {
		return strings.ReplaceAll(d.GetUsage(), "`", "")
	}
	return ""
}

func bashCompletion(commands []*cli.Command) string {
	var names []string
	var cases strings.Builder
	for _, c := range commands {
		names = append(names, c.Name)
		fmt.Fprintf(&cases, "    %s) words=\"%s\" ;;\n", c.Name, strings.Join(completed(c), " "))
	}
	return fmt.Sprintf(`# bash completion of fleck
_fleck() {
  local cur="${COMP_WORDS[COMP_CWORD]}" words=""
  if [ "$COMP_CWORD" -eq 1 ]; then
    COMPREPLY=($(compgen -W "%s" -- "$cur"))
    return
  fi
  case "${COMP_WORDS[1]}" in
%s  esac
  case "$cur" in
    -*) COMPREPLY=($(compgen -W "$words" -- "$cur")) ;;
    *) COMPREPLY=($(compgen -W "${words//--*([a-z-])/}" -- "$cur") $(compgen -f -- "$cur")) ;;
  esac
}
shopt -s extglob
complete -o filenames -F _fleck fleck
`, strings.Join(names, " "), cases.String())
}

func zshCompletion(commands []*cli.Command) string {
	quote := strings.NewReplacer("'", "", "[", "(", "]", ")", ":", " ", `"`, "").Replace
	var list, cases strings.Builder
	for _, c := range commands {
		fmt.Fprintf(&list, "    '%s:%s'\n", c.Name, quote(c.Usage))
		fmt.Fprintf(&cases, "    %s) _arguments", c.Name)
		for _, f := range c.Flags {
			end := ""
			if !isBool(f) {
				end = ": :_files"
			}
			if repeats(f) {
				fmt.Fprintf(&cases, " \\\n      '*--%s[%s]%s'", f.Names()[0], quote(usageLine(f)), end)
			} else {
				fmt.Fprintf(&cases, " \\\n      '--%s[%s]%s'", f.Names()[0], quote(usageLine(f)), end)
			}
		}
		switch c.Name {
		case "help":
			cases.WriteString(" '1:topic:(codes cubes detector materials)' ;;\n")
		case "completion":
			cases.WriteString(" '1:shell:(bash zsh fish)' ;;\n")
		default:
			cases.WriteString(" '*:file:_files' ;;\n")
		}
	}
	return fmt.Sprintf(`#compdef fleck
# zsh completion of fleck
_fleck() {
  local -a commands
  commands=(
%s  )
  if (( CURRENT == 2 )); then
    _describe command commands
    return
  fi
  local cmd=$words[2]
  shift words
  (( CURRENT-- ))
  case $cmd in
%s  esac
}
if [ "$funcstack[1]" = "_fleck" ]; then
  _fleck "$@"
else
  compdef _fleck fleck
fi
`, list.String(), cases.String())
}

func fishCompletion(commands []*cli.Command) string {
	quote := strings.NewReplacer(`\`, `\\`, "'", `\'`).Replace
	var b strings.Builder
	b.WriteString("# fish completion of fleck\n")
	for _, c := range commands {
		fmt.Fprintf(&b, "complete -c fleck -n __fish_use_subcommand -f -a %s -d '%s'\n", c.Name, quote(c.Usage))
	}
	for _, c := range commands {
		for _, f := range c.Flags {
			value := " -r"
			if isBool(f) {
				value = ""
			}
			fmt.Fprintf(&b, "complete -c fleck -n '__fish_seen_subcommand_from %s' -l %s%s -d '%s'\n", c.Name, f.Names()[0], value, quote(usageLine(f)))
		}
		for _, w := range completed(c) {
			if !strings.HasPrefix(w, "-") {
				fmt.Fprintf(&b, "complete -c fleck -n '__fish_seen_subcommand_from %s' -f -a %s\n", c.Name, w)
			}
		}
	}
	return b.String()
}
