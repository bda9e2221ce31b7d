// Package spots finds, sizes and names spots of a target compound in a count
// cube.
//
// Model. The counts n_pc of pixel p and channel c, given the total T_p of the
// pixel, follow
//
//	mu_pc = T_p·[(1−f_p)·s0(c) + f_p·s1(c)]
//
// with s0 the spectrum of the substrate, s1 that of a thin particle of the
// target compound, both of sum 1 over the channels used, and f_p = f·k(p−x) for a
// spot at x with a round Gaussian profile k of unit peak, averaged over the
// area of a pixel. Conditioning on T_p makes the test blind to shading and
// topography as far as they scale the whole spectrum.
//
// Counts stay counts: nothing is smoothed, subtracted or reduced before a
// decision. Positions are in pixels from the centre of pixel (0, 0), x to the
// right, y down.
//
// Find is the search with compound templates in a cube; FindCounts the search
// in a single count map, which can size spots but cannot name them.
package spots
