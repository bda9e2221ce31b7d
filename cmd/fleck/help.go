package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/urfave/cli/v2"
)

const appHelp = `fleck {{.Version}}: {{.Usage}}

Usage: fleck COMMAND [flags and files in any order]

Commands:{{range .VisibleCommands}}
  {{printf "%-11s" .Name}} {{.Usage}}{{end}}

Help: fleck COMMAND --help, and on these topics:
  fleck help materials   how to write materials, elements and lines
  fleck help detector    the detector file
  fleck help cubes       files that are read as cubes and maps
  fleck help codes       error codes of --json, and exit codes
`

const commandHelp = `{{.HelpName}}: {{.Usage}}

Usage: {{.UsageText}}
{{if .Description}}
{{.Description}}
{{end}}{{range .VisibleFlagCategories}}
{{if .Name}}{{.Name}}{{else}}Flags{{end}}:
{{range .Flags}}{{.}}
{{end}}{{end}}`

// topics are the texts of "fleck help TOPIC".
func topics() map[string]string {
	var codes strings.Builder
	codes.WriteString("With --json a failure prints {\"error\":{\"code\",\"message\",\"file\",\"line\"}}.\nfile and line are null where none is concerned. Codes, with the exit code:\n\n")
	for _, f := range failureCodes {
		fmt.Fprintf(&codes, "  %d  %-16s %s\n", f.exit, f.code, f.text)
	}
	codes.WriteString("\nExit codes: 0 done, 1 failed, 2 wrong usage. \"Nothing found\" and \"cannot tell\"\nare answers: 0.\n")
	return map[string]string{
		"codes":     codes.String(),
		"materials": materialsTopic,
		"detector":  detectorTopic,
		"cubes":     cubesTopic,
	}
}

const materialsTopic = `A material is a composition, then qualifiers, each after a colon and with its
unit. Put it in quotes.

  "TiO2:4.23g/cm3"                formula with density
  "CuSO4*5H2O:2.29g/cm3"          hydrate, with * or ·
  "Fe-18Cr-10Ni:7.9g/cm3"         alloy in mass percent, the balance element first
  "C:2.0g/cm3:8nm"                layer: density and thickness
  "Al:3.55ug/cm2"                 layer by mass per area

In a formula the number follows the symbol, in an alloy it precedes it. A single
element takes its usual density when none is stated, but not a layer of carbon.

Elements are symbols: Si. Line families: "Si K". Lines in IUPAC notation,
"Si K-L3", or by their Siegbahn names, "Si Ka1".
`

const cubesTopic = `Cubes are recognised by their first bytes, not by their names:

  NRRD, data attached or in a file of its own     NPY with three axes, or four
  either of them inside gzip or zstd              a folder with one spectrum file per pixel

Anything else is data without header and must be described:
  --shape 128,128,1024 --type u16 --endian little [--axes y,x,c] [--offset 0]

Frames, complete scans of the field one after the other, are read as their sum. They
must be the slowest axis: f,y,x,c in NPY with four axes (taken so where the last is the
longest, else state --axes), a fourth size before the others of data without header, an
axis labelled frame or of the kind time in NRRD. --frames 0-4 reads some of them.

NPY and data without header know neither energy axis nor beam energy nor pixel
size: state --energy-first, --energy-step, --beam and --pixel, or make an NRRD
file of them once:
  fleck convert cube.npy cube.nrrd --energy-first 0 --energy-step 10 --beam 15 --pixel 0.5

Single count maps: TIFF, PNG with 8 or 16 bits of grey, NPY with two axes, text with
one line per row, and cubes of a single channel.

Sides of pixels from 0.0001 to 1000 µm are accepted; others are slips of the unit.
`

func helpCommand(e *env) *cli.Command {
	return &cli.Command{
		Name:      "help",
		Usage:     "explain a command or a topic",
		UsageText: "fleck help [COMMAND | codes | cubes | detector | materials]",
		Action: e.action(func(ctx context.Context, c *cli.Context) error {
			err := e.help(ctx, c.Args().First())
			e.command = "help"
			e.answer.Set("text", e.text.String())
			return err
		}),
	}
}

// help writes the text on a command or a topic.
func (e *env) help(ctx context.Context, name string) error {
	if t := topics()[name]; t != "" {
		e.printf("%s", t)
		return nil
	}
	e.app.Writer = &e.text
	if name == "" || name == "help" {
		return e.app.RunContext(ctx, []string{"fleck"})
	}
	names := []string{"codes", "cubes", "detector", "materials"}
	for _, k := range e.app.Commands {
		if k.Name == name {
			return e.app.RunContext(ctx, []string{"fleck", name, "--help"})
		}
		names = append(names, k.Name)
	}
	return usage("no help on %q%s", name, didYouMean(nearest(name, names)))
}
