package main

import (
	"slices"
	"strings"

	"github.com/urfave/cli/v2"
)

// arrange puts the arguments into the order that the parser needs: command,
// flags, "--", files. It finds unknown and repeated flags and missing values on
// the way, where a message can still name them as they were written. The name
// is that of the command, "" where none is known yet.
func arrange(commands []*cli.Command, args []string) (name string, ordered []string, err error) {
	global := globalFlags()
	var early []string // global flags before the command
	i := 0
	for i < len(args) && strings.HasPrefix(args[i], "-") {
		name, _, joined := splitFlag(args[i])
		switch {
		case name == "help" || name == "h":
			return "", nil, nil // without arguments the program shows its help
		case name == "version" || name == "v":
			return "", args[i : i+1], nil
		case findFlag(global, name) == nil:
			return "", nil, usage("unknown flag %s before the command%s", args[i], didYouMean(suggestFlag(global, name)))
		}
		early = append(early, args[i])
		if !isBool(findFlag(global, name)) && !joined && i+1 < len(args) {
			i++
			early = append(early, args[i])
		}
		i++
	}
	if i == len(args) {
		if len(early) > 0 {
			return "", nil, usage("no command given")
		}
		return "", nil, nil
	}
	var cmd *cli.Command
	var names []string
	for _, c := range commands {
		names = append(names, c.Name)
		if c.Name == args[i] {
			cmd = c
		}
	}
	if cmd == nil {
		return "", nil, usage("unknown command %q%s", args[i], didYouMean(nearest(args[i], names)))
	}
	flags, files, err := sortArguments(cmd, append(early, args[i+1:]...))
	if err != nil {
		return cmd.Name, nil, err
	}
	ordered = append([]string{cmd.Name}, flags...)
	return cmd.Name, append(append(ordered, "--"), files...), nil
}

// sortArguments separates the flags, with their values, from the files. Where
// help is asked for, nothing else counts: the parser would take a file for the
// subject of the help.
func sortArguments(cmd *cli.Command, args []string) (flags, files []string, err error) {
	seen := map[string]bool{}
	all := append(slices.Clone(cmd.Flags), cli.HelpFlag)
	for i := 0; i < len(args); i++ {
		a := args[i]
		if a == "--" {
			return flags, append(files, args[i+1:]...), nil
		}
		if len(a) < 2 || a[0] != '-' {
			files = append(files, a)
			continue
		}
		name, value, joined := splitFlag(a)
		f := findFlag(all, name)
		switch {
		case f == nil && looksNegative(a):
			files = append(files, a)
			continue
		case f == nil:
			return nil, nil, usage("unknown flag %s%s", a, didYouMean(suggestFlag(all, name)))
		case f == cli.HelpFlag:
			return []string{"--help"}, nil, nil
		case isBool(f):
			if joined && value != "true" && value != "false" {
				return nil, nil, usage("flag --%s takes no value, found %q", name, value)
			}
			flags = append(flags, a)
			continue
		case seen[f.Names()[0]] && !repeats(f):
			return nil, nil, usage("flag --%s is given twice", name)
		}
		seen[f.Names()[0]] = true
		if !joined {
			if i+1 == len(args) {
				return nil, nil, usage("flag --%s needs a value", name)
			}
			i++
			value = args[i]
			if next, _, _ := splitFlag(value); strings.HasPrefix(value, "--") && findFlag(all, next) != nil {
				return nil, nil, usage("flag --%s needs a value, found the flag %s", name, value)
			}
		}
		if value == "" {
			return nil, nil, usage("flag --%s needs a value, found an empty one", name)
		}
		flags = append(flags, "--"+name+"="+value)
	}
	return flags, files, nil
}

// splitFlag returns the name of a flag and the value joined to it with "=".
func splitFlag(a string) (name, value string, joined bool) {
	return strings.Cut(strings.TrimLeft(a, "-"), "=")
}

func findFlag(flags []cli.Flag, name string) cli.Flag {
	for _, f := range flags {
		if slices.Contains(f.Names(), name) {
			return f
		}
	}
	return nil
}

func isBool(f cli.Flag) bool {
	_, ok := f.(*cli.BoolFlag)
	return ok
}

func repeats(f cli.Flag) bool {
	_, ok := f.(*cli.StringSliceFlag)
	return ok
}

// looksNegative reports whether a is a number below zero and no flag.
func looksNegative(a string) bool { return len(a) > 1 && (a[1] >= '0' && a[1] <= '9' || a[1] == '.') }

func suggestFlag(flags []cli.Flag, name string) string {
	var names []string
	for _, f := range flags {
		names = append(names, f.Names()[0])
	}
	if s := nearest(name, names); s != "" {
		return "--" + s
	}
	return ""
}

// wantsJSON reports whether --json is among the arguments, for errors that
// come before the flags are read.
func wantsJSON(args []string) bool {
	for _, a := range args {
		switch a {
		case "--":
			return false
		case "--json", "-json", "--json=true":
			return true
		}
	}
	return false
}
