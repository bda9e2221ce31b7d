package study

import (
	"bytes"
	"context"
	"errors"
	"slices"
	"strings"
	"sync"
	"testing"

	"example.org/fleck/maps/cube"
	"example.org/fleck/maps/scene"
)

// memoryStore keeps everything.
type memoryStore struct {
	mu     sync.Mutex
	values map[string][]byte
	puts   int
}

func (s *memoryStore) Get(key string) ([]byte, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	b, ok := s.values[key]
	return b, ok
}

func (s *memoryStore) Put(key string, value []byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.values[key] = value
	s.puts++
}

// tinyCubes are two fields of 20 × 20 pixels.
var tinyCubes = sync.OnceValues(func() ([]*cube.Memory, error) { return renderScene(tiny()) })

func tiny() *scene.Scene {
	sc := small()
	sc.Width, sc.Height = 20, 20
	for i := range sc.Specs {
		sc.Specs[i].Populations = sc.Specs[i].Populations[:1]
	}
	return sc
}

// storedStudy is a study of the tiny fields with a store and inputs of known
// digests.
func storedStudy(t *testing.T, st Store) *Study {
	t.Helper()
	cubes, err := tinyCubes()
	if err != nil {
		t.Fatal(err)
	}
	return storedStudyOf(tiny(), cubes, st)
}

func storedStudyOf(sc *scene.Scene, cubes []*cube.Memory, st Store) *Study {
	s := FromScene(sc, cubes)
	for i := range s.Fields {
		s.Fields[i].SHA256 = strings.Repeat(string(rune('a'+i)), 64)
	}
	s.Options = Options{Bootstrap: 41, Seed: 3, NoLimit: true, Workers: 2}
	s.Confusers, s.Store = s.Confusers[:1], st
	return s
}

// TestResume interrupts a study and lets it go on: what was done is taken up,
// and the files are those of a run that was not interrupted. Then it changes
// settings one by one: only what depends on them is computed again.
func TestResume(t *testing.T) {
	if testing.Short() {
		t.Skip("runs the small study several times")
	}
	st := &memoryStore{values: map[string][]byte{}}
	run := func(ctx context.Context, s *Study, p Progress) *Result {
		t.Helper()
		r, err := Run(ctx, s, p)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	ctx, stop := context.WithCancel(context.Background())
	_, err := Run(ctx, storedStudy(t, st), func(stage Stage, done, total int) {
		if stage == StageSpots && done > fieldSteps { // the second of two fields is being searched
			stop()
		}
	})
	if !errors.Is(err, context.Canceled) {
		t.Fatalf("error %v of a study that was interrupted", err)
	}
	fields := 0
	for key := range st.values {
		if !strings.HasPrefix(key, "spheres-") { // templates belong to no field
			fields++
		}
	}
	if fields != 3 { // two fields of maps, one of spots
		t.Errorf("%d values are kept of fields", fields)
	}
	r := run(context.Background(), storedStudy(t, st), nil)
	// Blank fields are searched first.
	if want := []Stage{StageMaps}; !slices.Equal(r.Fields[0].Reused, want) {
		t.Errorf("T1 took up %v, want %v", r.Fields[0].Reused, want)
	}
	if want := []Stage{StageMaps, StageSpots}; !slices.Equal(r.Fields[1].Reused, want) {
		t.Errorf("B1 took up %v, want %v", r.Fields[1].Reused, want)
	}
	got, want := written(t, r, WriteOptions{}), written(t, run(context.Background(), storedStudy(t, nil), nil), WriteOptions{})
	for name := range want {
		if !bytes.Equal(got[name], want[name]) {
			t.Errorf("%s differs after an interruption", name)
		}
	}

	puts := st.puts
	all := []Stage{StageMaps, StageSpots}
	for _, c := range []struct {
		what   string
		change func(*Study)
		reused [2][]Stage
		puts   int
	}{
		{"the title and the number of workers", func(s *Study) { s.Title, s.Options.Workers = "other", 1 }, [2][]Stage{all, all}, 0},
		{"the false-alarm rate", func(s *Study) { s.Options.Alpha = 0.1 }, [2][]Stage{{StageMaps}, {StageMaps}}, 2},
		{"a file", func(s *Study) { s.Fields[0].SHA256 = strings.Repeat("c", 64) }, [2][]Stage{nil, all}, 2},
		{"the elements", func(s *Study) { s.Elements = s.elements()[:6] }, [2][]Stage{nil, nil}, 4},
		{"a digest that is not known", func(s *Study) { s.Fields[1].SHA256 = "" }, [2][]Stage{all, nil}, 0},
	} {
		s := storedStudy(t, st)
		c.change(s)
		r := run(context.Background(), s, nil)
		for i := range r.Fields {
			if !slices.Equal(r.Fields[i].Reused, c.reused[i]) {
				t.Errorf("after changing %s, %s took up %v, want %v", c.what, r.Fields[i].Name, r.Fields[i].Reused, c.reused[i])
			}
		}
		if n := st.puts - puts; n != c.puts {
			t.Errorf("after changing %s, %d values are new, want %d", c.what, n, c.puts)
		}
		puts = st.puts
	}

	// Values that cannot be read are computed again.
	for key := range st.values {
		st.values[key] = st.values[key][:len(st.values[key])/2]
	}
	if r := run(context.Background(), storedStudy(t, st), nil); len(r.Fields[0].Reused) > 0 {
		t.Errorf("%v was taken up from half a value", r.Fields[0].Reused)
	}
}
