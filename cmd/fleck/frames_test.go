package main

import (
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// counts are the stored bytes of a cube that cubeFile wrote.
func counts(t *testing.T, path string) (head, data string) {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	head, data, ok := strings.Cut(string(text), "\n\n")
	if !ok {
		t.Fatalf("%s: no end of the header", path)
	}
	return head, data
}

// dealt deals the counts of a cube out to n cubes at random, as if it had been recorded
// in n parts.
func dealt(t *testing.T, path string, n int) []string {
	t.Helper()
	head, data := counts(t, path)
	rng := rand.New(rand.NewPCG(1, 4))
	parts := make([][]byte, n)
	for k := range parts {
		parts[k] = make([]byte, len(data))
	}
	for i := 0; i < len(data); i += 2 {
		for range binary.LittleEndian.Uint16([]byte(data[i:])) {
			b := parts[rng.IntN(n)][i:]
			binary.LittleEndian.PutUint16(b, binary.LittleEndian.Uint16(b)+1)
		}
	}
	head = strings.Replace(head, "live time:=6e+01 s", fmt.Sprintf("live time:=%d s", 60/n), 1)
	var files []string
	for k, p := range parts {
		files = append(files, write(t, fmt.Sprintf("%s-%d.nrrd", strings.TrimSuffix(path, ".nrrd"), k), head+"\n\n"+string(p)))
	}
	return files
}

// framesFile joins cubes as the frames of one file.
func framesFile(t *testing.T, path string, cubes ...string) string {
	t.Helper()
	head, all := "", ""
	for _, c := range cubes {
		h, data := counts(t, c)
		head, all = h, all+data
	}
	head = strings.NewReplacer("dimension: 3", "dimension: 4", fmt.Sprintf("sizes: %d 20 16", testChannels), fmt.Sprintf("sizes: %d 20 16 %d", testChannels, len(cubes)),
		"0.5 0.5\n", "0.5 0.5 nan\n", "nan nan\n", "nan nan nan\n", "cell cell\n", "cell cell none\n", "space space\n", "space space time\n",
		`"x" "y"`, `"x" "y" "frame"`, `"um" "um"`, `"um" "um" ""`, "live time:=15 s", fmt.Sprintf("live time:=%d s", 15*len(cubes))).Replace(head)
	return write(t, path, head+"\n\n"+all)
}

// TestFrames: a cube with frames is read as their sum by every command, a series of
// cubes gives the same, and the halves are compared.
func TestFrames(t *testing.T) {
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	blank := cubeFile(t, at("b.nrrd"), false, 9)
	parts := dealt(t, cubeFile(t, at("t.nrrd"), true, 1), 4)
	without := dealt(t, cubeFile(t, at("gone.nrrd"), false, 8), 4)
	field := framesFile(t, at("frames.nrrd"), parts...)

	m := answer(t, exitDone, "inspect", field)
	total := 0.
	for _, p := range parts {
		total += answer(t, exitDone, "inspect", p)["counts_total"].(float64)
	}
	if m["frames"] != 4.0 || m["frames_read"] != "0-3" || m["counts_total"] != total || m["live_time_s"] != 60.0 || m["pixel_width_um"] != 0.5 || m["energy_step_ev"] != 20.0 {
		t.Errorf("inspect: frames %v, read %v, %v counts in %v s; want %v", m["frames"], m["frames_read"], m["counts_total"], m["live_time_s"], total)
	}
	m = answer(t, exitDone, "inspect", field, "--frames", "2")
	if one := answer(t, exitDone, "inspect", parts[2]); m["counts_total"] != one["counts_total"] || m["live_time_s"] != 15.0 || one["frames"] != 1.0 {
		t.Errorf("frame 2: %v counts in %v s, want %v", m["counts_total"], m["live_time_s"], one["counts_total"])
	}
	if out, _, code := fleck(t, "inspect", field); code != exitDone || !strings.Contains(out, "frames       4; 0-3 are read, as their sum") {
		t.Errorf("inspect says\n%s", out)
	}

	// Converted, the sum is the same whichever way it is made.
	_, errs, code := fleck(t, "convert", field, at("sum.nrrd"))
	if code != exitDone || !strings.Contains(errs, "frames 0-3 of 4 are written, as their sum") {
		t.Fatalf("convert: %d, %s", code, errs)
	}
	_, sum := counts(t, at("sum.nrrd"))
	want := make([]uint32, 20*16*testChannels)
	for _, p := range parts {
		_, data := counts(t, p)
		for i := range want {
			want[i] += uint32(binary.LittleEndian.Uint16([]byte(data[2*i:])))
		}
	}
	for i, n := range want {
		if got := binary.LittleEndian.Uint32([]byte(sum[4*i:])); got != n {
			t.Fatalf("value %d of the sum is %d, want %d", i, got, n)
		}
	}
	// Without header, and the header made for it.
	_, data := counts(t, field)
	raw := write(t, at("t.raw"), data)
	shape := []string{"--shape", fmt.Sprintf("4,16,20,%d", testChannels), "--type", "u16", "--endian", "little"}
	answer(t, exitDone, append([]string{"convert", raw, at("t.nhdr")}, shape...)...)
	for _, args := range [][]string{append([]string{raw}, shape...), {at("t.nhdr")}} {
		if m := answer(t, exitDone, append([]string{"inspect"}, args...)...); m["frames"] != 4.0 || m["counts_total"] != total {
			t.Errorf("inspect %v: frames %v, %v counts", args, m["frames"], m["counts_total"])
		}
	}
	if _, errs, code := fleck(t, append([]string{"convert", raw, at("u.nhdr"), "--frames", "1"}, shape...)...); code != exitUsage || !strings.Contains(errs, "describes all frames") {
		t.Errorf("a header of some frames: %d, %s", code, errs)
	}

	common := []string{"--blank", blank, "--target", "TiO2:4.23g/cm3", "--substrate", "Fe:7.87g/cm3", "--replicas", "39", "--no-limit"}
	framed := answer(t, exitDone, append([]string{"spots", field}, common...)...)
	series := answer(t, exitDone, append([]string{"spots", parts[0], "--later", parts[1], "--later", parts[2], "--later", parts[3]}, common...)...)
	summed := answer(t, exitDone, append([]string{"spots", at("sum.nrrd")}, common...)...)
	for name, m := range map[string]map[string]any{"frames": framed, "series": series} {
		if a, b := fmt.Sprint(m["spots"]), fmt.Sprint(summed["spots"]); a != b {
			t.Errorf("%s: spots %s\nof the sum %s", name, a, b)
		}
		s := row(t, m["stability"])
		if row(t, m["field"])["frames"] != 4.0 || len(s["remarks"].([]any)) != 0 || s["spots"] != 1.0 || !(row(t, s["carbon"])["sigma"].(float64) > 0) {
			t.Errorf("%s: %v frames, stability %v", name, row(t, m["field"])["frames"], s)
		}
	}
	if fmt.Sprint(framed["stability"]) != fmt.Sprint(series["stability"]) {
		t.Errorf("stability of frames %v, of the series %v", framed["stability"], series["stability"])
	}
	if summed["stability"] != nil || summed["stability_reason"] == nil {
		t.Errorf("stability %v of a cube without frames", summed["stability"])
	}

	// The spot is gone in the second half.
	lost := framesFile(t, at("lost.nrrd"), parts[0], parts[1], without[2], without[3])
	out, errs, code := fleck(t, append([]string{"spots", lost}, common...)...)
	if code != exitDone || !strings.Contains(errs, "first against second half of 4 frames: the target was lost under the beam") || !strings.Contains(out, "first against second half of 4 frames:\n    dose ") {
		t.Errorf("exit code %d\n%s\n%s", code, out, errs)
	}
	if m := answer(t, exitDone, append([]string{"spots", lost, "--frames", "0-1"}, common...)...); !strings.Contains(fmt.Sprint(m["warnings"]), "b.nrrd: a cube without frames, read whole") || len(row(t, m["stability"])["remarks"].([]any)) != 0 {
		t.Errorf("stability of the first two frames: %v", m["stability"])
	}

	// A study file names the later cubes, or a cube with frames.
	text := func(first string) string {
		return "fleck_format = 1\ntarget = \"TiO2:4.23g/cm3\"\nsubstrate = \"Fe:7.87g/cm3\"\nreplicas = 39\nlimit = false\n" +
			"[[field]]\nname = \"T\"\nrole = \"treated\"\n" + first + "\n[[field]]\nname = \"B\"\nrole = \"untreated\"\ncube = \"b.nrrd\"\n"
	}
	var got []string
	for i, first := range []string{`cube = "frames.nrrd"`, `cube = "t-0.nrrd"` + "\n" + `later = ["t-1.nrrd", "t-2.nrrd", "t-3.nrrd"]`} {
		path := write(t, at(fmt.Sprintf("study%d.toml", i)), text(first))
		m := answer(t, exitDone, "study", path, "--out", at(fmt.Sprintf("out%d", i)))
		fields := m["fields"].([]any)
		f := row(t, fields[0])
		if in, err := os.ReadFile(at(fmt.Sprintf("out%d/result.json", i))); err != nil || strings.Contains(string(in), `t-0.nrrd, `) != (i == 1) {
			t.Errorf("study %d: the inputs of the result are not those given (%v)", i, err)
		}
		got = append(got, fmt.Sprint(f["spots"], f["stability"]))
		if row(t, f["field"])["frames"] != 4.0 || f["stability"] == nil || row(t, fields[1])["stability"] != nil {
			t.Errorf("study %d: %v", i, f["field"])
		}
	}
	if got[0] != got[1] {
		t.Errorf("the study of frames gives %s\nthat of the series %s", got[0], got[1])
	}
	bad := write(t, at("bad.toml"), text(`cube = "t-0.nrrd"`+"\n"+`later = ["none.nrrd"]`))
	if _, errs, code := fleck(t, "study", bad, "--out", at("bad")); code != exitFailed || !strings.Contains(errs, "none.nrrd") {
		t.Errorf("a later cube that is not there: %d, %s", code, errs)
	}
}
