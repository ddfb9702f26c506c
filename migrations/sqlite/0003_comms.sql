-- Comms: clock ticks as recorded inputs, the state of each unit's link, and a railway for findings about this service.

-- Readings of our own clock. Comms findings follow from the journal and these, in their recorded order.
CREATE TABLE clock_tick (
  id          INTEGER PRIMARY KEY, -- position, from 1
  at          INTEGER NOT NULL,    -- the time read
  seq         INTEGER NOT NULL,    -- journal rows up to here were committed before it
  decided     INTEGER NOT NULL,    -- decisions up to here were taken before it
  quarantined INTEGER NOT NULL,    -- quarantine rows up to here are in refused of this tick or an earlier one
  trouble     TEXT NOT NULL,       -- reasons for which nobody could be heard, as a JSON list; empty when well
  refused     TEXT NOT NULL        -- refused since the tick before, by unit and reason, as a JSON list
) STRICT;
INSERT INTO counter (name, value) VALUES ('tick', 0);

-- State of each unit's link. Written when it changes.
CREATE TABLE comms (
  unit_no      INTEGER PRIMARY KEY REFERENCES unit, -- the unit
  state        TEXT NOT NULL,     -- never-heard, reporting, late, silent, clock-wrong, not-expected
  since        INTEGER NOT NULL,  -- since when: receive time
  heard        INTEGER,           -- newest receipt of fresh data when this was written
  usual        INTEGER,           -- usual time between receipts, in microseconds; NULL: not learned
  quiet_limit  INTEGER NOT NULL,  -- quiet for longer is silence, in microseconds
  clock_offset INTEGER            -- claimed time less receive time of what was refused last, in microseconds
) STRICT;

-- State of the comms fold. One row at most.
CREATE TABLE comms_snapshot (
  one   INTEGER PRIMARY KEY CHECK (one = 1), -- holds the table to one row
  seq   INTEGER NOT NULL,                    -- journal position whose messages it holds
  tick  INTEGER NOT NULL,                    -- newest tick in it
  form  INTEGER NOT NULL,                    -- form of the state
  state BLOB NOT NULL                        -- opaque, compressed with zstd
) STRICT;

-- Newest tick whose findings are committed.
ALTER TABLE evaluation ADD COLUMN ticked INTEGER NOT NULL DEFAULT 0;

-- Findings about this service itself are filed here; no register lists it.
INSERT INTO railway (id, name, zone) VALUES ('this-service', 'This service', 'UTC') ON CONFLICT (id) DO NOTHING;
