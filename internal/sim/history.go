package sim

import (
	"time"

	"decktrim/internal/ledger"
	"decktrim/internal/plant"
)

// History is an invented past of a mill.
type History struct {
	Lots    []ledger.Lot
	Runs    []ledger.Run
	Sources []ledger.OreSource
}

// MakeHistory invents about half a year of lots and runs that ends at end.
func MakeHistory(p *plant.Plant, seed uint64, end time.Time) (History, error) {
	return History{}, nil
}
