package spots

import "gonum.org/v1/gonum/dsp/fourier"

// transform is the two-dimensional Fourier transform of real tiles of nx × ny
// pixels. It is used by one goroutine.
type transform struct {
	nx, ny, hx int // hx = nx/2+1 columns of the half spectrum
	row        *fourier.FFT
	col        *fourier.CmplxFFT
	line       []float64
	half       []complex128
	a, b       []complex128
}

func newTransform(nx, ny int) *transform {
	return &transform{
		nx: nx, ny: ny, hx: nx/2 + 1,
		row: fourier.NewFFT(nx), col: fourier.NewCmplxFFT(ny),
		line: make([]float64, nx), half: make([]complex128, nx/2+1),
		a: make([]complex128, ny), b: make([]complex128, ny),
	}
}

// forward writes the half spectrum of src (ny rows of nx) to dst, stored
// column by column: dst[i·ny+j] is frequency (i, j).
func (t *transform) forward(dst []complex128, src []float64) {
	for y := range t.ny {
		t.row.Coefficients(t.half, src[y*t.nx:(y+1)*t.nx])
		for i, v := range t.half {
			dst[i*t.ny+y] = v
		}
	}
	for i := range t.hx {
		c := dst[i*t.ny : (i+1)*t.ny]
		copy(t.a, c)
		t.col.Coefficients(c, t.a)
	}
}

// inverse undoes forward; spec is overwritten.
func (t *transform) inverse(dst []float64, spec []complex128) {
	for i := range t.hx {
		c := spec[i*t.ny : (i+1)*t.ny]
		copy(t.a, c)
		t.col.Sequence(c, t.a)
	}
	scale := 1 / float64(t.nx*t.ny)
	for y := range t.ny {
		for i := range t.half {
			t.half[i] = spec[i*t.ny+y]
		}
		t.row.Sequence(t.line, t.half)
		for x, v := range t.line {
			dst[y*t.nx+x] = v * scale
		}
	}
}

// goodSize returns the smallest even number ≥ n without prime factors above 5.
func goodSize(n int) int {
	for m := n + n%2; ; m += 2 {
		r := m
		for _, p := range []int{2, 3, 5} {
			for r%p == 0 {
				r /= p
			}
		}
		if r == 1 {
			return m
		}
	}
}
