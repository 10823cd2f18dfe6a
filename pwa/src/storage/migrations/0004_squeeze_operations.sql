-- What repeats is kept once and named by a number; what follows from other rows is not kept at all.
DROP INDEX operation_by_record;
ALTER TABLE operation RENAME TO operation_0003;

-- Every text that many rows share: ids of records, logs (device.epoch), streams, parts of bodies.
CREATE TABLE phrase (
  id INTEGER PRIMARY KEY,
  text TEXT NOT NULL UNIQUE
) STRICT;

-- log, stream and record are phrases; stamp is spelled short. previous is NULL where it is the
-- hash of the operation before in the same log, or where there is none before.
CREATE TABLE operation (
  seq INTEGER PRIMARY KEY,
  log INTEGER NOT NULL,
  counter INTEGER NOT NULL CHECK (counter > 0),
  stream INTEGER NOT NULL,
  record INTEGER NOT NULL,
  stamp TEXT NOT NULL,
  previous BLOB,
  commitment BLOB NOT NULL,
  hash BLOB NOT NULL,
  body BLOB,
  draft_id TEXT,
  taken_in_ms INTEGER NOT NULL,
  UNIQUE (log, counter)
) STRICT;
CREATE INDEX operation_by_record ON operation (record);
CREATE UNIQUE INDEX operation_by_draft ON operation (draft_id) WHERE draft_id IS NOT NULL;

-- States are merged from the log whenever somebody asks; kept is what lists are made by.
DROP TABLE record_state;
CREATE TABLE record_state (
  record INTEGER PRIMARY KEY,
  has_conflict INTEGER NOT NULL CHECK (has_conflict IN (0, 1))
) STRICT;
CREATE INDEX record_state_with_conflict ON record_state (record) WHERE has_conflict = 1;

DROP TABLE record_parent;
CREATE TABLE record_parent (
  record INTEGER NOT NULL,
  parent INTEGER NOT NULL,
  PRIMARY KEY (record, parent)
) STRICT, WITHOUT ROWID;
CREATE INDEX record_parent_by_parent ON record_parent (parent);

-- Made anew at this start.
DELETE FROM meta WHERE name = 'catalogue';
