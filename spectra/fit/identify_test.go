package fit

import (
	"math/rand/v2"
	"strings"
	"testing"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/synth"
	"example.org/fleck/spectra/xray"
)

// TestIdentifyCoating: what the coating holds is an artefact, not an element.
func TestIdentifyCoating(t *testing.T) {
	s := noisy(simulate(t, spectra.Calibration{GainEV: 10}, 1024, 15000, spectra.DefaultDetector(), 60000,
		family{"C", xray.FamilyK, 6000}, family{"Si", xray.FamilyK, 20000}), rand.New(rand.NewPCG(8, 8)))
	id, err := Identify(s, IdentifyOptions{Candidates: []xray.Element{6, 8, 14, 22}, Coating: []xray.Element{6}})
	if err != nil {
		t.Fatal(err)
	}
	if len(id.Elements) != 1 || id.Elements[0].Element != 14 {
		t.Errorf("elements %+v, want Si alone", id.Elements)
	}
	for _, a := range id.Artefacts {
		if a.Kind == CoatingLine && strings.HasPrefix(a.Of, "C K") && a.Counts > 5000 && a.Counts < 7000 {
			return
		}
	}
	t.Errorf("artefacts %+v, want C K of the coating", id.Artefacts)
}

// TestIdentifyWeakSilicon: a silicon peak that the detector may send is an artefact
// which says that it may be the specimen's as well.
func TestIdentifyWeakSilicon(t *testing.T) {
	s := noisy(simulate(t, spectra.Calibration{GainEV: 10}, 1024, 10000, spectra.DefaultDetector(), 2e5,
		family{"Ti", xray.FamilyK, 2e5}, family{"Si", xray.FamilyK, 2000}), rand.New(rand.NewPCG(8, 9)))
	id, err := Identify(s, IdentifyOptions{Candidates: []xray.Element{8, 14, 22}})
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range id.Artefacts {
		if a.Kind == DetectorSilicon && strings.Contains(a.Of, "whether the specimen holds some too cannot be told") {
			return
		}
	}
	t.Errorf("elements %+v, artefacts %+v; want silicon of detector or specimen", id.Elements, id.Artefacts)
}

// TestIdentifySumOnLine: sums of Al K and C K fall on Si K (1764 and 1740 eV);
// without silicon in the specimen none is found, and the sum is named.
func TestIdentifySumOnLine(t *testing.T) {
	if testing.Short() {
		t.Skip("long: left out of short runs")
	}
	s := simulate(t, spectra.Calibration{GainEV: 10}, 1024, 10000, spectra.DefaultDetector(), 2e5,
		family{"C", xray.FamilyK, 5e5}, family{"Al", xray.FamilyK, 8e5})
	synth.AddPileUp(s.Counts, s.Calibration, 0.02)
	s = noisy(s, rand.New(rand.NewPCG(9, 9)))
	id, err := Identify(s, IdentifyOptions{})
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range id.Elements {
		if e.Element != 6 && e.Element != 13 {
			t.Errorf("%s found, %.0f ± %.0f counts", e.Element, e.NetCounts, e.Sigma)
		}
	}
	for _, a := range id.Artefacts {
		if a.Kind == SumPeak && a.EnergyEV > 1750 && a.EnergyEV < 1780 {
			return
		}
	}
	t.Errorf("artefacts %+v, want the sum of Al K and C K", id.Artefacts)
}
