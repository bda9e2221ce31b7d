package main

import (
	"encoding/csv"
	"fmt"
	"os"
	"strconv"
)

// readCSV returns the rows of a file below its header, each as column name → text.
func readCSV(path string) ([]map[string]string, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	records, err := csv.NewReader(f).ReadAll()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	var rows []map[string]string
	for _, rec := range records[1:] {
		row := map[string]string{}
		for i, column := range records[0] {
			row[column] = rec[i]
		}
		rows = append(rows, row)
	}
	return rows, nil
}

// element is one row of overrides/elements.csv; density is 0 where libxrl's value stands.
type element struct {
	symbol, weightText, densitySource string
	weight, density                   float64
}

func readElements(path string) ([maxZ + 1]element, error) {
	var out [maxZ + 1]element
	rows, err := readCSV(path)
	if err != nil {
		return out, err
	}
	for i, r := range rows {
		z, err := strconv.Atoi(r["z"])
		if err != nil || z != i+1 || z > maxZ {
			return out, fmt.Errorf("%s: row %d: z %q", path, i+1, r["z"])
		}
		e := element{symbol: r["symbol"], weightText: r["atomic_weight_g_mol"], densitySource: r["density_source"]}
		if e.weight, err = strconv.ParseFloat(e.weightText, 64); err != nil {
			return out, fmt.Errorf("%s: %s: %w", path, e.symbol, err)
		}
		if text := r["density_g_cm3"]; text != "" {
			if e.density, err = strconv.ParseFloat(text, 64); err != nil {
				return out, fmt.Errorf("%s: %s: %w", path, e.symbol, err)
			}
		}
		out[z] = e
	}
	return out, nil
}

// shellKey names one level of one element.
type shellKey struct {
	z     int
	shell string
}

// sourced is a value with the key of its source.
type sourced struct {
	value  float64
	source string
}

func readYields(path string) (map[shellKey]sourced, error) {
	rows, err := readCSV(path)
	if err != nil {
		return nil, err
	}
	out := map[shellKey]sourced{}
	for _, r := range rows {
		z, err := strconv.Atoi(r["z"])
		if err != nil {
			return nil, fmt.Errorf("%s: z %q", path, r["z"])
		}
		v, err := strconv.ParseFloat(r["yield"], 64)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", path, err)
		}
		out[shellKey{z, r["shell"]}] = sourced{v, r["source"]}
	}
	return out, nil
}

// lineKey names one line of one element.
type lineKey struct {
	z              int
	initial, final string
}

// measuredEnergy is a line energy from another source than libxrl. Blend is the group that the source could not
// resolve, in the notation of the source, or "".
type measuredEnergy struct {
	sourced
	blend string
}

func readMeasured(path string) (map[lineKey]measuredEnergy, error) {
	rows, err := readCSV(path)
	if err != nil {
		return nil, err
	}
	out := map[lineKey]measuredEnergy{}
	for _, r := range rows {
		z, err := strconv.Atoi(r["z"])
		if err != nil {
			return nil, fmt.Errorf("%s: z %q", path, r["z"])
		}
		v, err := strconv.ParseFloat(r["energy_ev"], 64)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", path, err)
		}
		out[lineKey{z, r["initial"], r["final"]}] = measuredEnergy{sourced{v, r["source"]}, r["blend"]}
	}
	return out, nil
}
