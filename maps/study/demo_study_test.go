//go:build study

package study

import (
	"context"
	"flag"
	"fmt"
	"math"
	"testing"

	"example.org/fleck/maps"
	"example.org/fleck/maps/scene"
)

var (
	seeds    = flag.Int("seeds", 200, "number of seeds")
	first    = flag.Int("first", 1, "first seed")
	replicas = flag.Int("replicas", 39, "replicas of each field without spots")
)

// share counts outcomes per seed and keeps their mean and spread over seeds.
type share struct {
	hit, of  int       // of this seed
	total, n int       // of all seeds
	perSeed  []float64 // share of each seed that had any
}

func (s *share) add(ok bool) {
	s.of++
	if ok {
		s.hit++
	}
}

func (s *share) close() {
	if s.of > 0 {
		s.perSeed = append(s.perSeed, float64(s.hit)/float64(s.of))
	}
	s.total += s.hit
	s.n += s.of
	s.hit, s.of = 0, 0
}

func (s *share) String() string {
	mean, sq := 0.0, 0.0
	for _, v := range s.perSeed {
		mean += v
		sq += v * v
	}
	k := float64(len(s.perSeed))
	mean /= k
	return fmt.Sprintf("%5d of %5d = %.4f; per seed mean %.4f, standard deviation %.4f", s.total, s.n, float64(s.total)/float64(max(s.n, 1)), mean, math.Sqrt(math.Max(0, sq/k-mean*mean)))
}

// TestStudyDemo prints, over many seeds, what becomes of the planted particles
// of the demo scene. Line counts are the expected counts of all lines of the
// particle's own elements.
func TestStudyDemo(t *testing.T) {
	if testing.Short() {
		*seeds = 1
	}
	sc := scene.Demo()
	rd, err := scene.NewRenderer(sc)
	if err != nil {
		t.Fatal(err)
	}
	target := sc.Target.Name
	names := []string{
		"titania of 30 or more line counts found", "titania of 30 or more named titania", "titania of 100 or more named titania",
		"titania called another compound", "others of 500 or more named rightly", "others below 500 named rightly",
		"others named titania", "empty treated field found to hold target", "listed spots that belong to no particle", "treated above blank at 5 %",
	}
	rate := map[string]*share{}
	for _, n := range names {
		rate[n] = &share{}
	}
	for seed := *first; seed < *first+*seeds; seed++ {
		st, truths := demoStudy(t, sc, rd, uint64(seed))
		r, err := Run(context.Background(), st, nil)
		if err != nil {
			t.Fatal(err)
		}
		for i, f := range r.Fields {
			if f.Name == "T4" {
				rate["empty treated field found to hold target"].add(f.Spots.Detected)
			}
			owner := make([]int, len(f.Spots.Spots)) // particle of each spot
			for k, s := range f.Spots.Spots {
				owner[k] = -1
				for p, tr := range truths[i].Spots {
					reach := 2 + tr.DiameterNM/2/sc.Pixel.X.Nm()
					if math.Hypot(s.XPx-tr.XPx, s.YPx-tr.YPx) < reach {
						owner[k] = p
					}
				}
				rate["listed spots that belong to no particle"].add(owner[k] < 0)
			}
			for p, tr := range truths[i].Spots {
				best := -1
				for k, o := range owner {
					if o == p && (best < 0 || f.Spots.Spots[k].ExcessCounts > f.Spots.Spots[best].ExcessCounts) {
						best = k
					}
				}
				found := best >= 0
				named := ""
				if found {
					named = f.Spots.Spots[best].Compound
				}
				switch {
				case tr.Compound == target:
					if tr.LineCounts >= 30 {
						rate["titania of 30 or more line counts found"].add(found)
						rate["titania of 30 or more named titania"].add(named == target)
					}
					if tr.LineCounts >= 100 {
						rate["titania of 100 or more named titania"].add(named == target)
					}
					if found {
						rate["titania called another compound"].add(named != "" && named != target)
					}
				case tr.Compound == "Al2O3": // holds nothing that passes for titania
					rate["others named titania"].add(named == target)
				default:
					key := "others of 500 or more named rightly"
					if tr.LineCounts < 500 {
						key = "others below 500 named rightly"
					}
					rate[key].add(named == tr.Compound)
					rate["others named titania"].add(named == target)
				}
			}
		}
		rate["treated above blank at 5 %"].add(r.Comparison.Density.PValue <= 0.05)
		for _, n := range names {
			rate[n].close()
		}
		if seed%10 == 0 || seed == *first+*seeds-1 {
			fmt.Printf("after seed %d (%d replicas a field):\n", seed, *replicas)
			for _, n := range names {
				fmt.Printf("  %-42s %s\n", n, rate[n])
			}
		}
	}
	// Three standard errors of the share that is asked for.
	if s := rate["titania of 30 or more line counts found"]; float64(s.total) < 0.9*float64(s.n)-3*math.Sqrt(.9*.1*float64(s.n)) {
		t.Errorf("found %d of %d titania particles of 30 or more counts, which contradicts 90 %%", s.total, s.n)
	}
	if s := rate["others named titania"]; s.total > 0 {
		t.Errorf("%d of %d other particles named titania, want none", s.total, s.n)
	}
}

func demoStudy(t *testing.T, sc *scene.Scene, rd *scene.Renderer, seed uint64) (*Study, []scene.Truth) {
	t.Helper()
	st := &Study{Title: sc.Title, Target: sc.Target, Substrate: sc.Substrate, Coating: sc.Coating, Order: sc.Order, Confusers: sc.Confusers}
	st.Options = Options{Seed: seed, NoLimit: true, NoMaps: true, Bootstrap: *replicas}
	var truths []scene.Truth
	for i, f := range sc.Fields() {
		mem, truth, err := rd.Render(i, seed, 0)
		if err != nil {
			t.Fatal(err)
		}
		st.Fields = append(st.Fields, FieldInput{Field: maps.Field{Name: f.Name, Coupon: f.Coupon, Role: f.Role}, Source: mem})
		truths = append(truths, truth)
	}
	return st, truths
}
