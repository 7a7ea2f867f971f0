-- Readings as they came. All times are milliseconds since 1970, UTC.
--
-- A frame is one record of a node's spool; its key is (stream, seq), so that a
-- frame sent again changes nothing. Its values are packed in body; layout says
-- which metrics of which type they are. Whole past hours may later be moved from
-- frame into compressed blocks: whatever reads frames goes through one function.
CREATE TABLE node (
  id   INTEGER PRIMARY KEY,
  name TEXT NOT NULL UNIQUE            -- GROUP/NODE
) STRICT;

CREATE TABLE stream (
  id     INTEGER PRIMARY KEY,
  node   INTEGER NOT NULL REFERENCES node(id),
  name   TEXT NOT NULL,                -- UUID of the node's spool
  acked  INTEGER NOT NULL DEFAULT 0,   -- everything up to here is stored or booked as lost
  oldest INTEGER NOT NULL DEFAULT 0,   -- oldest record the node still holds; 0: not told
  last   INTEGER NOT NULL DEFAULT 0,   -- highest number seen or told
  UNIQUE (node, name)
) STRICT;

-- Numbers that will never come, by cause: 'gap' the node said so itself,
-- 'dropped' they fell below the oldest record the node holds.
CREATE TABLE lost (
  stream INTEGER NOT NULL REFERENCES stream(id),
  first  INTEGER NOT NULL,
  last   INTEGER NOT NULL,
  cause  TEXT NOT NULL,
  booked INTEGER NOT NULL,
  PRIMARY KEY (stream, first)
) STRICT, WITHOUT ROWID;

CREATE TABLE metric (
  id     INTEGER PRIMARY KEY,
  node   INTEGER NOT NULL REFERENCES node(id),
  device TEXT NOT NULL,                -- empty: the node's own
  name   TEXT NOT NULL,
  UNIQUE (node, device, name)
) STRICT;

CREATE TABLE layout (
  id   INTEGER PRIMARY KEY,
  body BLOB NOT NULL UNIQUE            -- (metric id varint, kind byte) for each value
) STRICT;

CREATE TABLE boot (
  id   INTEGER PRIMARY KEY,
  name TEXT NOT NULL UNIQUE
) STRICT;

CREATE TABLE frame (
  stream   INTEGER NOT NULL,
  seq      INTEGER NOT NULL,
  ts       INTEGER NOT NULL,           -- when measured
  boot     INTEGER NOT NULL,           -- 0: not told
  layout   INTEGER NOT NULL,
  gap_from INTEGER,
  gap_to   INTEGER,
  body     BLOB NOT NULL,
  PRIMARY KEY (stream, seq)
) STRICT, WITHOUT ROWID;
CREATE INDEX frame_ts ON frame (stream, ts);

-- Readings of nodes without a spool, and of devices: key (metric, ts). kind has 16
-- added if a birth said it; data with the same key takes its place.
CREATE TABLE reading (
  metric  INTEGER NOT NULL,
  ts      INTEGER NOT NULL,
  quality INTEGER NOT NULL,
  value   ANY,                         -- NULL, number, text; booleans and big integers are in kind
  kind    INTEGER NOT NULL,
  PRIMARY KEY (metric, ts)
) STRICT, WITHOUT ROWID;

-- Roll-ups of the readings that are numbers of good quality; worst is the worst
-- quality of all readings in the bucket. t is the bucket's start.
CREATE TABLE minute (
  metric INTEGER NOT NULL,
  t      INTEGER NOT NULL,
  n      INTEGER NOT NULL,
  mean   REAL NOT NULL,
  least  REAL NOT NULL,
  most   REAL NOT NULL,
  worst  INTEGER NOT NULL,
  PRIMARY KEY (metric, t)
) STRICT, WITHOUT ROWID;
CREATE TABLE hour (
  metric INTEGER NOT NULL,
  t      INTEGER NOT NULL,
  n      INTEGER NOT NULL,
  mean   REAL NOT NULL,
  least  REAL NOT NULL,
  most   REAL NOT NULL,
  worst  INTEGER NOT NULL,
  PRIMARY KEY (metric, t)
) STRICT, WITHOUT ROWID;

-- Buckets whose roll-up does not yet hold all that is stored. A row appears in the
-- transaction that stores the reading, so no crash can leave a roll-up wrong.
CREATE TABLE dirty (
  node INTEGER NOT NULL,
  span INTEGER NOT NULL,               -- 60000 or 3600000
  t    INTEGER NOT NULL,
  PRIMARY KEY (node, span, t)
) STRICT, WITHOUT ROWID;
