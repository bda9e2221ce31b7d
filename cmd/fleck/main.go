// Command fleck finds what a surface treatment leaves behind, in
// energy-dispersive X-ray spectra and count cubes of a scanning electron
// microscope. It is thin: it reads flags and files, calls the library and prints.
// "fleck help" lists the commands.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	// After the first signal the default comes back: a second one ends at once.
	context.AfterFunc(ctx, stop)
	os.Exit(run(ctx, os.Args, os.Stdin, os.Stdout, os.Stderr))
}
