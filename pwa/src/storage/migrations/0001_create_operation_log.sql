-- The log of this tablet. Never edited after release: later changes are later files.
CREATE TABLE operation (
  seq INTEGER PRIMARY KEY,
  device TEXT NOT NULL,
  epoch TEXT NOT NULL,
  counter INTEGER NOT NULL CHECK (counter > 0),
  stream TEXT NOT NULL,
  record TEXT NOT NULL,
  stamp TEXT NOT NULL,
  previous BLOB NOT NULL,
  commitment BLOB NOT NULL,
  hash BLOB NOT NULL,
  body TEXT,
  draft_id TEXT UNIQUE,
  taken_in_ms INTEGER NOT NULL,
  UNIQUE (device, epoch, counter)
) STRICT;
CREATE INDEX operation_by_record ON operation (record);

-- What people see, made from the log by merge and rebuilt from it on demand.
CREATE TABLE record_state (
  record TEXT PRIMARY KEY,
  kind TEXT NOT NULL,
  parent TEXT,
  stream TEXT NOT NULL,
  has_conflict INTEGER NOT NULL,
  entered_in_error INTEGER NOT NULL,
  state TEXT NOT NULL
) STRICT;
CREATE INDEX record_state_by_kind ON record_state (kind);
CREATE INDEX record_state_with_conflict ON record_state (record) WHERE has_conflict = 1;

-- Every parent a record may belong to: several while its parent field is in conflict.
CREATE TABLE record_parent (
  record TEXT NOT NULL,
  kind TEXT NOT NULL,
  parent TEXT NOT NULL,
  PRIMARY KEY (record, parent)
) STRICT, WITHOUT ROWID;
CREATE INDEX record_parent_by_parent ON record_parent (parent, kind);

-- Epochs of this device's own log, and how far the unit holds each.
CREATE TABLE own_epoch (
  epoch TEXT PRIMARY KEY,
  counter INTEGER NOT NULL,
  hash TEXT NOT NULL,
  held_by_unit INTEGER NOT NULL DEFAULT 0,
  is_forked INTEGER NOT NULL DEFAULT 0
) STRICT;

CREATE TABLE cursor (
  stream TEXT PRIMARY KEY,
  after INTEGER NOT NULL
) STRICT;

CREATE TABLE meta (
  name TEXT PRIMARY KEY,
  content TEXT NOT NULL
) STRICT;

-- Operations that could not be taken in, with the texts they came in.
CREATE TABLE quarantine (
  id INTEGER PRIMARY KEY,
  side TEXT NOT NULL CHECK (side IN ('tablet', 'unit')),
  op_id TEXT NOT NULL,
  envelope TEXT NOT NULL,
  body TEXT,
  sentence TEXT NOT NULL,
  found_ms INTEGER NOT NULL,
  UNIQUE (side, op_id, envelope)
) STRICT;
