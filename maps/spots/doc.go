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
// MarkSubstrate takes out compounds that blank fields show as often.
//
// Measured (64 × 64 pixels, 20 to 200 counts per pixel, silica on aluminium,
// place, width and strength unknown; the tests behind the build tag study print
// the tables). Power against the Neyman–Pearson test that knows width and
// strength, at equal 5 % false alarms per field: 92 to 98 % with the substrate
// from a blank field of equal size, 86 to 100 % with that of the field itself. Fields
// without spots, strongly shaded: 3 to 6.5 % alarms at alpha = 0.05. False
// discoveries at q = 0.05: 1 to 6 %. Wrong names among compounds that were offered,
// their light lines off by 15 %: none of 1040 names. A compound that was not
// offered was taken for one that was in up to 14 % of its spots (silicon for silica,
// at twice the detection limit): offer whatever may be there, the bare element of the
// target's line first of all.
//
// The standard uncertainties of place and excess counts are right within about
// 30 %; spots next to the decision threshold are listed when chance favours them,
// so that their excess is too high by about half a standard uncertainty.
//
// Not covered: a substrate whose spectrum differs from place to place beyond
// Options.Nuisance, such as grains of several phases (the spots found then include
// those that look like the target against the mean), and drift between blank and
// field that Result.BlankP does not show.
package spots
