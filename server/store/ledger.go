package store

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"decktrim/internal/ledger"
)

// ErrEntry is a ledger entry that cannot be taken as it is: the text says why.
var ErrEntry = errors.New("this entry cannot be taken")

// AppendEntries commits entries to the ledger, all or none; they are on disk when
// it returns. An entry whose ID is there already with the same content changes
// nothing; with other content it is refused, as is a correction of an entry that is
// unknown or already corrected.
func (s *Store) AppendEntries(ctx context.Context, entries ...ledger.Entry) error {
	tx, err := s.ledger.BeginTx(ctx, nil)
	if err != nil {
		return fmt.Errorf("the ledger cannot be written: %w", err)
	}
	defer tx.Rollback() // after Commit it does nothing
	for _, e := range entries {
		if err := s.appendEntry(ctx, tx, e); err != nil {
			return err
		}
	}
	if err := tx.Commit(); err != nil {
		return fmt.Errorf("the ledger cannot be written: %w", err)
	}
	return nil
}

func (s *Store) appendEntry(ctx context.Context, tx *sql.Tx, e ledger.Entry) error {
	switch {
	case e.ID == "":
		return fmt.Errorf("%w: it has no ID", ErrEntry)
	case e.Plant == "" || e.Kind == "":
		return fmt.Errorf("%w: entry %s names no plant or no kind", ErrEntry, e.ID)
	case e.At.IsZero():
		return fmt.Errorf("%w: entry %s has no time", ErrEntry, e.ID)
	case !json.Valid(e.Body):
		return fmt.Errorf("%w: the body of entry %s is not JSON", ErrEntry, e.ID)
	}
	var body bytes.Buffer
	if err := json.Compact(&body, e.Body); err != nil {
		return err
	}
	old, err := scanEntry(tx.QueryRowContext(ctx, selectEntry+" WHERE id = ?", e.ID))
	switch {
	case err == nil:
		if old.Plant == e.Plant && old.Kind == e.Kind && old.At.Equal(e.At) && old.By == e.By &&
			old.Replaces == e.Replaces && old.Why == e.Why && bytes.Equal(old.Body, body.Bytes()) {
			return nil
		}
		return fmt.Errorf("%w: the ledger holds another entry with ID %s; enter a correction under a new ID", ErrEntry, e.ID)
	case !errors.Is(err, sql.ErrNoRows):
		return fmt.Errorf("the ledger cannot be read: %w", err)
	}
	var replaces any
	if e.Replaces != "" {
		replaces = e.Replaces
		was, err := scanEntry(tx.QueryRowContext(ctx, selectEntry+" WHERE id = ?", e.Replaces))
		switch {
		case errors.Is(err, sql.ErrNoRows):
			return fmt.Errorf("%w: it corrects %s, which is not in the ledger", ErrEntry, e.Replaces)
		case err != nil:
			return fmt.Errorf("the ledger cannot be read: %w", err)
		case was.Plant != e.Plant || was.Kind != e.Kind:
			return fmt.Errorf("%w: it corrects %s, which is of another plant or kind", ErrEntry, e.Replaces)
		}
		var by string
		err = tx.QueryRowContext(ctx, "SELECT id FROM entry WHERE replaces = ?", e.Replaces).Scan(&by)
		switch {
		case err == nil:
			return fmt.Errorf("%w: %s was corrected already by %s; correct that one", ErrEntry, e.Replaces, by)
		case !errors.Is(err, sql.ErrNoRows):
			return fmt.Errorf("the ledger cannot be read: %w", err)
		}
	}
	_, err = tx.ExecContext(ctx, "INSERT INTO entry (id, plant, kind, at, by, replaces, why, body, recorded) VALUES (?,?,?,?,?,?,?,?,?)",
		e.ID, e.Plant, string(e.Kind), e.At.UnixNano(), e.By, replaces, e.Why, body.String(), s.now().UnixNano())
	if err != nil {
		return fmt.Errorf("the ledger cannot be written: %w", err)
	}
	return nil
}

