package web

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"strconv"

	"decktrim/internal/ledger"

	"github.com/google/uuid"
)

// entry is what a form has to say, before it gets its place in the ledger.
type entry struct {
	kind ledger.Kind
	body any
}

// write appends what one form says, all or nothing. The form's id names the
// entries, so that a form that is sent twice makes them once.
func (s *site) write(r *http.Request, b base, formID string, entries ...entry) error {
	id, err := uuid.Parse(formID)
	if err != nil {
		id = uuid.Must(uuid.NewV7()) // a form of our own always has one
	}
	var list []ledger.Entry
	for i, e := range entries {
		body, err := json.Marshal(e.body)
		if err != nil {
			return fmt.Errorf("an entry could not be written: %w", err)
		}
		one := id
		if i > 0 {
			one = uuid.NewSHA1(id, []byte(strconv.Itoa(i)))
		}
		list = append(list, ledger.Entry{ID: one.String(), Plant: b.PlantName, Kind: e.kind, At: b.now, By: s.who(r), Body: body})
	}
	if known, err := s.known(r.Context(), b.PlantName, list[0].ID); err != nil || known {
		return err
	}
	return s.Ledger.AppendEntries(r.Context(), list...)
}

// known reports whether the ledger has an entry.
func (s *site) known(ctx context.Context, plantName, id string) (bool, error) {
	entries, err := s.Ledger.Entries(ctx, plantName)
	if err != nil {
		return false, err
	}
	for _, e := range entries {
		if e.ID == id {
			return true, nil
		}
	}
	return false, nil
}
