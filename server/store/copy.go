package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/ncruces/go-sqlite3"
	"github.com/ncruces/go-sqlite3/driver"
)

// Snapshot holds one state of every database of a data folder, taken together, while
// a server may go on writing. Close lets go of it.
type Snapshot struct {
	dir    string
	pinned []pinned
}

type pinned struct {
	name string
	db   *sql.DB
	conn *sql.Conn
}

const copyPages = 128 // pages copied at a stretch: half a megabyte at 4096 bytes

// Pin takes the state of each *.db of a data folder. Writers are not held up: a
// reader of a database in WAL mode blocks nobody, the log only grows meanwhile.
func Pin(ctx context.Context, dir string) (*Snapshot, error) {
	paths, err := filepath.Glob(filepath.Join(dir, "*.db"))
	if err != nil {
		return nil, fmt.Errorf("%s cannot be searched: %w", dir, err)
	}
	s := &Snapshot{dir: dir}
	for _, must := range []string{readingsFile, ledgerFile} {
		if !slices.Contains(paths, filepath.Join(dir, must)) {
			return nil, fmt.Errorf("%s: %s is not there; look at data under [server], or let the server run first", dir, must)
		}
	}
	for _, path := range paths {
		if err := s.pin(ctx, path); err != nil {
			return nil, errors.Join(fmt.Errorf("%s cannot be read: %w", path, err), s.Close())
		}
	}
	return s, nil
}

func (s *Snapshot) pin(ctx context.Context, path string) error {
	db, err := openRead(path)
	if err != nil {
		return err
	}
	p := pinned{name: filepath.Base(path), db: db}
	if p.conn, err = db.Conn(ctx); err != nil {
		return errors.Join(err, db.Close())
	}
	s.pinned = append(s.pinned, p)
	// A deferred transaction takes its state with its first read.
	if _, err = p.conn.ExecContext(ctx, "BEGIN DEFERRED"); err != nil {
		return err
	}
	var tables int
	return p.conn.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_schema").Scan(&tables)
}

// Names lists the databases, as file names in the data folder.
func (s *Snapshot) Names() []string {
	var out []string
	for _, p := range s.pinned {
		out = append(out, p.name)
	}
	return out
}

// Bytes is the size of a database of the snapshot.
func (s *Snapshot) Bytes(ctx context.Context, name string) (int64, error) {
	p, err := s.find(name)
	if err != nil {
		return 0, err
	}
	var n int64
	if err := p.conn.QueryRowContext(ctx, "SELECT page_count * page_size FROM pragma_page_count, pragma_page_size").Scan(&n); err != nil {
		return 0, fmt.Errorf("%s cannot be read: %w", name, err)
	}
	return n, nil
}

// Copy writes a database of the snapshot to a new file, at most rate bytes/s so that
// the server keeps its share of the disk (0: no limit), and tells its progress in
// bytes. The file is whole when Copy returns nil; CheckCopy makes sure.
func (s *Snapshot) Copy(ctx context.Context, name, to string, rate int64, progress func(done, total int64)) error {
	p, err := s.find(name)
	if err != nil {
		return err
	}
	if _, err := os.Lstat(to); err == nil {
		return fmt.Errorf("%s is there already", to)
	}
	var pageSize int64
	if err := p.conn.QueryRowContext(ctx, "PRAGMA page_size").Scan(&pageSize); err != nil {
		return fmt.Errorf("%s cannot be read: %w", name, err)
	}
	err = p.conn.Raw(func(c any) error {
		uri := url.URL{Scheme: "file", OmitHost: true, Path: to}
		b, err := c.(driver.Conn).Raw().BackupInit("main", uri.String())
		if err != nil {
			return err
		}
		return errors.Join(stepThrough(ctx, b, pageSize, rate, progress), b.Close())
	})
	if err != nil {
		return fmt.Errorf("%s cannot be copied to %s: %w", name, to, err)
	}
	return nil
}