const selectEntry = "SELECT seq, id, plant, kind, at, by, coalesce(replaces, ''), why, body, recorded FROM entry"

func scanEntry(row interface{ Scan(...any) error }) (ledger.Entry, error) {
	var e ledger.Entry
	var kind, body string
	var at, recorded int64
	err := row.Scan(&e.Seq, &e.ID, &e.Plant, &kind, &at, &e.By, &e.Replaces, &e.Why, &body, &recorded)
	e.Kind, e.Body = ledger.Kind(kind), json.RawMessage(body)
	e.At, e.Recorded = time.Unix(0, at).UTC(), time.Unix(0, recorded).UTC()
	return e, err
}

// Entries gives the entries of the kinds that hold now, in order of commitment;
// replaced ones are left out. No kinds: all.
func (s *Store) Entries(ctx context.Context, plantName string, kinds ...ledger.Kind) ([]ledger.Entry, error) {
	q := selectEntry + " AS e WHERE plant = ? AND NOT EXISTS (SELECT 1 FROM entry r WHERE r.replaces = e.id)"
	args := []any{plantName}
	if len(kinds) > 0 {
		q += " AND kind IN (?" + strings.Repeat(",?", len(kinds)-1) + ")"
		for _, k := range kinds {
			args = append(args, string(k))
		}
	}
	return s.entries(ctx, q+" ORDER BY seq", args...)
}

// EntryHistory gives an entry, what it replaced and what replaced it, oldest first;
// empty if there is none with that ID.
func (s *Store) EntryHistory(ctx context.Context, id string) ([]ledger.Entry, error) {
	return s.entries(ctx, `WITH RECURSIVE
		back(id) AS (VALUES (?1) UNION SELECT e.replaces FROM entry e JOIN back ON e.id = back.id WHERE e.replaces IS NOT NULL),
		forth(id) AS (VALUES (?1) UNION SELECT e.id FROM entry e JOIN forth ON e.replaces = forth.id)
		`+selectEntry+` WHERE id IN (SELECT id FROM back UNION SELECT id FROM forth) ORDER BY seq`, id)
}

func (s *Store) entries(ctx context.Context, query string, args ...any) ([]ledger.Entry, error) {
	rows, err := s.ledger.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, fmt.Errorf("the ledger cannot be read: %w", err)
	}
	defer rows.Close()
	var out []ledger.Entry
	for rows.Next() {
		e, err := scanEntry(rows)
		if err != nil {
			return nil, fmt.Errorf("the ledger cannot be read: %w", err)
		}
		out = append(out, e)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("the ledger cannot be read: %w", err)
	}
	return out, nil
}

// bodies decodes the current entries of one kind.
func bodies[T any](ctx context.Context, s *Store, plantName string, kind ledger.Kind) ([]T, error) {
	entries, err := s.Entries(ctx, plantName, kind)
	if err != nil {
		return nil, err
	}
	out := make([]T, 0, len(entries))
	for _, e := range entries {
		var v T
		if err := json.Unmarshal(e.Body, &v); err != nil {
			return nil, fmt.Errorf("ledger entry %s (%s) cannot be understood: %w", e.ID, e.Kind, err)
		}
		out = append(out, v)
	}
	return out, nil
}

// OreSources are the plant's ore sources as they stand in the ledger.
func (s *Store) OreSources(ctx context.Context, plantName string) ([]ledger.OreSource, error) {
	return bodies[ledger.OreSource](ctx, s, plantName, ledger.KindOreSource)
}

// Lots are the plant's lots.
func (s *Store) Lots(ctx context.Context, plantName string) ([]ledger.Lot, error) {
	return bodies[ledger.Lot](ctx, s, plantName, ledger.KindLot)
}

// Runs are the plant's runs.
func (s *Store) Runs(ctx context.Context, plantName string) ([]ledger.Run, error) {
	return bodies[ledger.Run](ctx, s, plantName, ledger.KindRun)
}
