package main

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"github.com/urfave/cli/v2"
)

// Groups of flags in the help.
const (
	groupEverywhere = "Everywhere"
	groupHeaderless = "Cubes without header"
	groupFrames     = "Cubes with frames"
	groupConditions = "Conditions, where the file does not state them or is wrong"
	groupSpecimen   = "Specimen"
	groupSearch     = "Search"
)

// valueFlag is a flag with a value; usage holds the unit in backquotes.
func valueFlag(group, name, usage string) cli.Flag {
	return &cli.StringFlag{Name: name, Usage: usage, Category: group}
}

// listFlag is a flag with a value that may be given several times.
func listFlag(group, name, usage string) cli.Flag {
	return &cli.StringSliceFlag{Name: name, Usage: usage + "; may be repeated", Category: group}
}

// globalFlags are the flags of every command.
func globalFlags() []cli.Flag {
	return []cli.Flag{
		&cli.BoolFlag{DisableDefaultText: true, Name: "json", Usage: "print the answer as JSON on standard output, and nothing else there", Category: groupEverywhere},
		&cli.BoolFlag{DisableDefaultText: true, Name: "quiet", Usage: "no warnings and no progress on standard error", Category: groupEverywhere},
		valueFlag(groupEverywhere, "workers", "use `N` processor cores; the result does not depend on it (default: all)"),
		valueFlag(groupEverywhere, "seed", "start of the random numbers, a whole `NUMBER` (default: 1)"),
		&cli.BoolFlag{DisableDefaultText: true, Name: "force", Usage: "replace outputs that exist already", Category: groupEverywhere},
	}
}

// conditionFlags describe the measurement.
func conditionFlags() []cli.Flag {
	return []cli.Flag{
		valueFlag(groupConditions, "beam", "landing energy of the electrons in `KEV`"),
		valueFlag(groupConditions, "takeoff", "angle between specimen surface and detector in `DEG` (default: 35)"),
		valueFlag(groupConditions, "live-time", "live time in `S`, of a cube that of the whole field"),
		valueFlag(groupConditions, "energy-first", "energy of the first channel's centre in `EV`"),
		valueFlag(groupConditions, "energy-step", "width of a channel in `EV`"),
	}
}

// detectorFlag names the detector file.
func detectorFlag() cli.Flag {
	return valueFlag(groupConditions, "detector", "JSON `FILE` with the properties of the detector, see: fleck help detector")
}

// cubeFlags describe cubes.
func cubeFlags() []cli.Flag {
	return []cli.Flag{
		valueFlag(groupConditions, "pixel", "side of a square pixel in `UM`, or width,height"),
		valueFlag(groupHeaderless, "shape", "sizes `H,W,C` in the order of --axes, with frames F,H,W,C; of a folder of spectra H,W"),
		valueFlag(groupHeaderless, "type", "`TYPE` of the values: u8, u16 or u32"),
		valueFlag(groupHeaderless, "endian", "`ORDER` of the bytes of a value: little or big"),
		valueFlag(groupHeaderless, "axes", "`AXES` from slowest to fastest, such as y,x,c (default), c,y,x or f,y,x,c with frames"),
		valueFlag(groupHeaderless, "offset", "`BYTES` before the data"),
		valueFlag(groupFrames, "frames", "read only the frames `FIRST-LAST`, or one, counted from 0 (default: all, as their sum)"),
	}
}

// specimenFlags describe target, substrate and coating.
func specimenFlags() []cli.Flag {
	return []cli.Flag{
		valueFlag(groupSpecimen, "target", "`MATERIAL` looked for, such as \"TiO2:4.23g/cm3\""),
		valueFlag(groupSpecimen, "substrate", "`MATERIAL` below, such as \"Fe-18Cr-0.5Nb-0.2Ti:7.7g/cm3\""),
		listFlag(groupSpecimen, "confuser", "another `MATERIAL` that a spot may be"),
		valueFlag(groupSpecimen, "coating", "conductive layer, a `MATERIAL` with thickness, such as \"C:2.0g/cm3:8nm\""),
		valueFlag(groupSpecimen, "coating-order", "`WHERE` the coating lies relative to the particles: under, over or both; needed with --coating"),
		valueFlag(groupSpecimen, "beam-mode", "`MODE` of the beam within a pixel: stationary, rastered (default without --probe) or unknown (default with it: the area that is probed at least counts)"),
		valueFlag(groupSpecimen, "probe", "diameter of the beam in `NM`, for a stationary beam or one of unknown mode"),
	}
}

