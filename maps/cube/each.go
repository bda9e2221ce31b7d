package cube

import (
	"context"
	"errors"
	"fmt"
	"io"
	"runtime"
	"sync"
)

// Each calls a function for every row of src. One reader feeds the rows in
// order to the workers; newWorker is called once per worker and returns its
// function, so that every worker owns its scratch memory. Row y goes to exactly
// one worker, which must be the only writer of that row's results; the slice
// row, [x][c], is valid only during the call.
//
// workers 0 means all cores. progress, which may be nil, is called after each
// finished row, never by two goroutines at once. When a row fails, the rows
// before it are still finished and the error of the lowest failing row is
// returned, the same for any number of workers. ctx is looked at before each row.
func Each(ctx context.Context, src Source, workers int, newWorker func() func(y int, row []uint32) error, progress func(done, total int)) error {
	h := src.Header()
	if err := h.Check(); err != nil {
		return err
	}
	if workers <= 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	workers = min(workers, h.Height)
	rows, err := src.Rows()
	if err != nil {
		return err
	}
	defer closeRows(rows)

	type job struct {
		y   int
		row []uint32
	}
	jobs := make(chan job)
	free := make(chan []uint32, workers+1)
	for range workers + 1 {
		free <- make([]uint32, h.RowLen())
	}
	var (
		mu     sync.Mutex
		done   int
		failed = h.Height + 1 // lowest failing row
		first  error
	)
	fail := func(y int, err error) {
		mu.Lock()
		defer mu.Unlock()
		if y < failed {
			failed, first = y, err
		}
	}
	failedBefore := func(y int) bool {
		mu.Lock()
		defer mu.Unlock()
		return failed < y
	}
	var wg sync.WaitGroup
	for range workers {
		work := newWorker()
		wg.Go(func() {
			for j := range jobs {
				// Rows are handed out in order, so every row below a failed one is
				// already with a worker and only higher rows are skipped.
				if !failedBefore(j.y) {
					if err := work(j.y, j.row); err != nil {
						fail(j.y, err)
					} else if progress != nil {
						mu.Lock()
						done++
						progress(done, h.Height)
						mu.Unlock()
					}
				}
				free <- j.row
			}
		})
	}
	for y := 0; y < h.Height && !failedBefore(y); y++ {
		if err := ctx.Err(); err != nil {
			fail(y, fmt.Errorf("cube: stopped before row %d of %d: %w", y, h.Height, err))
			break
		}
		row := <-free
		if err := rows.ReadRow(row); err != nil {
			if errors.Is(err, io.EOF) {
				err = earlyEnd(y, h.Height)
			}
			fail(y, err)
			break
		}
		jobs <- job{y, row}
	}
	close(jobs)
	wg.Wait()
	if first == nil {
		// The end carries checksums and surplus bytes.
		if err := rows.ReadRow(<-free); err == nil {
			first = fmt.Errorf("cube: rows go on after row %d, the last", h.Height-1)
		} else if !errors.Is(err, io.EOF) {
			first = err
		}
	}
	return first
}

// earlyEnd is the error of data that end inside row y.
func earlyEnd(y, height int) error {
	return fmt.Errorf("cube: %w", &shortError{"row", y, height})
}

// shortError is io.ErrUnexpectedEOF with the number of rows or frames that are whole.
type shortError struct {
	what     string
	whole, n int
}

func (e *shortError) Error() string {
	return fmt.Sprintf("the file ends early: %d of %d %ss are whole", e.whole, e.n, e.what)
}

func (e *shortError) Unwrap() error { return io.ErrUnexpectedEOF }
