-- Timelines: what other sources than a unit's channels say of it. A recorded input of evaluation, beside the journal
-- and the decisions.

-- Entries, append only. What stands in a unit's own messages (fault codes, software version) is not copied here.
CREATE TABLE timeline (
  id        BIGINT PRIMARY KEY, -- position in the log, shared with withdrawals
  railway   TEXT NOT NULL REFERENCES railway, -- whose the unit is
  unit      TEXT NOT NULL,   -- the unit's number
  engine    TEXT,            -- serial number of the engine it concerns; NULL: no engine was fitted
  at        BIGINT NOT NULL, -- event time
  effective BIGINT NOT NULL, -- event time at which evaluation takes it
  received  BIGINT NOT NULL, -- when it was recorded, on our clock
  account   TEXT NOT NULL,   -- who recorded it
  origin    TEXT NOT NULL,   -- by which way it came: api, file
  kind      TEXT NOT NULL,   -- fault-code, oil-sample, maintenance, software, visit, note
  fact      TEXT NOT NULL,   -- what it says, as JSON
  same      BYTEA NOT NULL     -- SHA-256 of unit, event time and fact: a repeat records nothing
);
CREATE INDEX timeline_unit ON timeline (railway, unit, at);
CREATE INDEX timeline_effective ON timeline (railway, unit, effective);
CREATE INDEX timeline_engine ON timeline (engine, at);
CREATE INDEX timeline_same ON timeline (same);

-- Entries taken back. The entry stays.
CREATE TABLE timeline_withdrawal (
  id      BIGINT PRIMARY KEY, -- position in the log, shared with entries
  entry   BIGINT NOT NULL UNIQUE REFERENCES timeline, -- the entry
  at      BIGINT NOT NULL,    -- when, on our clock
  account TEXT NOT NULL,      -- who
  reason  TEXT NOT NULL       -- why
);
INSERT INTO counter (name, value) VALUES ('timeline', 0);

-- Position in the log of timelines whose findings are committed.
ALTER TABLE evaluation ADD COLUMN timelined BIGINT NOT NULL DEFAULT 0;
