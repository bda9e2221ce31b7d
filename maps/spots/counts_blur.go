package spots

import "math"

// gaussWindow returns one half of a Gaussian with standard deviation sd, cut at three
// of them, from its middle, and the sum of both halves.
func gaussWindow(sd float64) (k []float64, sum float64) {
	k = make([]float64, int(math.Ceil(3*sd))+1)
	for i := range k {
		k[i] = math.Exp(-float64(i*i) / (2 * sd * sd))
		sum += k[i]
		if i > 0 {
			sum += k[i]
		}
	}
	return k, sum
}

// blur convolves v with a Gaussian of unit sum and standard deviation sd, cut
// at three of them; nothing lies beyond the frame.
//
// Every value is the sum k0·v0 + k1·v(−1) + k1·v(+1) + k2·v(−2) + …, in this
// order. Four neighbours are summed side by side: the additions of one sum wait
// for each other, those of four do not.
func blur(v []float64, w, h int, sd float64) {
	k, t := gaussWindow(sd)
	r := len(k) - 1
	// Lines with r zeros at either end: a zero adds nothing, so that no sum has to
	// look for the frame.
	line := make([]float64, w+2*r)
	for y := range h {
		row := v[y*w : y*w+w]
		copy(line[r:], row)
		blurLine(row, line, k, t)
	}
	const columns = 4
	block := make([]float64, (h+2*r)*columns)
	x := 0
	for ; x+columns <= w; x += columns {
		for y := range h {
			copy(block[(r+y)*columns:], v[y*w+x:y*w+x+columns])
		}
		for y := range h {
			mid := (r + y) * columns
			c := block[mid : mid+columns : mid+columns]
			s0, s1, s2, s3 := k[0]*c[0], k[0]*c[1], k[0]*c[2], k[0]*c[3]
			lo, hi := mid, mid
			for _, kd := range k[1:] {
				lo, hi = lo-columns, hi+columns
				a, b := block[lo:lo+columns:lo+columns], block[hi:hi+columns:hi+columns]
				s0 += kd * a[0]
				s1 += kd * a[1]
				s2 += kd * a[2]
				s3 += kd * a[3]
				s0 += kd * b[0]
				s1 += kd * b[1]
				s2 += kd * b[2]
				s3 += kd * b[3]
			}
			out := v[y*w+x : y*w+x+columns : y*w+x+columns]
			out[0], out[1], out[2], out[3] = s0/t, s1/t, s2/t, s3/t
		}
	}
	if x == w {
		return
	}
	line, column := make([]float64, h+2*r), make([]float64, h)
	for ; x < w; x++ {
		for y := range h {
			line[r+y] = v[y*w+x]
		}
		blurLine(column, line, k, t)
		for y := range h {
			v[y*w+x] = column[y]
		}
	}
}

// blurLine sets out to the convolution of line, which has len(k)−1 values more at
// either end, with the half kernel k of sum t.
func blurLine(out, line, k []float64, t float64) {
	r := len(k) - 1
	i := 0
	for ; i+4 <= len(out); i += 4 {
		mid := r + i
		c := line[mid : mid+4 : mid+4]
		s0, s1, s2, s3 := k[0]*c[0], k[0]*c[1], k[0]*c[2], k[0]*c[3]
		lo, hi := mid, mid
		for _, kd := range k[1:] {
			lo, hi = lo-1, hi+1
			a, b := line[lo:lo+4:lo+4], line[hi:hi+4:hi+4]
			s0 += kd * a[0]
			s1 += kd * a[1]
			s2 += kd * a[2]
			s3 += kd * a[3]
			s0 += kd * b[0]
			s1 += kd * b[1]
			s2 += kd * b[2]
			s3 += kd * b[3]
		}
		o := out[i : i+4 : i+4]
		o[0], o[1], o[2], o[3] = s0/t, s1/t, s2/t, s3/t
	}
	for ; i < len(out); i++ {
		s := k[0] * line[r+i]
		for d := 1; d <= r; d++ {
			s += k[d] * line[r+i-d]
			s += k[d] * line[r+i+d]
		}
		out[i] = s / t
	}
}
