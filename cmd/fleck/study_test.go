package main

import (
	"path/filepath"
	"strings"
	"testing"
)

// TestStudyNames checks that a study file takes the name of the flag for its
// replicas, and the command the flag that leaves out the limit.
func TestStudyNames(t *testing.T) {
	dir := t.TempDir()
	cubeFile(t, filepath.Join(dir, "t.nrrd"), true, 1)
	cubeFile(t, filepath.Join(dir, "b.nrrd"), false, 2)
	text := strings.Replace(studyText, "bootstrap = 39\nlimit = false", "replicas = 39", 1)
	path := write(t, filepath.Join(dir, "study.toml"), text)
	m := answer(t, exitDone, "study", path, "--out", filepath.Join(dir, "out"), "--no-limit")
	settings := m["settings"].(map[string]any)
	for _, tt := range []struct {
		key    string
		value  any
		origin string
	}{{"replicas", 39.0, "file"}, {"limit", false, "flag"}} {
		s, _ := settings[tt.key].(map[string]any)
		if s["value"] != tt.value || s["origin"] != tt.origin {
			t.Errorf("setting %s: %v; want %v from %s", tt.key, s, tt.value, tt.origin)
		}
	}
	if s := settings["bootstrap"]; s != nil {
		t.Errorf("setting bootstrap: %v beside replicas; want none", s)
	}
	out, _, _ := fleck(t, "study", "--print-example")
	for _, want := range []string{"# replicas = 199", "--no-limit"} {
		if !strings.Contains(out, want) {
			t.Errorf("the example lacks %q", want)
		}
	}
}
