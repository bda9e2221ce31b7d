package maps

// Verdict says what a spot is taken for.
type Verdict string

// Verdicts of a spot.
const (
	TargetVerdict Verdict = "target"         // the target compound
	OtherCompound Verdict = "other_compound" // named in Spot.Compound
	Artefact      Verdict = "artefact"       // pile-up, escape, …
	SubstrateSpot Verdict = "substrate"      // belongs to the substrate: occurs in blanks too
	CannotTell    Verdict = "cannot_tell"    // evidence does not separate the candidates
)

// Spot is one detected spot of a field. Positions are in pixels from the
// centre of pixel (0, 0) and in micrometres from the upper left corner of the
// field; micrometre values are NaN when the pixel size is unknown.
type Spot struct {
	ID                 int
	XPx, YPx           float64
	SigmaXPx, SigmaYPx float64 // standard uncertainty of the position
	XUm, YUm           float64
	WidthPx            float64 // standard deviation of the fitted round Gaussian profile, px
	AreaPx             float64 // pixels of the spot above half its local maximum
	AreaUm2            float64
	DiameterUm         float64 // equivalent circle diameter of the area without blur; NaN if Unresolved
	DiameterHighUm     float64 // 95 % upper limit of the diameter of a spot of one profile, else NaN
	Unresolved         bool    // not wider than the smallest profile searched
	ExcessCounts       float64 // counts of the whole template in excess of the substrate
	ExcessSigma        float64
	ExcessLow          float64 // 95 % interval of ExcessCounts
	ExcessHigh         float64
	LineCounts         float64 // of these in the target's own family
	LineSigma          float64
	LogLikelihood      float64 // log-likelihood ratio of the spot at its best place, size and strength
	PValue             float64 // of the local maximum, from pooled null heights
	QValue             float64 // Benjamini–Hochberg
	Verdict            Verdict
	Compound           string             // compound named by the verdict, "" if none
	Evidence           map[string]float64 // candidate → log-likelihood below the best candidate (0 = best)
	Reason             string             // one sentence
	Target             string             // the compound searched for
	Doubt              string             // what forbids a name however well one compound fits, "" if nothing
	Touches            bool               // touches the frame of the field
}
