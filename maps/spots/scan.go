package spots

import (
	"math"
	"runtime"
	"sync"
	"sync/atomic"
)

// trial is one hypothesis of the scan: a width and a peak fraction of target.
type trial struct {
	width int     // index into bank.widths
	f     float64 // fraction of target in the spectrum at the centre of the spot
	log   float64 // logarithm of its weight in the average
}

// tile is the part of the field whose result one transform gives.
type tile struct {
	x0, y0, w, h int // pixels of the field
	ox, oy       int // where pixel (x0, y0) lies in the transform
}

// law says what one count, or one unit of background, in class g weighs where
// the profile of the trial has the height fk: the kernels of the scan.
type law struct {
	n      int // classes
	weight func(g int, fk float64) float64
}

// mixtureLaw is that of classes with the ratios r: ln(1 + f·k·(r−1)).
func mixtureLaw(r []float64) law {
	return law{len(r), func(g int, fk float64) float64 { return math.Log1p(fk * (r[g] - 1)) }}
}

// bank holds the transformed kernels of all trials and classes. It does not
// change after newBank and is shared.
type bank struct {
	w, h   int
	law    law
	widths []float64
	trials []trial
	nx, ny int
	tiles  []tile
	kern   [][][]float64 // [trial][class][(nx/2+1)·(ny/2+1)]
}

// maxTransform bounds the side of one transform; larger fields are cut into
// tiles, so that the kernels take the same memory for any field.
const maxTransform = 320

// cut parts an axis of n pixels into equal transforms for kernels of radius r.
func cut(n, r int) (size int, from, length, offset []int) {
	if n+r <= maxTransform {
		return goodSize(n + r), []int{0}, []int{n}, []int{0}
	}
	for parts := 2; ; parts++ {
		step := (n + parts - 1) / parts
		if step+2*r > maxTransform && step > 4*r {
			continue
		}
		size = goodSize(step + 2*r)
		for at := 0; at < n; at += step {
			from, length, offset = append(from, at), append(length, min(step, n-at)), append(offset, r)
		}
		return size, from, length, offset
	}
}

func newBank(w, h int, law law, widths []float64, trials []trial, workers int) *bank {
	b := &bank{w: w, h: h, law: law, widths: widths, trials: trials}
	r := 0
	for _, s := range widths {
		r = max(r, radiusPx(s))
	}
	nx, xs, ws, oxs := cut(w, r)
	ny, ys, hs, oys := cut(h, r)
	b.nx, b.ny = nx, ny
	for j := range ys {
		for i := range xs {
			b.tiles = append(b.tiles, tile{xs[i], ys[j], ws[i], hs[j], oxs[i], oys[j]})
		}
	}
	b.kern = make([][][]float64, len(trials))
	cx, cy := cosines(nx, r), cosines(ny, r)
	parallel(len(trials), workers, func() func(int) {
		return func(i int) { b.kern[i] = b.kernels(trials[i], cx, cy) }
	})
	return b
}

// cosines returns the cosine transform of n points for sequences that are even
// about 0 and end at r: row i holds the weights of the terms 0 … r in frequency i.
func cosines(n, r int) [][]float64 {
	out := make([][]float64, n/2+1)
	for i := range out {
		out[i] = make([]float64, r+1)
		for d := range out[i] {
			out[i][d] = 2 * math.Cos(2*math.Pi*float64(i*d%n)/float64(n))
		}
		out[i][0] = 1
	}
	return out
}

// kernels returns the transforms of one trial. The kernels are even in x and y
// and small, so that one quarter says all and sums of cosines are faster than a
// fast transform of the whole plane.
func (b *bank) kernels(tr trial, cx, cy [][]float64) [][]float64 {
	s := b.widths[tr.width]
	r := radiusPx(s)
	p := newProfile(profile{}, float64(r), float64(r), s, 2*r+1, 2*r+1)
	hx, hy := len(cx), len(cy)
	out := make([][]float64, b.law.n)
	half := make([]float64, hx*(r+1)) // transformed along x
	line := make([]float64, r+1)
	for g := range out {
		for y := range r + 1 {
			for x := range line {
				line[x] = b.law.weight(g, tr.f*p.k[(r+y)*p.w+r+x])
			}
			for i, c := range cx {
				half[i*(r+1)+y] = dot(line, c)
			}
		}
		q := make([]float64, hx*hy)
		for i := range hx {
			column := half[i*(r+1) : (i+1)*(r+1)]
			for j, c := range cy {
				q[i*hy+j] = dot(column, c)
			}
		}
		out[g] = q
	}
	return out
}

// dot returns the sum of the products of a with the first len(a) of b.
func dot(a, b []float64) float64 {
	t := 0.0
	for i, v := range a {
		t += v * b[i]
	}
	return t
}

// scanned is the outcome of one scan over a field.
type scanned struct {
	u    []float64 // logarithm of the weighted average of exp(LLR) over the trials
	best []float64 // largest LLR over the trials
	arg  []int32   // its trial
}

