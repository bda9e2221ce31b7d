// Package cube reads and writes count cubes as streams of pixel rows, and
// count maps that were made elsewhere.
//
// A cube holds the counts of a spectrum image. It is indexed [y][x][c]: y down
// the image, x to the right, c the channel, channel varying fastest; the
// linear index is (y·W + x)·C + c. Counts are whole numbers from 0 to 2³²−1.
// Positions in messages count from 0.
//
// A cube may hold frames, complete scans of the field one after the other. It is read
// as their sum; Options.Frames and File.FrameSum select some, Halves gives the first and
// the second half. The frames are the slowest axis: f,y,x,c in a NumPy array of four
// axes (taken so only where the last axis is the longest; state Options.Axes for
// others), the axis labelled frame or of the kind time in NRRD, a fourth size of a
// headerless cube. Sums are made a block of rows at a time; of compressed files, which
// cannot be read at any place, in memory below a stated bound. A Series adds up several
// cubes of one field in the same way.
//
// Open recognises a file by its first bytes, never by its name: NRRD with the
// data attached or detached (encodings raw and gzip), NPY versions 1 to 3, any
// of these inside gzip or zstd, and a folder of one spectrum file per pixel.
// What has no known first bytes is headerless and must be described completely
// in Options. Rows come out in order whatever the order of the axes in the
// file: files whose rows lie one after the other are streamed, others are read
// through io.ReaderAt in blocks of rows, or, when that is not possible
// (compressed files), loaded whole below a stated bound.
//
// Sizes are checked against the length of the file and against Options.MaxBytes
// before memory is taken. A wrong statement about the data (byte order, axis
// order) is warned about and never corrected.
//
// Each runs a function over all rows on several cores and SumSpectra makes the
// sum spectrum; both give the same bits for any number of workers.
//
// Sources: the NRRD format description (teem.sourceforge.net/nrrd/format.html),
// the NPY format description of NumPy (numpy.lib.format), TIFF 6.0 (1992), PNG
// 1.2 (1999). Not implemented: NRRD encodings ascii, hex and bzip2, NPZ
// archives, structured and complex arrays.
package cube
