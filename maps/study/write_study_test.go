//go:build study

package study

import (
	"context"
	"flag"
	"io"
	"os"
	"path/filepath"
	"testing"

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
