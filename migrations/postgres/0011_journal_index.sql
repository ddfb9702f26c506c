-- One index over the open rows of the journal instead of two: every message commits an entry in each, and in a large
-- fleet each entry is a page of its own. An index of the whole table is one of each of its parts, made and dropped with it.

SET LOCAL statement_timeout = 0;

CREATE INDEX journal_open ON journal (unit_no, open_day, last_event) WHERE open_day IS NOT NULL;
DROP INDEX journal_unit_no_last_event_idx;
DROP INDEX journal_open_day_unit_no_idx;
