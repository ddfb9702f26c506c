-- What the models of a unit say of themselves, out of the row that says how far the unit is judged: that row changes with
-- every message, this one seldom, and it is fifty times as long.

CREATE TABLE model_report (
  unit_no  BIGINT PRIMARY KEY REFERENCES unit, -- the unit
  learning TEXT NOT NULL, -- progress of learning by channel, as JSON
  seeded   TEXT NOT NULL, -- channels judged by as-built levels alone, with the progress of their own learning, as JSON
  chances  TEXT NOT NULL, -- probability of a lasting change of the unit, and of channels for which something speaks, as JSON; null before it was told
  software TEXT NOT NULL  -- version and event time since when, as JSON; null where nobody said
);
INSERT INTO model_report (unit_no, learning, seeded, chances, software)
  SELECT unit_no, learning, seeded, chances, software FROM progress;
ALTER TABLE progress DROP COLUMN learning;
ALTER TABLE progress DROP COLUMN seeded;
ALTER TABLE progress DROP COLUMN chances;
ALTER TABLE progress DROP COLUMN software;
