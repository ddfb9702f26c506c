-- Base of the store on SQLite. Times are microseconds of UTC since 1970. Documents are JSON text.
-- STRICT, since a value of another type in a column is damage and must not pass.

-- Migrations applied to this database. Refused when newer than the program.
CREATE TABLE migration (
  version  INTEGER PRIMARY KEY, -- number of the file
  name     TEXT NOT NULL,       -- name of the file, without number and ending
  checksum TEXT NOT NULL        -- SHA-256 of the file with line feeds as line ends, in hex
) STRICT;

-- Numbers handed out inside the writing transaction, so that they become visible in order.
CREATE TABLE counter (
  name  TEXT PRIMARY KEY,  -- journal, event, decision, quarantine, unit, quarantine-bytes
  value INTEGER NOT NULL   -- last number given; for quarantine-bytes the bytes held
) STRICT;
INSERT INTO counter (name, value) VALUES
  ('journal', 0), ('event', 0), ('decision', 0), ('quarantine', 0), ('unit', 0), ('quarantine-bytes', 0);

-- Owners and operators: the tenant boundary.
CREATE TABLE railway (
  id   TEXT PRIMARY KEY, -- identity, also the railway part of a topic
  name TEXT NOT NULL,    -- name for people
  zone TEXT NOT NULL     -- IANA time zone
) STRICT;

-- Designs that units share.
CREATE TABLE class (
  id  TEXT PRIMARY KEY, -- identity
  doc TEXT NOT NULL     -- the class as JSON; the order of its channels is what samples refer to, append only
) STRICT;

-- Units, and the compact number by which samples refer to them.
CREATE TABLE unit (
  unit_no INTEGER PRIMARY KEY,                 -- compact key, given once, never reused
  railway TEXT NOT NULL REFERENCES railway,    -- whose it is
  unit    TEXT NOT NULL,                       -- its number at that railway
  class   TEXT NOT NULL REFERENCES class,      -- its design
  region  TEXT NOT NULL,                       -- free word that groups units
  zone    TEXT,                                -- IANA time zone where it differs from the railway's
  status  TEXT NOT NULL,                       -- service status, as JSON
  fitted  TEXT NOT NULL,                       -- optional channels delivered with it, as a JSON list
  UNIQUE (railway, unit)
) STRICT;

-- Which engine was in which unit, from when to when.
CREATE TABLE engine_fit (
  unit_no   INTEGER NOT NULL REFERENCES unit, -- the unit
  position  INTEGER NOT NULL,                 -- order of fitting, from 0
  railway   TEXT NOT NULL REFERENCES railway, -- whose the unit is
  serial    TEXT NOT NULL,                    -- serial number of the engine
  fitted    INTEGER NOT NULL,                 -- fitted from
  removed   INTEGER,                          -- removed at; NULL while it is fitted
  PRIMARY KEY (unit_no, position)
) STRICT;

-- Messages accepted, in order of commit. Samples are packed, see crates/store/doc/storage.md.
CREATE TABLE journal (
  seq          INTEGER PRIMARY KEY,              -- position; grows for ever
  unit_no      INTEGER NOT NULL REFERENCES unit, -- the unit that the topic proves
  received     INTEGER NOT NULL,                 -- receive time
  first_event  INTEGER NOT NULL,                 -- earliest event time in it
  last_event   INTEGER NOT NULL,                 -- latest event time in it
  open_day     INTEGER,                          -- first UTC day of it that is in no block yet; NULL when all are
  retained     INTEGER NOT NULL,                 -- 1: the broker had kept it
  approximate  INTEGER NOT NULL,                 -- 1: its times were relative to receipt
  samples      INTEGER NOT NULL,                 -- how many samples are in it
  topic        TEXT NOT NULL,                    -- MQTT topic
  content_type TEXT,                             -- MQTT content type, when given
  packed       BLOB NOT NULL,                    -- samples
  extras       BLOB,                             -- texts and other units of measure; NULL when there are none
  raw          BLOB NOT NULL                     -- payload as received: a form byte (0 plain, 1 zstd), then the bytes
) STRICT;
CREATE INDEX journal_open_unit ON journal (unit_no, last_event) WHERE open_day IS NOT NULL;
CREATE INDEX journal_open_day ON journal (open_day, unit_no) WHERE open_day IS NOT NULL;

-- Batches committed: a batch whose commit result was lost is looked up here before it is tried again.
CREATE TABLE batch (
  id          BLOB PRIMARY KEY, -- 16 bytes: random part of the writer, its running number
  mark        INTEGER NOT NULL, -- journal and quarantine position together; old rows are dropped by it
  last_seq    INTEGER,          -- newest journal row of it
  messages    INTEGER NOT NULL, -- journal rows of it
  samples     INTEGER NOT NULL, -- samples in them
  quarantined INTEGER NOT NULL  -- quarantine rows of it
) STRICT;
CREATE INDEX batch_mark ON batch (mark);