func newScanned(n int) *scanned {
	return &scanned{u: make([]float64, n), best: make([]float64, n), arg: make([]int32, n)}
}

// scratch is one goroutine's memory of a scan.
type scratch struct {
	t     *transform
	plane []float64
	spec  [][]complex128
	acc   []complex128
	m, s  []float64
	best  []float64
	arg   []int32
}

func (b *bank) newScratch() *scratch {
	t := newTransform(b.nx, b.ny)
	n := t.hx * b.ny
	s := &scratch{t: t, plane: make([]float64, b.nx*b.ny), acc: make([]complex128, n)}
	s.spec = make([][]complex128, b.law.n)
	for g := range s.spec {
		s.spec[g] = make([]complex128, n)
	}
	px := b.nx * b.ny
	s.m, s.s, s.best, s.arg = make([]float64, px), make([]float64, px), make([]float64, px), make([]int32, px)
	return s
}

// scan fills out for the class maps; one goroutine.
func (b *bank) scan(out *scanned, class [][]float64, s *scratch) {
	for i := range b.tiles {
		b.scanTile(out, class, i, s)
	}
}

// scanParallel is scan with the tiles shared out among workers; the bits are
// those of scan.
func (b *bank) scanParallel(out *scanned, class [][]float64, workers int) {
	parallel(len(b.tiles), workers, func() func(int) {
		s := b.newScratch()
		return func(i int) { b.scanTile(out, class, i, s) }
	})
}

func (b *bank) scanTile(out *scanned, class [][]float64, i int, s *scratch) {
	tl := b.tiles[i]
	var used []int
	for g, m := range class {
		if b.load(s.plane, m, tl) {
			s.t.forward(s.spec[g], s.plane)
			used = append(used, g)
		}
	}
	px := tl.w * tl.h
	best, arg, m, sum := s.best[:px], s.arg[:px], s.m[:px], s.s[:px]
	for p := range px {
		best[p], arg[p], m[p], sum[p] = math.Inf(-1), 0, math.Inf(-1), 0
	}
	hy := b.ny/2 + 1
	for k, tr := range b.trials {
		clear(s.acc)
		for _, g := range used {
			q := b.kern[k][g]
			for c := range s.t.hx {
				qc := q[c*hy : (c+1)*hy]
				src := s.spec[g][c*b.ny : (c+1)*b.ny]
				dst := s.acc[c*b.ny : (c+1)*b.ny]
				for j, v := range src[:hy] {
					dst[j] += complex(real(v)*qc[j], imag(v)*qc[j])
				}
				for j := hy; j < b.ny; j++ {
					v, w := src[j], qc[b.ny-j]
					dst[j] += complex(real(v)*w, imag(v)*w)
				}
			}
		}
		s.t.inverse(s.plane, s.acc)
		for y := range tl.h {
			row := s.plane[(y+tl.oy)*b.nx+tl.ox:][:tl.w]
			at := y * tl.w
			for x, v := range row {
				p := at + x
				if v > best[p] {
					best[p], arg[p] = v, int32(k)
				}
				v += tr.log
				switch d := v - m[p]; {
				case d > 0:
					sum[p] = sum[p]*math.Exp(-d) + 1
					m[p] = v
				case d > -36: // exp(−36) is below the last bit
					sum[p] += math.Exp(d)
				}
			}
		}
	}
	for y := range tl.h {
		for x := range tl.w {
			p, q := y*tl.w+x, (y+tl.y0)*b.w+x+tl.x0
			out.best[q], out.arg[q] = best[p], arg[p]
			out.u[q] = m[p] + math.Log(sum[p])
		}
	}
}

// load copies the part of map m that tile tl needs; it reports whether there
// is anything in it.
func (b *bank) load(plane, m []float64, tl tile) bool {
	clear(plane)
	any := false
	for y := range b.ny {
		fy := tl.y0 + y - tl.oy
		if fy < 0 || fy >= b.h {
			continue
		}
		for x := range b.nx {
			fx := tl.x0 + x - tl.ox
			if fx < 0 || fx >= b.w {
				continue
			}
			v := m[fy*b.w+fx]
			plane[y*b.nx+x] = v
			any = any || v != 0
		}
	}
	return any
}

// parallel runs jobs 0 … n−1 on workers goroutines (0 means all cores), each
// with its own function from start. Results must go to slots of the job.
func parallel(n, workers int, start func() func(int)) {
	if workers <= 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	workers = min(workers, n)
	if workers <= 1 {
		if n > 0 {
			run := start()
			for i := range n {
				run(i)
			}
		}
		return
	}
	var next atomic.Int64
	var wg sync.WaitGroup
	for range workers {
		wg.Go(func() {
			run := start()
			for i := int(next.Add(1)) - 1; i < n; i = int(next.Add(1)) - 1 {
				run(i)
			}
		})
	}
	wg.Wait()
}