// searchFlags steer the search for spots.
func searchFlags() []cli.Flag {
	return []cli.Flag{
		valueFlag(groupSearch, "q", "false discovery rate of the list of spots, a `SHARE` (default: 0.05)"),
		valueFlag(groupSearch, "alpha", "false-alarm rate of the verdict on a field, a `SHARE` (default: 0.05)"),
		valueFlag(groupSearch, "replicas", "`N` simulated fields without spots (default: 199)"),
		noLimitFlag(groupSearch),
	}
}

// noLimitFlag leaves out the detection limit.
func noLimitFlag(group string) cli.Flag {
	return &cli.BoolFlag{DisableDefaultText: true, Name: "no-limit", Usage: "leave out the detection limit, which takes about half of the time", Category: group}
}

// readGlobal reads the flags of every command.
func (e *env) readGlobal(c *cli.Context) error {
	e.json, e.quiet, e.force = c.Bool("json"), c.Bool("quiet"), c.Bool("force")
	workers, err := wholeFlag(c, "workers", 0, 0, 4096)
	if err != nil {
		return err
	}
	e.workers = workers
	e.seed = 1
	if s := c.String("seed"); s != "" {
		if e.seed, err = strconv.ParseUint(s, 10, 64); err != nil {
			return usage("--seed %s: a whole number from 0 to %d is accepted", s, uint64(math.MaxUint64))
		}
	}
	return nil
}

// wholeFlag reads a flag of a whole number.
func wholeFlag(c *cli.Context, name string, absent, low, high int) (int, error) {
	s := c.String(name)
	if s == "" {
		return absent, nil
	}
	n, err := strconv.Atoi(s)
	if err != nil || n < low || n > high {
		return 0, usage("--%s %s: a whole number from %d to %d is accepted", name, s, low, high)
	}
	return n, nil
}

// numberFlag reads a flag of one number within low to high.
func numberFlag(c *cli.Context, name string, absent, low, high float64) (float64, error) {
	s := c.String(name)
	if s == "" {
		return absent, nil
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || math.IsNaN(v) || v < low || v > high {
		hint := unitHint(name, s, high)
		if err != nil && strings.Contains(s, ",") {
			hint += "; one value is accepted here, with a decimal point"
		}
		return 0, usage("--%s %s: a number from %g to %g is accepted%s", name, s, low, high, hint)
	}
	return v, nil
}

// unitHint names the unit of a flag, and the value that was meant where a beam
// energy is given in eV.
func unitHint(name, s string, high float64) string {
	unit, ok := map[string]string{"beam": "keV", "second-beam": "keV", "diameter": "nm", "sphere": "nm", "probe": "nm", "dose": "nA·s",
		"current": "nA", "near": "eV", "fwhm": "eV", "low": "eV", "high": "eV", "energy-step": "eV", "takeoff": "degrees"}[name]
	if !ok {
		return ""
	}
	if v, err := strconv.ParseFloat(s, 64); err == nil && unit == "keV" && v > high && v/1000 <= high {
		return fmt.Sprintf(", in keV; did you mean %g?", v/1000)
	}
	return ", in " + unit
}

// wholeList reads numbers separated by commas.
func wholeList(c *cli.Context, name string) ([]int, error) {
	s := c.String(name)
	if s == "" {
		return nil, nil
	}
	var out []int
	for _, f := range strings.Split(s, ",") {
		n, err := strconv.Atoi(strings.TrimSpace(f))
		if err != nil || n < 1 {
			return nil, usage("--%s %s: whole numbers above 0 with commas between them are accepted", name, s)
		}
		out = append(out, n)
	}
	return out, nil
}

// oneFile returns the only file of a command.
func oneFile(c *cli.Context, what string) (string, error) {
	if c.Args().Len() == 1 {
		return c.Args().First(), nil
	}
	return "", usage("%s; expected %s", filesGiven(c), what)
}

// filesGiven says which files a command was given.
func filesGiven(c *cli.Context) string {
	list := strings.Join(c.Args().Slice(), ", ")
	switch n := c.Args().Len(); n {
	case 0:
		return "no file given"
	case 1:
		return "1 file given (" + list + ")"
	default:
		return fmt.Sprintf("%d files given (%s)", n, list)
	}
}

// noFiles refuses files where a command takes none.
func noFiles(c *cli.Context) error {
	if c.Args().Present() {
		return usage("unexpected argument %q", c.Args().First())
	}
	return nil
}