func stepThrough(ctx context.Context, b *sqlite3.Backup, pageSize, rate int64, progress func(done, total int64)) error {
	start := time.Now()
	for {
		done, err := b.Step(copyPages)
		if err != nil {
			return err
		}
		copied := int64(b.PageCount()-b.Remaining()) * pageSize
		progress(copied, int64(b.PageCount())*pageSize)
		if done {
			return nil
		}
		due := start
		if rate > 0 {
			due = start.Add(time.Duration(float64(copied) / float64(rate) * float64(time.Second)))
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(time.Until(due)):
		}
	}
}

func (s *Snapshot) find(name string) (pinned, error) {
	for _, p := range s.pinned {
		if p.name == name {
			return p, nil
		}
	}
	return pinned{}, fmt.Errorf("%s is not in the snapshot", name)
}

// Close lets go of the state.
func (s *Snapshot) Close() error {
	var errs []error
	for _, p := range s.pinned {
		errs = append(errs, p.conn.Close(), p.db.Close())
	}
	s.pinned = nil
	return errors.Join(errs...)
}

// CopyFacts is what CheckCopy found in a sound copy.
type CopyFacts struct {
	Schema int              // number of the last schema file applied
	Rows   map[string]int64 // by table
}

// CheckCopy opens a copied database that nobody else uses and reads all of it. A page
// that is damaged, or a schema that this program does not know, is an error. The copy
// is left as one file that needs no log beside it.
func CheckCopy(ctx context.Context, path string) (CopyFacts, error) {
	f := CopyFacts{Rows: map[string]int64{}}
	name := filepath.Base(path)
	db, err := sql.Open("sqlite3", dsn(path, "trusted_schema(0)", "synchronous(FULL)", "journal_mode(DELETE)", "cache_size(-16000)"))
	if err != nil {
		return f, fmt.Errorf("%s cannot be opened: %w", name, err)
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	var verdict string
	if err := db.QueryRowContext(ctx, "PRAGMA integrity_check(1)").Scan(&verdict); err != nil {
		return f, fmt.Errorf("%s is damaged: %w", name, err)
	}
	if verdict != "ok" {
		return f, fmt.Errorf("%s is damaged: %s", name, verdict)
	}
	if err := db.QueryRowContext(ctx, "PRAGMA user_version").Scan(&f.Schema); err != nil {
		return f, fmt.Errorf("%s cannot be read: %w", name, err)
	}
	if err := KnownSchema(name, f.Schema); err != nil {
		return f, err
	}
	rows, err := db.QueryContext(ctx, "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite\\_%' ESCAPE '\\'")
	if err != nil {
		return f, fmt.Errorf("%s cannot be read: %w", name, err)
	}
	defer rows.Close()
	var tables []string
	for rows.Next() {
		var t string
		if err := rows.Scan(&t); err != nil {
			return f, fmt.Errorf("%s cannot be read: %w", name, err)
		}
		tables = append(tables, t)
	}
	if err := rows.Err(); err != nil {
		return f, fmt.Errorf("%s cannot be read: %w", name, err)
	}
	for _, t := range tables {
		var n int64
		if err := db.QueryRowContext(ctx, `SELECT count(*) FROM "`+strings.ReplaceAll(t, `"`, `""`)+`"`).Scan(&n); err != nil {
			return f, fmt.Errorf("%s cannot be read: %w", name, err)
		}
		f.Rows[t] = n
	}
	return f, nil
}

// KnownSchema refuses a database whose schema is newer than this program's.
func KnownSchema(name string, schema int) error {
	files, err := migrations(strings.TrimSuffix(name, ".db"))
	if err != nil {
		return err
	}
	if len(files) > 0 && schema > len(files) {
		return fmt.Errorf("%s was written by a newer decktrim (schema %d, this program knows %d); use that version", name, schema, len(files))
	}
	return nil
}
