package fit

import (
	"fmt"
	"slices"
	"strings"

	"decktrim/internal/plant"
	"decktrim/internal/runs"
)

// NotUsed is a run of the ore source that a fit leaves out, and why.
type NotUsed struct {
	Run string `json:"run"`
	Why string `json:"why"`
}

// Chosen sorts a history for one ore source. Runs whose recovery was defined
// otherwise (splitter rule, products counted) are never mixed in.
type Chosen struct {
	Used    []runs.Run // measured, of the source
	Waiting []runs.Run // at the laboratory, of the source
	Others  []runs.Run // measured, of other sources, recovery defined alike
	NotUsed []NotUsed  // of the source
}

// Choose sorts runs for a source. An empty splitter rule or products list of a run
// means the plant file's.
func Choose(p *plant.Plant, all []runs.Run, source string) Chosen {
	var c Chosen
	for _, r := range all {
		why := ""
		switch {
		case r.Status == runs.Void:
			why = "marked void"
			if r.Note != "" {
				why += ": " + r.Note
			}
		case r.SplitterRule != "" && p.Table.SplitterRule != "" && r.SplitterRule != p.Table.SplitterRule:
			why = fmt.Sprintf("other splitter rule: %s, and the plant follows %s", r.SplitterRule, p.Table.SplitterRule)
		case len(r.ProductsCounted) > 0 && len(p.Objective.ProductsCounted) > 0 && !sameSet(r.ProductsCounted, p.Objective.ProductsCounted):
			why = fmt.Sprintf("other products counted: %s, and the plant counts %s", strings.Join(r.ProductsCounted, " and "), strings.Join(p.Objective.ProductsCounted, " and "))
		case r.Status == runs.Waiting && r.OreSource == source:
			c.Waiting = append(c.Waiting, r)
			continue
		case r.Status != runs.Measured || r.Recovery == nil:
			continue
		case r.OreSource == source:
			c.Used = append(c.Used, r)
			continue
		default:
			c.Others = append(c.Others, r)
			continue
		}
		if r.OreSource == source {
			c.NotUsed = append(c.NotUsed, NotUsed{r.ID, why})
		}
	}
	return c
}

// mostOwn is how many of the newest runs of an ore the model in use looks at: what is
// older than two and a half memories counts for next to nothing of the shape
// (exp(-2.5^2/2) = 4 %), and the work grows with the third power of their number.
const mostOwn = 150

// Recent is the history with the newest runs alone; older ones are listed as not used.
func (c Chosen) Recent() Chosen {
	old := max(0, len(c.Used)-mostOwn)
	c.NotUsed = slices.Clone(c.NotUsed)
	for _, r := range c.Used[:old] {
		c.NotUsed = append(c.NotUsed, NotUsed{r.ID, fmt.Sprintf("older than the newest %d runs, which say what counts now", mostOwn)})
	}
	c.Used = c.Used[old:]
	return c
}

func sameSet(a, b []string) bool {
	for _, x := range a {
		if !slices.Contains(b, x) {
			return false
		}
	}
	for _, x := range b {
		if !slices.Contains(a, x) {
			return false
		}
	}
	return true
}
