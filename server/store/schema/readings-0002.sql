-- Whole past hours of a stream, moved out of frame: one block holds at most some
-- thousand frames of one hour as compressed columns (see block.go). first and last
-- are its least and greatest number; t is the start of the hour.
CREATE TABLE block (
  stream INTEGER NOT NULL,
  t      INTEGER NOT NULL,
  part   INTEGER NOT NULL,             -- from 0; more than one only of very busy hours
  first  INTEGER NOT NULL,
  last   INTEGER NOT NULL,
  frames INTEGER NOT NULL,
  body   BLOB NOT NULL,
  PRIMARY KEY (stream, t, part)
) STRICT, WITHOUT ROWID;
CREATE INDEX block_seq ON block (stream, first, last, t, part);
