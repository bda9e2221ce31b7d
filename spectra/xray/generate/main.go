// Command generate writes the tables of package xray: it reads libxrl 4.0.0 through its C interface, the scattering
// factors of Henke, Gullikson & Davis 1993, and the files in overrides/, and merges them as ../data/SOURCES.md says.
//
// On Debian the inputs are the packages libxrl-dev (4.0.0+dfsg1-3) and python3-periodictable (1.6.0-1). Run it with
// go generate in the directory above. The same inputs give the same files, byte for byte.
package main

import (
	"flag"
	"fmt"
	"log"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

const maxZ = 98

var verbose bool

func main() {
	log.SetFlags(0)
	log.SetPrefix("generate: ")
	out := flag.String("out", "../data", "directory to write to")
	nff := flag.String("nff", "/usr/lib/python3/dist-packages/periodictable/xsf", "directory of the Henke .nff files")
	header := flag.String("header", "/usr/include/xraylib/xraylib-lines.h", "header that numbers the lines")
	flag.BoolVar(&verbose, "v", false, "print how the attenuation of each element is put together")
	flag.Parse()
	if err := run(*out, *nff, *header); err != nil {
		log.Fatal(err)
	}
}

func run(out, nff, header string) error {
	elements, err := readElements("overrides/elements.csv")
	if err != nil {
		return err
	}
	yields, err := readYields("overrides/yields.csv")
	if err != nil {
		return err
	}
	measured, err := readMeasured("overrides/line_energies.csv")
	if err != nil {
		return err
	}
	numbers, err := readLineNumbers(header)
	if err != nil {
		return err
	}
	attenuation, err := attenuationTable(elements, nff)
	if err != nil {
		return err
	}
	for _, t := range []struct {
		name string
		text string
	}{
		{"elements.csv", elementTable(elements)},
		{"shells.csv", shellTable(yields)},
		{"coster_kronig.csv", costerKronigTable()},
		{"lines.csv", lineTable(numbers, measured)},
		{"attenuation.csv", attenuation},
		{"sources.csv", sourceTable()},
	} {
		if err := os.WriteFile(filepath.Join(out, t.name), []byte(t.text), 0o644); err != nil {
			return err
		}
		fmt.Printf("%s: %d rows, %d bytes\n", t.name, strings.Count(t.text, "\n")-1, len(t.text))
	}
	return nil
}

// format prints v with the given significant digits, without an exponent where that is shorter.
func format(v float64, digits int) string {
	return strconv.FormatFloat(v, 'g', digits, 64)
}
