// Package layout holds no code. Its test reads every Go file of the module and
// checks the layout: which room may import which, which outside modules stand
// where, and what library packages never do (print, exit, read the clock, open
// paths, keep global state). The rules stand in rules_test.go.
package layout
