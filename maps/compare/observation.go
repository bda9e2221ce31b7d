package compare

import (
	"errors"
	"fmt"
	"math"

	"example.org/fleck/maps"
)

// Observation is what was found in one field.
type Observation struct {
	Field   maps.Field // Name and Coupon; an empty Coupon stands for the field itself
	AreaMm2 float64    // area looked at, mm²; > 0

	Spots         int     // spots of the target found
	ExpectedFalse float64 // of these expected by chance, from the search
	// Efficiency is the share of the spots of interest that the search finds, from
	// injected spots; 0 means not known, taken as 1 and remarked upon.
	Efficiency float64

	// SpotAreaMm2 is the area that the spots cover, mm²; NaN when unknown.
	SpotAreaMm2 float64
	// ExcessCounts are the counts of target in the field, per unit of dose where
	// fields differ in it; NaN when unknown.
	ExcessCounts float64
	ExcessSigma  float64 // standard uncertainty of ExcessCounts, 0 = not known
}

func (o Observation) check(side string, i int) error {
	where := fmt.Sprintf("compare: %s field %d (%q)", side, i, o.Field.Name)
	switch {
	case !(o.AreaMm2 > 0) || math.IsInf(o.AreaMm2, 0):
		return fmt.Errorf("%s: area %g mm²; must be above 0", where, o.AreaMm2)
	case o.Spots < 0:
		return fmt.Errorf("%s: %d spots; must be 0 or more", where, o.Spots)
	case o.ExpectedFalse < 0 || math.IsNaN(o.ExpectedFalse) || math.IsInf(o.ExpectedFalse, 0):
		return fmt.Errorf("%s: %g false spots expected; must be 0 or more", where, o.ExpectedFalse)
	case !(o.Efficiency >= 0 && o.Efficiency <= 1):
		return fmt.Errorf("%s: efficiency %g; must lie between 0 and 1", where, o.Efficiency)
	case o.SpotAreaMm2 < 0 || o.SpotAreaMm2 > o.AreaMm2:
		return fmt.Errorf("%s: spots cover %g mm² of %g mm²", where, o.SpotAreaMm2, o.AreaMm2)
	case math.IsInf(o.ExcessCounts, 0):
		return fmt.Errorf("%s: excess counts are infinite", where)
	case !(o.ExcessSigma >= 0) || math.IsInf(o.ExcessSigma, 0):
		return fmt.Errorf("%s: uncertainty of the excess counts %g; must be 0 or more", where, o.ExcessSigma)
	}
	return nil
}

// Options are the settings of Fields; the zero value works.
type Options struct {
	Level float64 // coverage of intervals and of the limit; 0 means 0.95
	Alpha float64 // error of the verdict, one-sided; 0 means 0.05
	// Paired says that every coupon was measured before and after treatment: the
	// fields of one coupon on both sides belong together.
	Paired bool
	// Draws is the number of random permutations where all of them are more than
	// 200 000; 0 means 99 999.
	Draws int
	Seed  uint64
}

func (opt Options) withDefaults() (Options, error) {
	if opt.Level == 0 {
		opt.Level = 0.95
	}
	if opt.Alpha == 0 {
		opt.Alpha = 0.05
	}
	if opt.Draws == 0 {
		opt.Draws = 99999
	}
	switch {
	case !(opt.Level > 0 && opt.Level < 1):
		return opt, fmt.Errorf("compare: level %g; must lie between 0 and 1", opt.Level)
	case !(opt.Alpha > 0 && opt.Alpha < 1):
		return opt, fmt.Errorf("compare: alpha %g; must lie between 0 and 1", opt.Alpha)
	case opt.Draws < 99:
		return opt, fmt.Errorf("compare: %d permutations; at least 99 are needed", opt.Draws)
	}
	return opt, nil
}

// unit is one replicate: a coupon with its fields added up, or a field.
type unit struct {
	name     string
	area     float64
	spots    int
	covered  float64
	excess   float64
	variance float64 // of excess, from counting alone
}

// coupons adds the fields up per coupon, in the order of first appearance.
func coupons(obs []Observation) []unit {
	at := map[string]int{}
	var out []unit
	for _, o := range obs {
		name := couponOf(o)
		i, ok := at[name]
		if !ok {
			i = len(out)
			at[name] = i
			out = append(out, unit{name: name})
		}
		out[i].add(o)
	}
	return out
}

func couponOf(o Observation) string {
	if o.Field.Coupon != "" {
		return o.Field.Coupon
	}
	return o.Field.Name
}

// single returns every field as a replicate of its own.
func single(obs []Observation) []unit {
	out := make([]unit, len(obs))
	for i, o := range obs {
		out[i].name = o.Field.Name
		out[i].add(o)
	}
	return out
}

func (u *unit) add(o Observation) {
	u.area += o.AreaMm2
	u.spots += o.Spots
	u.covered += o.SpotAreaMm2
	u.excess += o.ExcessCounts
	u.variance += o.ExcessSigma * o.ExcessSigma
}

var errNoFields = errors.New("compare: no fields on one side; both sides need at least one")
