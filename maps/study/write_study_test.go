//go:build study

package study

import (
	"context"
	"flag"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"

	"example.org/fleck/maps/cube"
	"example.org/fleck/maps/scene"
)

var outDir = flag.String("out", "", "folder for the files of the demo scene")

// folderSink writes into a folder.
type folderSink string

func (f folderSink) Create(name string) (io.WriteCloser, error) {
	path := filepath.Join(string(f), filepath.FromSlash(name))
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return nil, err
	}
	return os.Create(path)
}

// TestStudyWriteDemo writes the files of the whole demo scene, to be looked at.
func TestStudyWriteDemo(t *testing.T) {
	if *outDir == "" {
		t.Skip("state -out DIR")
	}
	sc := scene.Demo()
	rd, err := scene.NewRenderer(sc)
	if err != nil {
		t.Fatal(err)
	}
	var cubes []*cube.Memory
	for i := range sc.Fields() {
		mem, _, err := rd.Render(i, 1, 0)
		if err != nil {
			t.Fatal(err)
		}
		cubes = append(cubes, mem)
	}
	st := FromScene(sc, cubes)
	st.Options.Seed = 1
	r, err := Run(context.Background(), st, nil)
	if err != nil {
		t.Fatal(err)
	}
	opt := WriteOptions{Command: "demo", Version: "test", Platform: "test", Repeat: "fleck demo --out DIR --seed 1",
		Invented: "All fields on this page were simulated from an invented scene; no specimen, workshop or product stands behind them."}
	if err := Write(r, folderSink(*outDir), opt); err != nil {
		t.Fatal(err)
	}
}

// TestStudyReportShare measures what writing adds to the analysis of 12 fields of
// 256 × 256 × 1024 on one core, and the size of the page. The analysis is cut
// short (41 replicas instead of 199, no detection limits), so that the true
// share is smaller.
func TestStudyReportShare(t *testing.T) {
	sc := scene.Demo()
	sc.Width, sc.Height = 256, 256
	sc.Specs = sc.Specs[2:5] // two treated fields, one blank
	rd, err := scene.NewRenderer(sc)
	if err != nil {
		t.Fatal(err)
	}
	var cubes []*cube.Memory
	for i := range sc.Fields() {
		mem, _, err := rd.Render(i, 1, 1)
		if err != nil {
			t.Fatal(err)
		}
		cubes = append(cubes, mem)
	}
	st := FromScene(sc, cubes)
	for _, f := range st.Fields[:3] {
		for _, more := range []string{"a", "b", "c"} {
			again := f
			again.Name, again.Coupon = f.Name+more, f.Coupon+more
			st.Fields = append(st.Fields, again)
		}
	}
	st.Options = Options{Seed: 1, Workers: 1, Bootstrap: 41, NoLimit: true}
	start := time.Now()
	last := Stage("")
	r, err := Run(context.Background(), st, func(stage Stage, done, total int) {
		if stage != last {
			last = stage
			t.Logf("%s after %v", stage, time.Since(start).Round(time.Second))
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	analysis := time.Since(start)
	start = time.Now()
	s := &memorySink{files: map[string][]byte{}}
	if err := Write(r, s, WriteOptions{}); err != nil {
		t.Fatal(err)
	}
	writing := time.Since(start)
	total := 0
	for _, b := range s.files {
		total += len(b)
	}
	page := len(s.files["index.html"])
	t.Logf("%d fields: analysis %v, writing %v (%.1f %%); page %.1f MB, all %d files %.0f MB", len(r.Fields), analysis.Round(time.Second), writing.Round(time.Second/10),
		100*writing.Seconds()/analysis.Seconds(), float64(page)/1e6, len(s.files), float64(total)/1e6)
	if page > 20e6 {
		t.Errorf("a page of %d bytes, want less than 20 MB", page)
	}
	if writing > analysis*15/100 {
		t.Errorf("writing takes %v, more than 15 %% of the analysis", writing)
	}
}
