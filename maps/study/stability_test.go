package study

import (
	"context"
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"

	"example.org/fleck/maps"
	"example.org/fleck/maps/cube"
	"example.org/fleck/spectra/xray"
)

// frameCount is the number of frames that tests deal a field out to.
const frameCount = 5

// dealt deals every count of a cube out to one of the frames at random: frames of a
// measurement in which nothing changes, since parts of Poisson counts are Poisson counts.
func dealt(m *cube.Memory, seed uint64) []*cube.Memory {
	rng := rand.New(rand.NewPCG(seed, 3))
	out := make([]*cube.Memory, frameCount)
	for k := range out {
		out[k] = &cube.Memory{Head: m.Head, Data: make([]uint32, len(m.Data))}
		out[k].Head.Conditions.LiveTimeS /= frameCount
	}
	for i, n := range m.Data {
		for range n {
			out[rng.IntN(frameCount)].Data[i]++
		}
	}
	return out
}

// framedStudy is a study of tiny fields with every field dealt out to frames;
// change may alter those of the first.
func framedStudy(t *testing.T, s *Study, seed uint64, change func([]*cube.Memory)) *Study {
	t.Helper()
	for i := range s.Fields {
		frames := dealt(s.Fields[i].Source.(*cube.Memory), seed+uint64(i))
		if i == 0 && change != nil {
			change(frames)
		}
		parts := make([]cube.Source, len(frames))
		for k, f := range frames {
			parts[k] = f
		}
		series, err := cube.NewSeries(parts...)
		if err != nil {
			t.Fatal(err)
		}
		s.Fields[i].Source = series
	}
	return s
}

// window returns the channels within 1.2 resolutions of an energy, in eV.
func window(h cube.Header, ev, fwhm float64) (from, to int) {
	c := h.Calibration.Channel(xray.Energy(ev))
	d := 1.2 * fwhm / h.Calibration.GainEV
	return max(0, int(c-d)), min(h.Channels, int(c+d)+1)
}

// TestFramesOfStudy: a field of frames gives the result of its sum, and says that its
// halves agree.
func TestFramesOfStudy(t *testing.T) {
	if testing.Short() {
		t.Skip("runs the small study twice")
	}
	plain, err := Run(context.Background(), storedStudy(t, nil), nil)
	if err != nil {
		t.Fatal(err)
	}
	r, err := Run(context.Background(), framedStudy(t, storedStudy(t, nil), 20, nil), nil)
	if err != nil {
		t.Fatal(err)
	}
	for i := range r.Fields {
		f, p := &r.Fields[i], &plain.Fields[i]
		if p.Stability != nil || f.Stability == nil {
			t.Fatalf("%s: stability %v without frames, %v with them", f.Name, p.Stability, f.Stability)
		}
		if !reflect.DeepEqual(f.Sums.Sum, p.Sums.Sum) || f.Spots.PValue != p.Spots.PValue || len(f.Spots.Spots) != len(p.Spots.Spots) {
			t.Errorf("%s: p %g and %d spots of the frames, %g and %d of their sum", f.Name, f.Spots.PValue, len(f.Spots.Spots), p.Spots.PValue, len(p.Spots.Spots))
		}
		if f.Header.Conditions.LiveTimeS != p.Header.Conditions.LiveTimeS && math.Abs(f.Header.Conditions.LiveTimeS/p.Header.Conditions.LiveTimeS-1) > 1e-12 {
			t.Errorf("%s: live time %g of frames, %g of their sum", f.Name, f.Header.Conditions.LiveTimeS, p.Header.Conditions.LiveTimeS)
		}
		st := f.Stability
		if len(st.Remarks) > 0 || st.Alpha != stabilityAlpha/2 || !(st.Carbon.Sigma > 0) || st.Exposure[1]/st.Exposure[0] != 1.5 {
			t.Errorf("%s: %+v", f.Name, st)
		}
	}
	if n := r.Fields[0].Stability.Spots; n == 0 {
		t.Error("no spot of the treated field was compared")
	}
	files := written(t, r, WriteOptions{})
	for name, want := range map[string]string{
		"index.html":  "The first and the second half of its 5 frames agree (dose, carbon, amount of target and place of the spots).",
		"result.json": `"frames": 5`,
	} {
		if !strings.Contains(string(files[name]), want) {
			t.Errorf("%s does not hold %q", name, want)
		}
	}
	if text := string(files["result.json"]); !strings.Contains(text, `"stability": {`) || strings.Contains(text, "stability_reason") {
		t.Error("result.json does not hold the stability of the fields")
	}
	if text := string(written(t, plain, WriteOptions{})["result.json"]); !strings.Contains(text, `"stability_reason": "a single frame: no halves to compare"`) {
		t.Error("result.json does not say why it holds no stability")
	}
}

