package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"example.org/fleck/maps"
	"example.org/fleck/maps/compare"
	"example.org/fleck/maps/record"
	"example.org/fleck/maps/spots"
	"github.com/urfave/cli/v2"
)

// compareCounts compares treated with blank count maps: single channels made
// elsewhere. Spots of high counts are counted; what they are a single map cannot
// say.
func (e *env) compareCounts(ctx context.Context, c *cli.Context, treated, blank []string) error {
	if len(c.StringSlice("confuser")) > 0 {
		return usage("count maps hold one channel; --confuser needs cubes")
	}
	for _, name := range []string{"beam-mode", "probe"} {
		if c.IsSet(name) {
			return usage("count maps: the whole area is counted; --%s needs cubes", name)
		}
	}
	opt, cond, err := e.countOptions(c)
	if err != nil {
		return err
	}
	out, complete, err := e.openFolder(c.String("out"))
	if err != nil {
		return err
	}
	if complete {
		return e.answerFromFolder(c.String("out"))
	}
	defer out.discard()
	var sides [2][]compare.Observation
	rows := []record.Object{}
	text := ""
	scaled := true
	names := record.FileNames{}
	all, err := e.countMaps(ctx, c, slices.Concat(treated, blank))
	if err != nil {
		return err
	}
	roles := [2]maps.Role{maps.Treated, maps.Untreated}
	var fields []maps.Field
	for side, files := range [2][]string{treated, blank} {
		for _, path := range files {
			fields = append(fields, maps.Field{Name: path, Coupon: filepath.Dir(path), Role: roles[side]})
		}
	}
	if c.Bool("paired") {
		if err := checkPairs(fields); err != nil {
			return err
		}
	}
	for side, files := range [2][]string{treated, blank} {
		role := roles[side]
		for _, path := range files {
			m, field := all[0], fields[0]
			all, fields = all[1:], fields[1:]
			res, err := spots.FindCounts(ctx, m, opt)
			if err != nil {
				return countsError(path, m, err)
			}
			for _, w := range res.Remarks {
				e.warn("%s: %s", path, w)
			}
			px := m.Pixel.AreaUm2() * 1e-6
			if math.IsNaN(px) {
				px, scaled = 1e-6, false
			}
			o := compare.Observation{Field: field, AreaMm2: px * float64(m.W*m.H),
				Spots: len(res.Spots), ExpectedFalse: res.ExpectedFalse}
			variance := 0.0
			for _, s := range res.Spots {
				o.SpotAreaMm2 += s.AreaPx * px
				o.ExcessCounts += s.ExcessCounts
				variance += s.ExcessSigma * s.ExcessSigma
			}
			o.SpotAreaMm2 = math.Min(o.SpotAreaMm2, o.AreaMm2) // spots reach beyond the frame
			o.ExcessSigma = math.Sqrt(variance)
			sides[side] = append(sides[side], o)
			row := record.Of("name", path, "role", string(role), "coupon", o.Field.Coupon)
			row.Number("p_value", res.PValue, "")
			row.Set("detected", res.Detected)
			row.Set("spots", record.Spots(nil, res.Spots, cond))
			rows = append(rows, row)
			text += fmt.Sprintf("%-30s %-9s %6d  %-8v  %.2g\n", path, role, len(res.Spots), res.Detected, res.PValue)
			if out != nil {
				if err := out.write(names.Of(filepath.Base(path))+"_spots.csv", func(w io.Writer) error { return writeSpotTable(w, cond, res.Spots) }); err != nil {
					return err
				}
			}
		}
	}
	cmp, err := compare.Fields(sides[0], sides[1], compare.Options{Alpha: opt.Alpha, Seed: opt.Seed, Paired: c.Bool("paired")})
	if err != nil {
		return err
	}
	cmp.Verdict = strings.ReplaceAll(cmp.Verdict, " of the target", "") // a single map does not name a compound
	cmp.Above.Statement = strings.ReplaceAll(cmp.Above.Statement, " of the target", "")
	if !scaled {
		cmp.Verdict, cmp.Above.Statement = perPixels(cmp.Verdict), perPixels(cmp.Above.Statement)
	}
	e.answer.Set("verdict", cmp.Verdict)
	e.answerComparison(cmp, scaled, cond)
	e.answer.Set("fields", rows)
	e.printf("%s\nSpots are places of high counts; a single map does not name a compound.\n\n", cmp.Verdict)
	e.printf("coupons              %d treated, %d blank; replicate: %s; smallest p that exchanging them can give: %.2g\n%s\n\n", cmp.Coupons[0], cmp.Coupons[1], cmp.Unit, cmp.SmallestP, cmp.Above.Statement)
	e.printf("map                            role       spots  detected  p\n%s", text)
	if out == nil {
		return nil
	}
	e.answer.Set("out", out.dir)
	e.printf("\nwritten to %s\n", out.dir)
	return e.finishFolder(out)
}

// perPixels says what a text says of areas in pixels, of which a million were taken
// as a mm².
func perPixels(text string) string {
	return strings.ReplaceAll(strings.ReplaceAll(text, "per mm²", "per 10⁶ pixels"), " mm²", " · 10⁶ pixels")
}

// countMaps reads the count maps of a comparison, of which all or none must know the
// size of their pixels.
func (e *env) countMaps(ctx context.Context, c *cli.Context, paths []string) ([]maps.Map, error) {
	var out []maps.Map
	for _, path := range paths {
		m, single, err := e.countMap(ctx, c, path)
		if err != nil {
			return nil, err
		}
		if err := e.addMeasurement(path); err != nil {
			return nil, err
		}
		if !single {
			return nil, failed(codeNotCube, path, "a cube beside count maps; compare cubes with cubes and count maps with count maps")
		}
		if out = append(out, m); m.Pixel.Known() != out[0].Pixel.Known() {
			return nil, usage("the pixel size is known of one of %s and %s only: state --pixel", paths[0], path)
		}
	}
	if !out[0].Pixel.Known() {
		e.warn("pixel size unknown (--pixel): areas are taken as if pixels were 1 µm wide")
	}
	return out, nil
}
