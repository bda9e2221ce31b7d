//go:build ignore

// Testsummary reads the output of "go test -json" and prints what go test
// itself would print: the line of each package and the output of tests that
// failed. After that it lists the tests that were skipped, with the reason.
package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"os"
	"strings"
)

type event struct {
	Action, Package, ImportPath, Test, Output string
}

func main() {
	in := bufio.NewReader(os.Stdin)
	output := map[string][]string{} // of one test, until it ends
	var skipped []string
	passed, failed := 0, 0
	for {
		line, err := in.ReadString('\n')
		if line == "" && err != nil {
			break
		}
		var e event
		if json.Unmarshal([]byte(line), &e) != nil {
			fmt.Print(line)
			continue
		}
		key := e.Package + " " + e.Test
		switch e.Action {
		case "output", "build-output":
			if strings.HasPrefix(e.Output, "=== ") {
				continue
			}
			if e.Test != "" {
				output[key] = append(output[key], e.Output)
			} else if e.Output != "PASS\n" {
				fmt.Print(e.Output)
			}
		case "pass", "fail", "skip":
			if e.Test == "" {
				continue // the package
			}
			switch e.Action {
			case "pass":
				passed++
			case "fail":
				failed++
				fmt.Print(strings.Join(output[key], ""))
			case "skip":
				skipped = append(skipped, strings.TrimPrefix(key, "example.org/fleck/")+": "+reason(output[key]))
			}
			delete(output, key)
		}
	}
	// Tests that neither passed nor failed: the package died.
	for key, text := range output {
		fmt.Printf("unfinished: %s\n%s", key, strings.Join(text, ""))
	}
	fmt.Printf("%d tests passed, %d failed, %d skipped, subtests counted\n", passed, failed, len(skipped))
	for _, s := range skipped {
		fmt.Println("skipped:", s)
	}
	if passed == 0 {
		fmt.Println("no test ran")
		os.Exit(1)
	}
}

// reason takes what a skipped test said from its output.
func reason(text []string) string {
	var words []string
	for _, l := range text {
		l = strings.TrimSpace(l)
		if l != "" && !strings.HasPrefix(l, "---") {
			words = append(words, l)
		}
	}
	return strings.Join(words, " ")
}
