package study

import (
	"regexp"
	"slices"
	"strings"
	"testing"
)

// TestExample: the example is a study as it stands, and still is with every key
// that it shows; it shows all that a file can state.
func TestExample(t *testing.T) {
	f, err := Parse(strings.NewReader(Example))
	if err != nil {
		t.Fatal(err)
	}
	if len(f.Fields) != 2 || f.Target.Name != "TiO2" {
		t.Errorf("got %+v", f)
	}
	full := regexp.MustCompile(`(?m)^# ([a-z_]+ = )`).ReplaceAllString(Example, "$1")
	full = strings.Replace(full, `beam_mode = "rastered"`, `beam_mode = "stationary"`, 1) // which probe_nm needs
	f, err = Parse(strings.NewReader(full))
	if err != nil {
		t.Fatal(err)
	}
	all, err := Parse(strings.NewReader(whole))
	if err != nil {
		t.Fatal(err)
	}
	for _, key := range all.Keys {
		if key == "bootstrap" {
			key = "replicas" // the example shows the name of the flag
		}
		if !slices.Contains(f.Keys, key) {
			t.Errorf("the example does not show %s", key)
		}
	}
	// Every key comes back as a setting, but those of the file itself.
	var settings []string
	for _, s := range f.Settings() {
		settings = append(settings, s.Key)
		if s.Origin != FromFile {
			t.Errorf("%s comes from %q", s.Key, s.Origin)
		}
	}
	for _, key := range f.Keys {
		if key != "fleck_format" && key != "title" && !slices.Contains(settings, key) {
			t.Errorf("%s is no setting of the report", key)
		}
	}
}
