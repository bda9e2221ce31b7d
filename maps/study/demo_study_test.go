//go:build study

package study

import (
	"context"
	"flag"
	"fmt"
	"math"
	"testing"
	"time"

	"example.org/fleck/maps"
	"example.org/fleck/maps/scene"
)

var seeds = flag.Int("seeds", 3, "number of seeds")

// TestStudyDemo prints, over many seeds, what becomes of the planted particles
// of the demo scene.
func TestStudyDemo(t *testing.T) {
	sc := scene.Demo()
	rd, err := scene.NewRenderer(sc)
	if err != nil {
		t.Fatal(err)
	}
	for seed := 1; seed <= *seeds; seed++ {
		st, truths := demoStudy(t, sc, rd, uint64(seed))
		t0 := time.Now()
		r, err := Run(context.Background(), st, nil)
		if err != nil {
			t.Fatal(err)
		}
		fmt.Println("seed", seed, "run", time.Since(t0), "dev", r.Fit.Deviance/r.Fit.ExpectedDeviance)
		for i, f := range r.Fields {
			fmt.Printf(" field %s p=%.3g found %d rejected %d thr %.1f list %.1f false %.2f\n", f.Name, f.Spots.PValue, len(f.Spots.Spots), len(f.Spots.Rejected), f.Spots.Threshold, f.Spots.ListThreshold, f.Spots.ExpectedFalse)
			used := map[int]bool{}
			for _, tr := range truths[i].Spots {
				best := -1
				for k, s := range f.Spots.Spots {
					if d := math.Hypot(s.XPx-tr.XPx, s.YPx-tr.YPx); d < 2+tr.DiameterNM/2/sc.Pixel.X.Nm() && !used[k] {
						if best < 0 || d < math.Hypot(f.Spots.Spots[best].XPx-tr.XPx, f.Spots.Spots[best].YPx-tr.YPx) {
							best = k
						}
					}
				}
				if tr.LineCounts < 20 && best < 0 {
					continue
				}
				if best < 0 {
					why := ""
					for _, s := range f.Spots.Rejected {
						if math.Hypot(s.XPx-tr.XPx, s.YPx-tr.YPx) < 3 {
							why = s.Reason
						}
					}
					fmt.Printf("   MISSED %-12s d=%4.0f line %.0f own %.0f %s\n", tr.Compound, tr.DiameterNM, tr.LineCounts, tr.OwnCounts, why)
					continue
				}
				used[best] = true
				s := f.Spots.Spots[best]
				fmt.Printf("   %-12s d=%4.0f line %.0f own %.0f -> %s %q excess %.0f±%.0f line %.0f±%.0f w=%.2f d=%.2f µm %v\n", tr.Compound, tr.DiameterNM, tr.LineCounts, tr.OwnCounts, s.Verdict, s.Compound, s.ExcessCounts, s.ExcessSigma, s.LineCounts, s.LineSigma, s.WidthPx, s.DiameterUm, s.Reason)
			}
			for k, s := range f.Spots.Spots {
				if !used[k] {
					fmt.Printf("   FALSE %.1f %.1f LLR %.1f q=%.3g %s %s excess %.0f\n", s.XPx, s.YPx, s.LogLikelihood, s.QValue, s.Verdict, s.Compound, s.ExcessCounts)
				}
			}
		}
		if r.Comparison != nil {
			fmt.Println(r.Comparison.Verdict)
		}
		for _, rem := range r.Remarks {
			fmt.Println(" !", rem)
		}
	}
}

func demoStudy(t *testing.T, sc *scene.Scene, rd *scene.Renderer, seed uint64) (*Study, []scene.Truth) {
	t.Helper()
	st := &Study{Title: sc.Title, Target: sc.Target, Substrate: sc.Substrate, Coating: sc.Coating, Order: sc.Order, Confusers: sc.Confusers}
	st.Options = Options{Seed: seed, NoLimit: true}
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
