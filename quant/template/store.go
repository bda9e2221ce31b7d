package template

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"fmt"

	"example.org/fleck/quant/transport"
	"example.org/fleck/spectra/xray"
)

// Store keeps simulations between runs. Keys are short and safe as file names and
// name all that a simulation depends on but the version of the program. Get
// returns false for what is not there; Put may drop what it gets. Spheres calls
// each of them once.
type Store interface {
	Get(key string) ([]byte, bool)
	Put(key string, value []byte)
}

// sphereModel is part of the keys; count it up when the numbers change.
const sphereModel = 2

// stored is an ExcessTable without its settings, which the key names.
type stored struct {
	Bare      []transport.Intensity
	BareGlow  []transport.Glow
	Spheres   []transport.Excess
	Trajected int
}

// excesses returns transport.Excesses, from the store where it has them.
func excesses(ctx context.Context, c transport.Config, patches []transport.Patch, st Store) (*transport.ExcessTable, error) {
	key := ""
	if st != nil {
		key = sphereKey(c, patches)
		var v stored
		if b, ok := st.Get(key); ok && json.Unmarshal(b, &v) == nil && len(v.Spheres) == len(patches) && len(v.BareGlow) == len(c.Continuum) {
			return &transport.ExcessTable{Bare: &transport.Result{Trajectories: v.Trajected, Intensities: v.Bare, Continuum: v.BareGlow}, Spheres: v.Spheres}, nil
		}
	}
	x, err := transport.Excesses(ctx, c, patches)
	if err != nil || st == nil {
		return x, err
	}
	if b, err := json.Marshal(stored{x.Bare.Intensities, x.Bare.Continuum, x.Spheres, x.Bare.Trajectories}); err == nil {
		st.Put(key, b)
	}
	return x, nil
}

// sphereKey names everything that the spheres depend on. The detector is not among
// it.
func sphereKey(c transport.Config, patches []transport.Patch) string {
	h := sha256.New()
	fmt.Fprintln(h, sphereModel, xray.TableChecksum(), c.Geometry, c.Elastic, c.Trajectories, c.Seed, c.Order, patches, c.Particle.Sunk, c.Particle.Truncated, c.Continuum)
	put := func(m xray.Material) {
		fmt.Fprintln(h, m.Components, m.Density, m.ThicknessM, m.MassDepth)
	}
	put(c.Substrate)
	put(c.Particle.Material)
	if c.Coating != nil {
		put(*c.Coating)
	}
	return fmt.Sprintf("spheres-%x", h.Sum(nil)[:16])
}
