package main

import (
	"fmt"
	"os"
	"testing"
)

// The program reads files relative to the top folder of the module.
func TestMain(m *testing.M) {
	if err := os.Chdir("../.."); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	os.Exit(m.Run())
}

func Example() {
	main()
	// Output:
	// Al K: 4361 ± 79 net counts
	// Si K: 627 ± 39 net counts
	// deviance 1.0, 27.1 expected
}
