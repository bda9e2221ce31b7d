package spots

import "testing"

func TestRejectedText(t *testing.T) {
	for n, want := range map[int]string{
		1: "1 maximum of the whole template lacks the line family of TiO2 and is not listed",
		2: "2 maxima of the whole template lack the line family of TiO2 and are not listed",
	} {
		if got := rejectedText(n, "TiO2"); got != want {
			t.Errorf("%d: %q; want %q", n, got, want)
		}
	}
}
