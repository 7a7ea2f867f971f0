-- The minutes of all metrics of a node in a whole past hour, moved out of minute (see
-- pack.go). A minute that is made anew lies in minute again and goes before the
-- packed one.
CREATE TABLE packed (
  node INTEGER NOT NULL,
  t    INTEGER NOT NULL,               -- start of the hour
  body BLOB NOT NULL,
  PRIMARY KEY (node, t)
) STRICT, WITHOUT ROWID;