// TestBeamDamageOfStudy plants what the beam may do into the later frames of the treated
// field and wants it named, and only it.
func TestBeamDamageOfStudy(t *testing.T) {
	if testing.Short() {
		t.Skip("runs the small study several times")
	}
	sc := tiny()
	for i := range sc.Specs {
		p := &sc.Specs[i].Populations[0]
		p.MinNM, p.MaxNM = 400, 500
	}
	cubes, err := renderScene(sc)
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		name   string
		change func(frames []*cube.Memory)
		want   []string
	}{
		{"carbon", func(frames []*cube.Memory) { // 3 % more counts in the line
			rng := rand.New(rand.NewPCG(5, 5))
			for _, m := range frames[2:] {
				from, to := window(m.Head, 277, 60)
				for p := range m.Head.Pixels() {
					px := m.Data[p*m.Head.Channels : (p+1)*m.Head.Channels]
					total := 0.
					for _, n := range px {
						total += float64(n)
					}
					for range int(.03*total + rng.Float64()) {
						px[from+rng.IntN(to-from)]++
					}
				}
			}
		}, []string{"carbon grew", "more counts"}},
		{"loss", func(frames []*cube.Memory) { // nine tenths of Ti K go
			rng := rand.New(rand.NewPCG(6, 5))
			for _, m := range frames[2:] {
				from, to := window(m.Head, 4511, 110)
				for p := range m.Head.Pixels() {
					for c := from; c < to; c++ {
						for range m.Data[p*m.Head.Channels+c] {
							if rng.IntN(10) > 0 {
								m.Data[p*m.Head.Channels+c]--
							}
						}
					}
				}
			}
		}, []string{"target was lost"}},
		{"drift", func(frames []*cube.Memory) { // one pixel to the right
			for _, m := range frames[2:] {
				n := m.Head.Channels
				for y := range m.Head.Height {
					row := m.Row(y)
					copy(row[n:], row[:len(row)-n])
				}
			}
		}, []string{"the spots moved by ("}},
	} {
		s := framedStudy(t, storedStudyOf(sc, cubes, nil), 30, tt.change)
		s.Options.NoMaps = true
		r, err := Run(context.Background(), s, nil)
		if err != nil {
			t.Fatal(err)
		}
		f := &r.Fields[0]
		got := strings.Join(f.Stability.Remarks, "; ")
		if len(f.Stability.Remarks) != len(tt.want) {
			t.Errorf("%s: %q; want %q and nothing else (%+v)", tt.name, got, tt.want, f.Stability)
		}
		if d := f.Stability; tt.name == "drift" && math.Hypot(d.DriftX-1, d.DriftY) > 4*d.DriftSigma {
			t.Errorf("drift of (%g, %g) ± %g px, want one to the right", d.DriftX, d.DriftY, d.DriftSigma)
		}
		all := strings.Join(r.Remarks, "\n")
		for _, want := range tt.want {
			if !strings.Contains(got, want) || !strings.Contains(all, f.Name+": first against second half of 5 frames: ") {
				t.Errorf("%s: %q, want %q; remarks of the study %q", tt.name, got, want, r.Remarks)
			}
		}
		for i := range r.Fields[1:] {
			if o := &r.Fields[i+1]; o.Role == maps.Untreated && len(o.Stability.Remarks) > 0 {
				t.Errorf("%s: %s, where nothing was planted: %q", tt.name, o.Name, o.Stability.Remarks)
			}
		}
	}
}
