package record

import (
	"strings"
	"testing"
)

func TestFileName(t *testing.T) {
	for name, want := range map[string]string{"T1": "t1", "Panel A / field 3": "panel_a_field_3", "Ti K": "ti_k", "": "unnamed", "Ä €": "unnamed",
		"../../etc/passwd": "etc_passwd", "a_b-c": "a_b_c", " x ": "x", "Field 1/ä": "field_1", "_": "unnamed", "CON": "field_con"} {
		if got := FileName(name); got != want {
			t.Errorf("file name of %q: %q, want %q", name, got, want)
		}
	}
	if n := len(FileName(strings.Repeat("x", 1000))); n > maxFileName {
		t.Errorf("a name of %d letters", n)
	}
}

func TestFileNames(t *testing.T) {
	s := FileNames{}
	for _, tt := range []struct{ name, want string }{
		{"Ti K", "ti_k"}, {"TI k", "ti_k_2"}, {"ti-k", "ti_k_3"}, {"ti k 2", "ti_k_2_2"}, {"CON", "field_con"}, {"?", "unnamed"},
	} {
		if got := s.Of(tt.name); got != tt.want {
			t.Errorf("file name of %q: %q, want %q", tt.name, got, tt.want)
		}
	}
}
