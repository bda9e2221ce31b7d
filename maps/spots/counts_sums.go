package spots

// block is the number of neighbours that are summed side by side: the additions
// of one sum wait for each other, those of eight do not.
const block = 8

// framed is a map of w × h pixels with at least pad zeros on every side, so that no
// sum around a pixel has to look for the frame.
type framed struct {
	w, h, pad, stride int
	v                 []float64
}

func newFramed(w, h, pad int) *framed {
	// Rows are an odd number of blocks apart, which are cache lines as well: columns
	// a power of two apart would push each other out of the cache.
	stride := ((w+2*(block-1)+2*pad)/block | 1) * block
	return &framed{w: w, h: h, pad: pad, stride: stride, v: make([]float64, stride*(h+2*pad))}
}

// at returns where pixel (x, y) lies.
func (f *framed) at(x, y int) int { return (y+f.pad)*f.stride + x + f.pad }

// set copies a map.
func (f *framed) set(m []float64) {
	for y := range f.h {
		copy(f.v[f.at(0, y):], m[y*f.w:(y+1)*f.w])
	}
}

// block returns the values from index at on.
func (f *framed) block(at int) *[block]float64 { return (*[block]float64)(f.v[at:]) }

// sumRows writes the even sums along the rows of src, which has the same frame.
func (f *framed) sumRows(src *framed, k []float64) {
	for y := range f.h {
		for x := 0; x < f.w; x += block {
			at := f.at(x, y)
			evenSums(f.block(at), src.v, at, 1, k)
		}
	}
}

// evenSums sets out[i] to k0·v + k1·(v(−1) + v(+1)) + k2·(v(−2) + v(+2)) + … about the
// value v of index at+i; neighbours are step apart.
func evenSums(out *[block]float64, v []float64, at, step int, k []float64) {
	c, k0 := (*[block]float64)(v[at:]), k[0]
	s0, s1, s2, s3, s4, s5, s6, s7 := k0*c[0], k0*c[1], k0*c[2], k0*c[3], k0*c[4], k0*c[5], k0*c[6], k0*c[7]
	lo, hi := at, at
	for _, kd := range k[1:] {
		lo, hi = lo-step, hi+step
		a, b := v[lo:lo+block:lo+block], v[hi:hi+block:hi+block]
		s0 += kd * (b[0] + a[0])
		s1 += kd * (b[1] + a[1])
		s2 += kd * (b[2] + a[2])
		s3 += kd * (b[3] + a[3])
		s4 += kd * (b[4] + a[4])
		s5 += kd * (b[5] + a[5])
		s6 += kd * (b[6] + a[6])
		s7 += kd * (b[7] + a[7])
	}
	*out = [...]float64{s0, s1, s2, s3, s4, s5, s6, s7}
}

// oddSums sets out[i] to k1·(v(+1) − v(−1)) + k2·(v(+2) − v(−2)) + …
func oddSums(out *[block]float64, v []float64, at, step int, k []float64) {
	var s0, s1, s2, s3, s4, s5, s6, s7 float64
	lo, hi := at, at
	for _, kd := range k[1:] {
		lo, hi = lo-step, hi+step
		a, b := v[lo:lo+block:lo+block], v[hi:hi+block:hi+block]
		s0 += kd * (b[0] - a[0])
		s1 += kd * (b[1] - a[1])
		s2 += kd * (b[2] - a[2])
		s3 += kd * (b[3] - a[3])
		s4 += kd * (b[4] - a[4])
		s5 += kd * (b[5] - a[5])
		s6 += kd * (b[6] - a[6])
		s7 += kd * (b[7] - a[7])
	}
	*out = [...]float64{s0, s1, s2, s3, s4, s5, s6, s7}
}
