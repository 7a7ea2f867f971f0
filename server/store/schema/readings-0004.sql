-- A stream that holds what a second board with the node's name sent: kept and written
-- out, but not part of what the node measured.
ALTER TABLE stream ADD COLUMN aside INTEGER NOT NULL DEFAULT 0;
