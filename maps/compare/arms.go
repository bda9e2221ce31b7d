package compare

import (
	"fmt"
	"strings"

	"example.org/fleck/maps"
)

// Arm sets the fields of one role against those of another.
type Arm struct {
	Role, Against maps.Role
	Result        *Result
	// Sentence says what the arm means for the treated fields.
	Sentence string
}

// Arms compares the fields of every role that has any: treated, vehicle only (the
// treatment without the ingredient), positive control and instrument blank against
// untreated ones, and treated ones against the vehicle. Roles without fields are
// left out. opt.Paired holds for treated against untreated fields alone.
func Arms(fields []Observation, opt Options) ([]Arm, error) {
	by := map[maps.Role][]Observation{}
	for i, o := range fields {
		switch o.Field.Role {
		case maps.Treated, maps.Untreated, maps.VehicleOnly, maps.PositiveControl, maps.InstrumentBlank:
			by[o.Field.Role] = append(by[o.Field.Role], o)
		default:
			return nil, fmt.Errorf("compare: field %d (%q) has the role %q; accepted are %s, %s, %s, %s and %s", i, o.Field.Name, o.Field.Role,
				maps.Treated, maps.Untreated, maps.VehicleOnly, maps.PositiveControl, maps.InstrumentBlank)
		}
	}
	var out []Arm
	for _, a := range []Arm{
		{Role: maps.Treated, Against: maps.Untreated},
		{Role: maps.Treated, Against: maps.VehicleOnly},
		{Role: maps.VehicleOnly, Against: maps.Untreated},
		{Role: maps.PositiveControl, Against: maps.Untreated},
		{Role: maps.InstrumentBlank, Against: maps.Untreated},
	} {
		if len(by[a.Role]) == 0 || len(by[a.Against]) == 0 {
			continue
		}
		o := opt
		o.Paired = opt.Paired && a.Role == maps.Treated && a.Against == maps.Untreated
		r, err := Fields(by[a.Role], by[a.Against], o)
		if err != nil {
			return nil, err
		}
		a.Result = r
		a.Sentence = a.meaning()
		out = append(out, a)
	}
	if len(out) == 0 {
		return nil, errNoFields
	}
	return out, nil
}

// Name is the arm in words: "vehicle only against untreated".
func (a Arm) Name() string {
	words := func(r maps.Role) string { return strings.ReplaceAll(string(r), "_", " ") }
	return words(a.Role) + " against " + words(a.Against)
}

// meaning says what the outcome of the arm is good for.
func (a Arm) meaning() string {
	higher := a.Result.Higher
	switch {
	case a.Role == maps.Treated && a.Against == maps.VehicleOnly && higher:
		return "The ingredient brings more spots than its vehicle alone."
	case a.Role == maps.Treated && a.Against == maps.VehicleOnly:
		return "No difference between the treatment and its vehicle alone is shown: what the treated fields hold may come from the vehicle or the handling."
	case a.Role == maps.VehicleOnly && higher:
		return "The vehicle alone leaves spots of the target: an excess of the treated fields over untreated ones is no proof of the ingredient."
	case a.Role == maps.VehicleOnly:
		return "The vehicle alone leaves no excess that is shown."
	case a.Role == maps.PositiveControl && higher:
		return "The positive control is seen."
	case a.Role == maps.PositiveControl:
		return "The positive control is not seen: that nothing is found elsewhere has no weight."
	case a.Role == maps.InstrumentBlank && a.Result.Spots[0] > 0:
		return fmt.Sprintf("The instrument blank shows %d spots of the target: they come from the instrument, the mount or the analysis.", a.Result.Spots[0])
	case a.Role == maps.InstrumentBlank:
		return "The instrument blank shows no spot of the target."
	}
	return a.Result.Verdict
}
