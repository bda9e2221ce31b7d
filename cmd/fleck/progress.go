package main

import (
	"fmt"
	"io"
	"os"
	"sync"
	"time"
)

// progress shows one line on a terminal. The zero value shows nothing.
type progress struct {
	s *progressState
}

type progressState struct {
	mu    sync.Mutex
	w     io.Writer
	last  time.Time
	shown bool
}

// progressInterval is the least time between two changes of the line.
const progressInterval = 100 * time.Millisecond

// newProgress returns a progress line on w if w is a terminal.
func newProgress(w io.Writer, quiet bool) progress {
	f, ok := w.(*os.File)
	if !ok || quiet {
		return progress{}
	}
	if info, err := f.Stat(); err != nil || info.Mode()&os.ModeCharDevice == 0 {
		return progress{}
	}
	return progress{&progressState{w: w}}
}

// of returns the function that library calls report to, nil when nothing is
// shown.
func (p progress) of(what string) func(done, total int) {
	if p.s == nil {
		return nil
	}
	return func(done, total int) {
		p.s.mu.Lock()
		defer p.s.mu.Unlock()
		now := time.Now()
		if total <= 0 || now.Sub(p.s.last) < progressInterval {
			return
		}
		p.s.last, p.s.shown = now, true
		fmt.Fprintf(p.s.w, "\r\x1b[K%s %3d %%", what, 100*done/total)
	}
}

// say shows a step that reports no progress of its own.
func (p progress) say(what string) {
	if p.s == nil {
		return
	}
	p.s.mu.Lock()
	defer p.s.mu.Unlock()
	p.s.shown = true
	fmt.Fprintf(p.s.w, "\r\x1b[K%s …", what)
}

// clear takes the line away.
func (p progress) clear() {
	if p.s == nil {
		return
	}
	p.s.mu.Lock()
	defer p.s.mu.Unlock()
	if p.s.shown {
		fmt.Fprint(p.s.w, "\r\x1b[K")
		p.s.shown = false
	}
}
