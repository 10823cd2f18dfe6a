-- What this tablet wrote under ids that a copy of it gave to other operations: each was written
-- again in a new epoch, and the first texts are kept here (EX9).
CREATE TABLE forked_operation (
  reference TEXT PRIMARY KEY,
  epoch TEXT NOT NULL,
  counter INTEGER NOT NULL,
  envelope TEXT NOT NULL,
  body TEXT NOT NULL,
  reissued_as TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- States tell what they wait for and what is newer: made anew at the next start.
DELETE FROM meta WHERE name = 'catalogue';
