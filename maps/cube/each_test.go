package cube

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"
)

// randomCube returns a sparse cube with counts that follow no particular law.
func randomCube(t testing.TB, w, h, c int, typ Type, seed uint64) *Memory {
	t.Helper()
	m, err := NewMemory(Header{Width: w, Height: h, Channels: c, Type: typ})
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(seed, 1))
	for i := range m.Data {
		switch rng.IntN(20) {
		case 0:
			m.Data[i] = rng.Uint32N(typ.Max())
		case 1, 2, 3:
			m.Data[i] = rng.Uint32N(4)
		}
	}
	return m
}

func TestSumSpectraWorkers(t *testing.T) {
	m := randomCube(t, 13, 29, 41, U32, 5)
	in := make([]bool, 13*29)
	for i := range in {
		in[i] = i%3 != 0
	}
	// Straightforward sums over the linear index as the reference.
	wantSum, wantMax := make([]uint64, 41), make([]uint32, 41)
	totals := make([]float64, 13*29)
	pixels := 0
	for p := range in {
		if !in[p] {
			totals[p] = math.NaN()
			continue
		}
		pixels++
		for c := range 41 {
			n := m.Data[p*41+c]
			wantSum[c] += uint64(n)
			wantMax[c] = max(wantMax[c], n)
			totals[p] += float64(n)
		}
	}
	for _, workers := range []int{0, 1, 2, 3, 8, 100} {
		got, err := SumMasked(context.Background(), m, workers, nil, in)
		if err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(got.Sum, wantSum) || !slices.Equal(got.MaxPixel, wantMax) || got.Pixels != pixels {
			t.Errorf("workers %d: sums differ from the direct sums", workers)
		}
		for p, v := range got.PixelTotals.V {
			if math.Float64bits(v) != math.Float64bits(totals[p]) {
				t.Fatalf("workers %d: total of pixel %d is %g, want %g", workers, p, v, totals[p])
			}
		}
	}
}

func TestSumBeyond32Bits(t *testing.T) {
	m := &Memory{Head: Header{Width: 3, Height: 2, Channels: 1, Type: U32}, Data: slices.Repeat([]uint32{math.MaxUint32}, 6)}
	s, err := SumSpectra(context.Background(), m, 2, nil)
	if err != nil {
		t.Fatal(err)
	}
	if want := uint64(6) * math.MaxUint32; s.Sum[0] != want || s.Total != want {
		t.Errorf("sum %d, total %d, want %d", s.Sum[0], s.Total, want)
	}
}

func TestEachLowestError(t *testing.T) {
	m := randomCube(t, 2, 40, 3, U8, 1)
	for _, workers := range []int{1, 2, 3, 8} {
		for repeat := range 20 {
			finished := make([]atomic.Bool, 40)
			err := Each(context.Background(), m, workers, func() func(int, []uint32) error {
				return func(y int, _ []uint32) error {
					if y == 17 {
						time.Sleep(time.Duration(repeat%3) * 200 * time.Microsecond) // let higher rows fail first
					}
					if y >= 17 && y%2 == 1 {
						return fmt.Errorf("row %d is bad", y)
					}
					finished[y].Store(true)
					return nil
				}
			}, nil)
			if err == nil || err.Error() != "row 17 is bad" {
				t.Fatalf("workers %d: error %v, want that of row 17", workers, err)
			}
			for y := range 17 {
				if !finished[y].Load() {
					t.Fatalf("workers %d: row %d below the failed one was not finished", workers, y)
				}
			}
		}
	}
}

func TestEachProgressAndContext(t *testing.T) {
	m := randomCube(t, 2, 25, 3, U8, 1)
	nothing := func() func(int, []uint32) error { return func(int, []uint32) error { return nil } }
	var calls []int
	err := Each(context.Background(), m, 3, nothing, func(done, total int) {
		if total != 25 {
			t.Errorf("total %d, want 25", total)
		}
		calls = append(calls, done)
	})
	if err != nil {
		t.Fatal(err)
	}
	for i, done := range calls {
		if done != i+1 {
			t.Fatalf("progress %v does not count up", calls)
		}
	}
	if len(calls) != 25 {
		t.Errorf("%d progress calls, want 25", len(calls))
	}

	ctx, cancel := context.WithCancel(context.Background())
	err = Each(ctx, m, 2, nothing, func(done, _ int) {
		if done == 5 {
			cancel()
		}
	})
	if !errors.Is(err, context.Canceled) || !strings.Contains(err.Error(), "stopped before row") {
		t.Errorf("error %v, want context.Canceled with the row", err)
	}
}

// shortRows ends or goes on where it should not.
type shortRows struct {
	Memory
	rows int
}

func (s shortRows) Rows() (RowReader, error) { return &shortReader{s.Head, s.rows}, nil }

type shortReader struct {
	h    Header
	left int
}

func (r *shortReader) Header() Header { return r.h }
func (r *shortReader) ReadRow([]uint32) error {
	if r.left--; r.left < 0 {
		return io.EOF
	}
	return nil
}

func TestEachWrongNumberOfRows(t *testing.T) {
	m := randomCube(t, 2, 12, 3, U8, 1)
	_, err := SumSpectra(context.Background(), shortRows{*m, 10}, 2, nil)
	if !errors.Is(err, io.ErrUnexpectedEOF) || !strings.Contains(err.Error(), ": 10 of 12 rows") {
		t.Errorf("short: error %v, want unexpected EOF after 10 of 12 rows", err)
	}
	_, err = SumSpectra(context.Background(), shortRows{*m, 13}, 2, nil)
	if err == nil || !strings.Contains(err.Error(), "row 11, the last") {
		t.Errorf("long: error %v", err)
	}
}

func TestMemoryChecks(t *testing.T) {
	if _, err := (Memory{Head: Header{Width: 2, Height: 2, Channels: 2}, Data: make([]uint32, 7)}).Rows(); err == nil {
		t.Error("7 values for 8 accepted")
	}
	if _, err := NewMemory(Header{Width: math.MaxInt / 2, Height: 3, Channels: 1}); err == nil {
		t.Error("overflowing size accepted")
	}
	m := randomCube(t, 2, 2, 2, U8, 1)
	if _, err := Load(context.Background(), m, 31); err == nil || !strings.Contains(err.Error(), "32 bytes") {
		t.Errorf("bound of 31 bytes: %v", err)
	}
	got, err := Load(context.Background(), m, 32)
	if err != nil || !slices.Equal(got.Data, m.Data) {
		t.Errorf("load: %v", err)
	}
	r, _ := m.Rows()
	if err := r.ReadRow(make([]uint32, 3)); err == nil {
		t.Error("short dst accepted")
	}
}
