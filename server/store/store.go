// Package store keeps readings and the ledger. It is the only package with SQL.
//
// Two SQLite files lie in the data folder: readings.db (frames, sealed hours,
// roll-ups, the progress of each spool) and ledger.db (what people entered). Both are in WAL mode
// with synchronous=FULL: what a method has returned without error is on disk.
//
// Readings have one writer at a time; queries run beside it on their own
// connections and see whole commits only.
package store

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net/url"
	"os"
	"path/filepath"
	"sort"
	"strconv"
	"strings"
	"sync"
	"time"

	_ "github.com/ncruces/go-sqlite3/driver" // database/sql driver "sqlite3", without cgo

	"decktrim/internal/plant"
)

//go:embed schema/*.sql
var schemas embed.FS

// Options of Open. Only Dir must be given.
type Options struct {
	Dir    string           // the data folder; it must exist
	Plants []*plant.Plant   // whose channels Range can find
	Now    func() time.Time // plant clock, UTC; nil: time.Now
	Log    *slog.Logger     // nil: discarded
	NoSync bool             // synchronous=OFF, for data that nobody keeps (demo without a folder)
}

// Store is the readings and the ledger of one server. Its methods may be called
// from several goroutines.
type Store struct {
	dir    string
	now    func() time.Time
	log    *slog.Logger
	plants map[string]*plant.Plant

	read   *sql.DB // readings, queries
	ledger *sql.DB

	mu      sync.Mutex // guards the writer and all that follows
	w       *writer
	checked int // commits at the last checkpoint
}

const (
	readingsFile = "readings.db"
	ledgerFile   = "ledger.db"
)

// Open opens the store in a folder, makes it if it is new, and brings an older
// schema up to date. A store made by a newer program is refused.
func Open(o Options) (*Store, error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	s := &Store{dir: o.Dir, now: o.Now, log: o.Log, plants: map[string]*plant.Plant{}}
	for _, p := range o.Plants {
		s.plants[p.Plant.Name] = p
	}
	sync := "FULL"
	if o.NoSync {
		sync = "OFF"
	}
	write, err := openFile(filepath.Join(o.Dir, readingsFile), "readings", sync, 1)
	if err != nil {
		return nil, err
	}
	if s.w, err = newWriter(write, o.Now); err != nil {
		write.Close()
		return nil, err
	}
	if s.read, err = openRead(filepath.Join(o.Dir, readingsFile)); err != nil {
		s.w.close()
		return nil, err
	}
	if s.ledger, err = openFile(filepath.Join(o.Dir, ledgerFile), "ledger", sync, 4); err != nil {
		s.read.Close()
		s.w.close()
		return nil, err
	}
	return s, nil
}

// Close releases the files. A store that is not closed loses nothing.
func (s *Store) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	errs := []error{s.read.Close()}
	if s.w != nil { // else opened for export
		errs = append(errs, s.w.close(), s.ledger.Close())
		s.w = nil
	}
	return errors.Join(errs...)
}

// OpenForExport opens the readings of a data folder for reading only, whether a
// server has them open, was stopped or was killed.
func OpenForExport(dir string) (*Store, error) {
	path := filepath.Join(dir, readingsFile)
	if _, err := os.Stat(path); err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			return nil, fmt.Errorf("%s: no readings are stored there; look at data under [server], or let the server run first", path)
		}
		return nil, fmt.Errorf("%s cannot be opened: %w", path, err)
	}
	db, err := openRead(path)
	if err != nil {
		return nil, err
	}
	var version int
	if err := db.QueryRow("PRAGMA user_version").Scan(&version); err != nil {
		db.Close()
		return nil, fmt.Errorf("%s cannot be read: %w", path, err)
	}
	files, err := migrations("readings")
	if err == nil && version != len(files) {
		err = fmt.Errorf("%s has schema %d and this program reads %d; start the server of the same version once", path, version, len(files))
	}
	if err != nil {
		db.Close()
		return nil, err
	}
	return &Store{dir: dir, now: time.Now, log: slog.New(slog.DiscardHandler), read: db}, nil
}

