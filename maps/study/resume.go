package study

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/gob"
	"fmt"
	"hash"
	"slices"
	"strings"

	"example.org/fleck/maps/cube"
	"example.org/fleck/maps/peaks"
	"example.org/fleck/maps/spots"
	"example.org/fleck/spectra/fit"
)

// Store keeps what a study has computed for a field, so that a run that was
// interrupted, or one with other settings, takes up what still holds. Keys are
// short and safe as file names, and name all that a value depends on but the
// version of the program. Get returns false for what is not there; Put may drop
// what it gets.
type Store interface {
	Get(key string) ([]byte, bool)
	Put(key string, value []byte)
}

// kept returns the value of a stage for a field from the store where it has it;
// else it computes and stores it. An input of unknown digest is never stored. A
// value that cannot be read counts as missing.
func kept[T any](r *Result, i int, stage Stage, depends func(h hash.Hash), compute func() (*T, error)) (*T, error) {
	f := &r.Fields[i]
	st := r.Study.Store
	if st == nil || f.SHA256 == "" {
		return compute()
	}
	h := sha256.New()
	fmt.Fprintln(h, stage, f.SHA256, f.Header.Width, f.Header.Height, f.Header.Channels, f.Header.Pixel, f.Sums.Sum, f.Sums.PixelTotals.V)
	depends(h)
	key := fmt.Sprintf("%s-%x", strings.ReplaceAll(string(stage), " ", "-"), h.Sum(nil)[:16])
	if data, ok := st.Get(key); ok {
		v := new(T)
		if gob.NewDecoder(bytes.NewReader(data)).Decode(v) == nil {
			if !slices.Contains(f.Reused, stage) {
				f.Reused = append(f.Reused, stage)
			}
			return v, nil
		}
	}
	v, err := compute()
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	if gob.NewEncoder(&b).Encode(v) == nil {
		st.Put(key, b.Bytes())
	}
	return v, nil
}

// mapsOf fits every pixel of field i.
func (r *Result) mapsOf(ctx context.Context, i int, src cube.Source, fitter *fit.Fitter, opt peaks.Options) (*peaks.Result, error) {
	return kept(r, i, StageMaps, func(h hash.Hash) {
		low, high := fitter.Channels()
		fmt.Fprintln(h, low, high, fitter.Families, fitter.Shapes())
	}, func() (*peaks.Result, error) { return peaks.Fit(ctx, src, fitter, opt) })
}

// find searches field i.
func (r *Result) find(ctx context.Context, i int, field *spots.Field, opt spots.Options) (*spots.Result, error) {
	return kept(r, i, StageSpots, func(h hash.Hash) {
		o := opt
		o.Workers, o.Progress = 0, nil // without influence on the result
		fmt.Fprintf(h, "%d %+v\n", field.Channels.From, o)
	}, func() (*spots.Result, error) { return spots.Find(ctx, field, opt) })
}
