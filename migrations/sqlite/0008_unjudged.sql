-- Samples that came later than the horizon of judgement: kept, and left out of every fold. Written with the position
-- whose evaluation found them late, so that a fold from an older snapshot leaves out what the live one left out.
CREATE TABLE unjudged (
  unit_no  INTEGER NOT NULL REFERENCES unit, -- the unit
  seq      INTEGER NOT NULL, -- journal position up to which the commit judged that found them
  first_at INTEGER NOT NULL, -- earliest event time among them
  last_at  INTEGER NOT NULL, -- latest event time among them
  packed   BLOB NOT NULL, -- event time, channel and the bits of the value judged in their place (null: none), a JSON list, compressed with zstd
  PRIMARY KEY (unit_no, seq)
) STRICT;
