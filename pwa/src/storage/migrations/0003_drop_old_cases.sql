-- Cases whose bodies were dropped here: a stub stays, so that each can be asked for again (SN5, SN6).
CREATE TABLE dropped_case (
  record TEXT PRIMARY KEY,
  patient TEXT NOT NULL,
  dropped_ms INTEGER NOT NULL,
  last_receipt INTEGER NOT NULL,
  is_wanted INTEGER NOT NULL DEFAULT 0 CHECK (is_wanted IN (0, 1))
) STRICT, WITHOUT ROWID;

-- Every record of a dropped case, the case itself among them: none is shown under it before all
-- are whole. Those that came after the drop have all their bodies.
CREATE TABLE dropped_record (
  record TEXT NOT NULL,
  of_case TEXT NOT NULL,
  came_later INTEGER NOT NULL CHECK (came_later IN (0, 1)),
  PRIMARY KEY (record, of_case)
) STRICT, WITHOUT ROWID;
CREATE INDEX dropped_record_by_case ON dropped_record (of_case);

-- When it was first seen that the unit holds an own epoch up to a counter.
CREATE TABLE held_since (
  epoch TEXT NOT NULL,
  counter INTEGER NOT NULL,
  seen_ms INTEGER NOT NULL,
  PRIMARY KEY (epoch, counter)
) STRICT, WITHOUT ROWID;
