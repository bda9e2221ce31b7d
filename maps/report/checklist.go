package report

import "fmt"

// CheckGroup is a part of the checklist.
type CheckGroup struct {
	Name  string
	Items []CheckItem
}

// CheckItem is one thing that a report of microanalysis is expected to state.
type CheckItem struct {
	Subject string
	State   State
	Value   string // what is stated, or why not
	After   string // the guide that asks for it
}

// State tells whether something was stated.
type State int

// Values of State.
const (
	NotStated State = iota
	Stated
	NotApplicable
)

// String says the state in words.
func (s State) String() string {
	switch s {
	case Stated:
		return "yes"
	case NotApplicable:
		return "does not apply"
	}
	return "no"
}

// Class is the state as part of a style name.
func (s State) Class() string {
	switch s {
	case Stated:
		return "yes"
	case NotApplicable:
		return "none"
	}
	return "no"
}

// countStated counts the states of a checklist in words.
func countStated(groups []CheckGroup) string {
	var n [3]int
	for _, g := range groups {
		for _, i := range g.Items {
			if i.State >= 0 && int(i.State) < len(n) {
				n[i.State]++
			}
		}
	}
	text := fmt.Sprintf("%d stated, %d not stated", n[Stated], n[NotStated])
	if n[NotApplicable] > 0 {
		text += fmt.Sprintf(", %d without a place here", n[NotApplicable])
	}
	return text
}
