package study

import (
	"strings"
	"testing"

	"example.org/fleck/maps"
)

// Fields of the vehicle and of a positive control are compared, said in the answer
// and on the page; a study without them says nothing of arms.
func TestWriteArms(t *testing.T) {
	notShort(t)
	r := changed(t)
	for _, add := range []struct {
		from, name string
		role       maps.Role
	}{{"B1", "V1", maps.VehicleOnly}, {"T1", "P1", maps.PositiveControl}} {
		for _, f := range r.Fields {
			if f.Name == add.from {
				f.Name, f.Coupon, f.Role = add.name, add.name, add.role
				f.Observation.Field = f.Field
				r.Fields = append(r.Fields, f)
				break
			}
		}
	}
	files := written(t, r, WriteOptions{})
	arms := find(t, decode(t, files["result.json"]), "arms").([]any)
	var got []string
	for _, a := range arms {
		m := a.(map[string]any)
		got = append(got, m["role"].(string)+"/"+m["against"].(string))
		if m["density"] == nil || m["meaning"] == "" {
			t.Errorf("arm %v", m)
		}
	}
	if want := "treated/vehicle_only vehicle_only/untreated positive_control/untreated"; strings.Join(got, " ") != want {
		t.Errorf("arms %v, want %s", got, want)
	}
	page := string(files["index.html"])
	for _, text := range []string{"Vehicle and controls", "positive control against untreated", "The vehicle alone leaves no excess that is shown."} {
		if !strings.Contains(page, text) {
			t.Errorf("the page does not say %q", text)
		}
	}
	if plain := plainFiles(t); strings.Contains(string(plain["index.html"]), "Vehicle and controls") || strings.Contains(string(plain["result.json"]), `"arms"`) {
		t.Error("arms are named where there are none")
	}
}