-- Closed UTC days of a unit, columnar and compressed, see crates/store/doc/storage.md.
CREATE TABLE block (
  unit_no  INTEGER NOT NULL REFERENCES unit, -- the unit
  day      INTEGER NOT NULL,                 -- UTC days since 1970
  revision INTEGER NOT NULL,                 -- 1 when first written, one more each time late data came
  last_seq INTEGER NOT NULL,                 -- newest journal position in it
  samples  INTEGER NOT NULL,                 -- how many samples are in it
  packed   BLOB NOT NULL,                    -- the block
  PRIMARY KEY (unit_no, day)
) STRICT;

-- Ten-minute buckets of a closed UTC day of a unit, see crates/store/doc/storage.md.
CREATE TABLE rollup (
  unit_no INTEGER NOT NULL REFERENCES unit, -- the unit
  day     INTEGER NOT NULL,                 -- UTC days since 1970
  packed  BLOB NOT NULL,                    -- per channel and bucket: count, min, mean, max, last
  PRIMARY KEY (unit_no, day)
) STRICT;

-- Newest sample of each channel among the sealed ones; the journal's open rows come on top when read.
CREATE TABLE latest (
  unit_no INTEGER PRIMARY KEY REFERENCES unit, -- the unit
  packed  BLOB NOT NULL                        -- one sample a channel, packed as in the journal
) STRICT;

-- Refused messages and records. Bounded: the oldest go first.
CREATE TABLE quarantine (
  id           INTEGER PRIMARY KEY, -- number of the row; grows for ever
  raw_id       INTEGER NOT NULL,    -- where its bytes are: one copy for all rows of a message
  received     INTEGER NOT NULL,    -- receive time
  topic        TEXT NOT NULL,       -- MQTT topic
  content_type TEXT,                -- MQTT content type, when given
  railway      TEXT,                -- railway, if the topic names a registered one
  unit         TEXT,                -- unit number, if the topic names one
  reason       TEXT NOT NULL,       -- code from the fixed list
  record       INTEGER,             -- first record refused for it; NULL: the whole message
  records      INTEGER NOT NULL,    -- how many records of the message were refused for it
  detail       TEXT NOT NULL,       -- what was found and what would be right
  size         INTEGER NOT NULL     -- bytes of the message
) STRICT;
CREATE INDEX quarantine_reason ON quarantine (reason, id);

-- Bytes of refused messages.
CREATE TABLE quarantine_raw (
  raw_id INTEGER PRIMARY KEY, -- number of the first quarantine row of the message
  size   INTEGER NOT NULL,    -- bytes held here
  raw    BLOB NOT NULL        -- as journal.raw
) STRICT;

-- Findings. The columns beside the two documents are what lists filter and order by.
CREATE TABLE finding (
  id                      TEXT PRIMARY KEY, -- identity, from unit, cause and onset
  railway                 TEXT NOT NULL REFERENCES railway, -- whose the unit is
  unit                    TEXT NOT NULL,    -- the unit's number
  class                   TEXT NOT NULL,    -- the unit's class
  system                  TEXT NOT NULL,    -- group of its symptoms
  kind                    TEXT NOT NULL,    -- machine, sensor, data, comms
  priority                INTEGER NOT NULL, -- 0 critical to 3 low
  open                    INTEGER NOT NULL, -- 1: closed neither by a person nor by the machine
  onset                   INTEGER NOT NULL, -- estimated start
  opened                  INTEGER NOT NULL, -- event time at which the evidence sufficed
  recorded                INTEGER NOT NULL, -- receive side: first recorded
  active                  INTEGER NOT NULL, -- alarm memory: 1 while any of its symptoms lasts
  occurrence              INTEGER NOT NULL, -- how many times it became active
  acknowledged_occurrence INTEGER NOT NULL, -- alarm memory: occurrence acknowledged last
  late                    INTEGER NOT NULL, -- 1: its evidence came late
  version                 INTEGER NOT NULL, -- what decisions match on
  machine                 TEXT NOT NULL,    -- machine half, as JSON; written by evaluation alone
  operator                TEXT NOT NULL,    -- operator half, as JSON; written by decisions alone
  told                    TEXT NOT NULL     -- what the last event told, as JSON: later numbers are compared with it
) STRICT;
CREATE INDEX finding_list ON finding (open, priority, onset, id);
CREATE INDEX finding_unit ON finding (railway, unit, opened);