func dsn(path string, pragmas ...string) string {
	u := url.URL{Scheme: "file", OmitHost: true, Path: path}
	q := url.Values{"_txlock": {"immediate"}}
	for _, p := range append([]string{"busy_timeout(10000)"}, pragmas...) {
		q.Add("_pragma", p)
	}
	u.RawQuery = q.Encode()
	return u.String()
}

func openRead(path string) (*sql.DB, error) {
	db, err := sql.Open("sqlite3", dsn(path, "query_only(1)", "cache_size(-8000)"))
	if err != nil {
		return nil, fmt.Errorf("%s cannot be opened: %w", path, err)
	}
	db.SetMaxOpenConns(4) // each connection costs a page cache of its own
	db.SetMaxIdleConns(4)
	return db, nil
}

// openFile opens a database for writing and applies the migrations of its kind.
func openFile(path, kind, sync string, conns int) (*sql.DB, error) {
	db, err := sql.Open("sqlite3", dsn(path, "auto_vacuum(2)", "journal_mode(WAL)", "synchronous("+sync+")",
		"journal_size_limit("+strconv.Itoa(walRest)+")", "wal_autocheckpoint(0)", "foreign_keys(0)", "cache_size(-16000)"))
	if err != nil {
		return nil, fmt.Errorf("%s cannot be opened: %w", path, err)
	}
	db.SetMaxOpenConns(conns)
	db.SetMaxIdleConns(conns)
	err = migrate(db, kind)
	if err == nil {
		err = shrinkable(db)
	}
	if err != nil {
		db.Close()
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return db, nil
}

// shrinkable makes sure that free pages can be given back: a file made before that
// was so is written anew once.
func shrinkable(db *sql.DB) error {
	var mode int
	if err := db.QueryRow("PRAGMA auto_vacuum").Scan(&mode); err != nil {
		return fmt.Errorf("cannot be read: %w", err)
	}
	if mode == 2 { // incremental
		return nil
	}
	if _, err := db.Exec("VACUUM"); err != nil { // in the mode that the connection asks for
		return fmt.Errorf("cannot be written anew: %w", err)
	}
	return nil
}

func migrations(kind string) ([]string, error) {
	names, err := fs.Glob(schemas, "schema/"+kind+"-*.sql")
	sort.Strings(names)
	return names, err
}

// migrate applies the numbered schema files that a database does not have yet, each
// in its own transaction. user_version counts those applied.
func migrate(db *sql.DB, kind string) error {
	files, err := migrations(kind)
	if err != nil {
		return err
	}
	var version int
	if err := db.QueryRow("PRAGMA user_version").Scan(&version); err != nil {
		return fmt.Errorf("cannot be read: %w", err)
	}
	if version > len(files) {
		return fmt.Errorf("was written by a newer decktrim (schema %d, this program knows %d); run that version or restore the copy made before the upgrade", version, len(files))
	}
	for i := version; i < len(files); i++ {
		text, err := schemas.ReadFile(files[i])
		if err != nil {
			return err
		}
		tx, err := db.Begin()
		if err != nil {
			return fmt.Errorf("cannot be written: %w", err)
		}
		for _, q := range []string{string(text), fmt.Sprintf("PRAGMA user_version = %d", i+1)} {
			if _, err := tx.Exec(q); err != nil {
				return errors.Join(fmt.Errorf("%s: %w", strings.TrimPrefix(files[i], "schema/"), err), tx.Rollback())
			}
		}
		if err := tx.Commit(); err != nil {
			return fmt.Errorf("%s: %w", files[i], err)
		}
	}
	return nil
}

// Probe commits nothing but proves that the readings can be committed to.
func (s *Store) Probe(ctx context.Context) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.w.probe(ctx)
}
