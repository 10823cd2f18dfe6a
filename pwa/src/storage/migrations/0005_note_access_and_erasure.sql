-- What people opened and unlocked here, as a chain of lines; those that the unit holds are dropped.
CREATE TABLE access_line (
  seq INTEGER PRIMARY KEY,
  chain TEXT NOT NULL,
  counter INTEGER NOT NULL CHECK (counter > 0),
  line TEXT NOT NULL,
  UNIQUE (chain, counter)
) STRICT;

-- Records whose content the unit destroyed, and the erasure that says so.
CREATE TABLE erased_record (
  record TEXT PRIMARY KEY,
  erasure TEXT NOT NULL
) STRICT, WITHOUT ROWID;
