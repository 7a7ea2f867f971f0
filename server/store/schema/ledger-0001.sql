-- What people entered and decided. Append-only: a correction is a new entry that
-- names the old one, and the triggers refuse anything else. Times are nanoseconds
-- since 1970, UTC.
CREATE TABLE entry (
  seq      INTEGER PRIMARY KEY AUTOINCREMENT,
  id       TEXT NOT NULL UNIQUE,
  plant    TEXT NOT NULL,
  kind     TEXT NOT NULL,
  at       INTEGER NOT NULL,
  by       TEXT NOT NULL,
  replaces TEXT UNIQUE REFERENCES entry(id),
  why      TEXT NOT NULL,
  body     TEXT NOT NULL CHECK (json_valid(body)),
  recorded INTEGER NOT NULL
) STRICT;
CREATE INDEX entry_plant ON entry (plant, kind, at);

CREATE TRIGGER entry_no_update BEFORE UPDATE ON entry
BEGIN SELECT RAISE(ABORT, 'the ledger is append-only: enter a correction'); END;
CREATE TRIGGER entry_no_delete BEFORE DELETE ON entry
BEGIN SELECT RAISE(ABORT, 'the ledger is append-only: enter a correction'); END;
