-- Heads that other devices signed: what proves to a unit put back who wrote what others bring (SG12).
CREATE TABLE signed_head (
  device TEXT NOT NULL,
  epoch TEXT NOT NULL,
  counter INTEGER NOT NULL,
  hash TEXT NOT NULL,
  signature TEXT NOT NULL,
  PRIMARY KEY (device, epoch, counter, hash, signature)
) STRICT, WITHOUT ROWID;
