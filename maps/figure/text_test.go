package figure

import (
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestClean(t *testing.T) {
	tests := []struct{ in, want string }{
		{"Si K-L2,3 (µm², ±3σ)", "Si K-L2,3 (µm², ±3σ)"},
		{" a\nb\tc\x00 ", "a b c"},
		{"チタン", "???"},
		{"bad \xff byte", "bad ? byte"},
	}
	for _, tt := range tests {
		if got := clean(tt.in); got != tt.want {
			t.Errorf("clean(%q) = %q, want %q", tt.in, got, tt.want)
		}
	}
}

func TestPieces(t *testing.T) {
	tests := []struct{ in, want string }{
		{"10^5", "10 ↑5"},
		{"× 10^−6 counts", "× 10 ↑−6  counts"},
		{"a^b", "a^b"},
		{"^5", "^5"},
		{"5^", "5^"},
		{"2^3^4", "2 ↑3 ^4"},
		{"x^1 10^2", "x^1 10 ↑2 "},
	}
	for _, tt := range tests {
		runs, raised := pieces(tt.in)
		got := ""
		for i, r := range runs {
			if raised[i] {
				got += " ↑" + r
				if i < len(runs)-1 && runs[i+1] != "" {
					got += " "
				}
				continue
			}
			got += r
		}
		if strings.TrimSpace(got) != strings.TrimSpace(tt.want) {
			t.Errorf("pieces(%q) = %q, want %q", tt.in, got, tt.want)
		}
	}
}

// TestWrap: no line is wider than asked for, and nothing is lost unless the last
// line ends in an ellipsis.
func TestWrap(t *testing.T) {
	st := style{size: textSize}
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringMatching(`[A-Za-z0-9µ,./ -]{0,200}`).Draw(t, "text")
		width := rapid.Float64Range(20, 300).Draw(t, "width")
		lines := st.wrap(text, width, rapid.IntRange(1, 6).Draw(t, "lines"))
		for _, l := range lines {
			if w := st.width(l); w > width+0.01 {
				t.Fatalf("line %q is %.2f wide, want at most %.2f", l, w, width)
			}
		}
		all := strings.Join(lines, "")
		if strings.HasSuffix(all, "…") {
			return
		}
		strip := func(s string) string { return strings.ReplaceAll(s, " ", "") }
		if strip(all) != strip(text) {
			t.Fatalf("wrapped text %q, want %q", all, text)
		}
	})
}

func TestWrapLabel(t *testing.T) {
	st := style{size: tickSize}
	got := strings.Join(st.wrapLabel("treated T1 / field 1", 18*mm, 3), "|")
	if want := "treated T1 /|field 1"; got != want {
		t.Errorf("wrapLabel = %q, want %q", got, want)
	}
	if got := st.wrapLabel("T1 / f 1", 50*mm, 3); len(got) != 1 {
		t.Errorf("wrapLabel of a short label = %q, want one line", got)
	}
}
