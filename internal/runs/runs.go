// Package runs is the history that fitting and advice stand on: one Run per spell
// at one set of settings, sampled. It reads and writes the table runs.csv; the
// ledger keeps the same facts.
package runs

import (
	"fmt"
	"time"
)

// Status says where a run's result is.
type Status string

const (
	Measured Status = ""        // recovery is known
	Waiting  Status = "waiting" // samples are at the laboratory
	Void     Status = "void"    // must not be used; Note says why
)

// Run is one spell at one set of settings. Recovery in percent of the products
// counted; standard errors in the same unit as their value; nil is not known.
type Run struct {
	ID               string
	OreSource        string
	Lot              string
	Block            string // runs of one block are a paired trial
	Start            time.Time
	Settings         map[string]float64 // in each setting's unit
	Recovery         *float64           // %
	RecoverySE       *float64           // points
	ConcentrateGrade *float64           // in the objective's grade unit
	GradeSE          *float64
	Status           Status
	Due              string // date promised by the laboratory, as written
	SplitterRule     string
	ProductsCounted  []string
	SampledKg        *float64
	Note             string
	Extra            map[string]string // columns that nothing here uses, kept as written
	Line             int               // line in the file it came from; 0 elsewhere

	file    string
	columns map[string]int
}

// Where says where a field of the run was read, as file:line:column, for an error
// about it; "run ID" for a run that came from no file.
func (r Run) Where(column string) string {
	if r.Line == 0 {
		return fmt.Sprintf("run %s", r.ID)
	}
	col := r.columns[column]
	if col == 0 {
		col = 1
	}
	return fmt.Sprintf("%s:%d:%d", r.file, r.Line, col)
}
