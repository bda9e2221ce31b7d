package report_test

import (
	"bytes"
	"fmt"
	"strings"

	"example.org/fleck/maps/report"
)

func ExampleWrite() {
	var page bytes.Buffer
	err := report.Write(&page, report.Data{
		Title:   "Rinse on <b>panels</b>",
		Verdict: "No spot of the target was found on either side.",
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, line := range strings.Split(page.String(), "\n") {
		if strings.HasPrefix(line, "<h1>") || strings.HasPrefix(line, `<p class="main">`) {
			fmt.Println(line)
		}
	}
	// Output:
	// <h1>Rinse on &lt;b&gt;panels&lt;/b&gt;</h1>
	// <p class="main">No spot of the target was found on either side.</p>
}
