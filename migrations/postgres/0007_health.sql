-- Health grades: what was known of each unit, of its systems and of the engine in it, and when.

-- History. One row when a UTC day begins and one whenever a part moved; kept for ever.
CREATE TABLE health (
  unit_no BIGINT NOT NULL REFERENCES unit, -- the unit
  at      BIGINT NOT NULL, -- when it was graded, on our clock
  railway TEXT NOT NULL REFERENCES railway, -- whose the unit is
  engine  TEXT, -- serial number of the engine fitted then; NULL: none registered
  parts   TEXT NOT NULL, -- grades by part (unit, engine, systems) in thousandths, as JSON
  PRIMARY KEY (unit_no, at)
);
CREATE INDEX health_engine ON health (engine, at);

-- The newest grades of each unit, whether or not they made a row of history.
CREATE TABLE health_now (
  unit_no  BIGINT PRIMARY KEY REFERENCES unit, -- the unit
  at       BIGINT NOT NULL, -- when it was graded last, on our clock
  recorded BIGINT NOT NULL, -- when its newest row of history was written
  engine   TEXT, -- serial number of the engine fitted
  parts    TEXT NOT NULL -- grades by part in thousandths, as JSON
);