-- Event log. Ids grow for ever and are visible in order.
CREATE TABLE event (
  id       INTEGER PRIMARY KEY, -- position
  at       INTEGER NOT NULL,    -- when it was recorded
  kind     TEXT NOT NULL,       -- opened, changed, revised, decided, closed
  railway  TEXT NOT NULL REFERENCES railway, -- whose the unit is
  finding  TEXT NOT NULL REFERENCES finding, -- the finding
  version  INTEGER NOT NULL,    -- its version after the event
  decision INTEGER,             -- the decision that made it; NULL: the machine did
  document BLOB NOT NULL        -- the finding right after, as JSON compressed with zstd
) STRICT;
CREATE INDEX event_finding ON event (finding, id);

-- Decisions. Append only.
CREATE TABLE decision (
  id        INTEGER PRIMARY KEY, -- position
  at        INTEGER NOT NULL,    -- when it was taken
  account   TEXT NOT NULL,       -- who took it
  railway   TEXT NOT NULL REFERENCES railway, -- whose the unit is
  unit      TEXT NOT NULL,       -- the unit's number
  finding   TEXT NOT NULL REFERENCES finding, -- the finding
  act       TEXT NOT NULL,       -- what was decided, as JSON
  seen      INTEGER NOT NULL,    -- version that the decider saw
  effective INTEGER NOT NULL     -- 1: it took effect
) STRICT;
CREATE INDEX decision_finding ON decision (finding, id);

-- States of the units' folds.
CREATE TABLE snapshot (
  unit_no INTEGER NOT NULL REFERENCES unit, -- the unit
  at      INTEGER NOT NULL,                 -- every row up to this event time is in it
  seq     INTEGER NOT NULL,                 -- journal position whose samples it holds
  form    INTEGER NOT NULL,                 -- form of the state
  state   BLOB NOT NULL,                    -- opaque, compressed with zstd
  PRIMARY KEY (unit_no, at)
) STRICT;

-- How far each unit is judged.
CREATE TABLE progress (
  unit_no   INTEGER PRIMARY KEY REFERENCES unit, -- the unit
  judged    INTEGER,          -- newest event time judged
  received  INTEGER,          -- newest receive time seen
  samples   INTEGER NOT NULL, -- samples judged, each once
  repeats   INTEGER NOT NULL, -- repeats of stored samples
  conflicts INTEGER NOT NULL, -- contradictions of stored samples
  learning  TEXT NOT NULL     -- progress of learning by channel, as JSON
) STRICT;

-- Where evaluation stands. One row.
CREATE TABLE evaluation (
  one      INTEGER PRIMARY KEY CHECK (one = 1), -- holds the table to one row
  position INTEGER NOT NULL                     -- journal position up to which findings are committed
) STRICT;
INSERT INTO evaluation (one, position) VALUES (1, 0);

-- Accounts of people.
CREATE TABLE account (
  name          TEXT PRIMARY KEY, -- name on decisions
  password_hash TEXT NOT NULL,    -- PHC string
  role          TEXT NOT NULL,    -- administrator, operator, viewer
  railways      TEXT NOT NULL,    -- railways it may see, as JSON
  enabled       INTEGER NOT NULL  -- 1: may sign in
) STRICT;

-- Signed-in browsers.
CREATE TABLE session (
  hash    BLOB PRIMARY KEY,                 -- SHA-256 of the cookie's secret
  account TEXT NOT NULL REFERENCES account, -- whose it is
  created INTEGER NOT NULL,                 -- opened at
  until   INTEGER NOT NULL                  -- ends at
) STRICT;

-- Tokens of programs.
CREATE TABLE token (
  id       INTEGER PRIMARY KEY, -- number of the token
  hash     BLOB NOT NULL UNIQUE, -- SHA-256 of the secret
  label    TEXT NOT NULL,       -- what it is for
  name     TEXT NOT NULL,       -- name on decisions
  role     TEXT NOT NULL,       -- administrator, operator, viewer
  railways TEXT NOT NULL,       -- railways it may see, as JSON
  created  INTEGER NOT NULL,    -- created at
  until    INTEGER,             -- ends at; NULL: never
  revoked  INTEGER              -- revoked at; NULL: not
) STRICT;

-- Audit log. Append only.
CREATE TABLE audit (
  id      INTEGER PRIMARY KEY, -- order of writing
  at      INTEGER NOT NULL,    -- when
  account TEXT NOT NULL,       -- who, as tried
  what    TEXT NOT NULL,       -- what, from a fixed list of words
  subject TEXT NOT NULL        -- on what
) STRICT;
