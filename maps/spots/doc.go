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
// MarkSubstrate takes out compounds that blank fields show as often. FieldMean sees
// deposits that no spot shows; Screen lines nobody asked for; Stability what the beam
// does; Associate whether spots lie on a feature; Combine joins two beam energies.
//
// Phases. Where the substrate has several constituents that 5 × 5 pixels can tell
// apart (FindPhases), s0 is that of the phase a pixel lies in, from blank fields or
// from the field itself. A constituent that holds the target's own line is no phase
// unless the blank fields show it.
//
// Uneven fields. A field whose spectrum differs from place to place by itself
// (grains of other compounds, oxide, facets, phases too alike to be told) departs
// from the model, so that the height of a spot has no known law there. The search tests
// blocks of pixels for evenness, leaves odd ones out of the substrate, and asks the target's own line, with
// the lines and the continuum beside it free, to stand out by itself at as many places
// as are odd.
//
// Measured (the tests behind the build tag study print the tables with their standard
// errors). Power against the Neyman–Pearson test that knows spectra, width and
// strength, where that finds about 80 %, at equal 5 % false alarms per field, 64 × 64
// pixels of 20 to 200 counts, nine spots of silica on aluminium, place, width and
// strength unknown: small spots (1 px) 97 to 100 % with the substrate from a blank field
// of equal size and 96 to 100 % with that of the field itself; large ones (2.5 px)
// 90 to 95 % and 82 to 92 %; 88 to 98 % with a blank where the own line must be
// significant at 5 % as well. A map of the own line alone gives 87 to 93 % and 80 to 95 %.
// On two phases: 93 to 100 % with those of a blank, 81 to 100 % with those of the
// field, 31 to 40 % as if there were one.
// Fields without target: 3 to 7 % alarms at alpha = 0.05 with a blank field and 1 to 5 %
// without, over shading, facets, shifts of the axis, drift, growing carbon, two phases,
// and grains of alumina, oxide, salt and carbon (1000 fields of 32 × 32 pixels each).
// False discoveries in mixed fields: 2 to 4 % at q = 0.05, 6 to 7 % at q = 0.10.
//
// Field mean (FieldMean), silica on aluminium, fields of 2e5 counts, a deposit that no
// spot shows, at the dose where an oracle finds 90 % at 5 % false alarms. One treated
// field against 3, 5, 10, 20, 40 blank ones: found 50, 69, 80, 84, 86 % where the oracle
// knows both spectra, 57, 76, 82, 85, 87 % where it knows that of the blank by the
// same fields (± 1 %); three against ten: 74 % and 82 %. Spheres of 30 nm by
// transport on 10 nm of gold, 5 keV, one field against ten: 85 % where the
// oracle has all lines but the own one free as well, 47 % where it may take oxygen for silica.
// Fields without deposit: 2 to 6 % alarms (nominal 5, 10 kinds of difference between
// fields, 2000 sets of fields each), the fewer the fewer blank fields there are.
// Limits of a deposit hold it in 94 to 97 %. With a blank field as substrate the
// search for spots raises an alarm in 13 ± 2 % of such fields with a deposit
// (5 ± 1 % without), which says that target is there, not where; with the field's own
// substrate in 5 ± 1 %.
//
// Names of spots of 1000 excess counts, 10 keV, templates by transport, truth by
// transport with another elastic cross section, its yields, coating, size and shape
// drawn: none of 300 was wrong. Silica and silicone, and compounds that differ in
// carbon alone, cannot be told where carbon is a line of free strength.
//
// The standard uncertainties of place and excess counts are right within about
// 15 %; spots next to the decision threshold are listed when chance favours them,
// so that their excess is too high by about half a standard uncertainty.
package spots
