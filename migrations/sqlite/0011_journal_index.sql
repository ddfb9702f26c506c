-- One index over the open rows of the journal instead of two: every message commits an entry in each, and in a large
-- fleet each entry is a page of its own.

CREATE INDEX journal_open ON journal (unit_no, open_day, last_event) WHERE open_day IS NOT NULL;
DROP INDEX journal_open_unit;
DROP INDEX journal_open_day;
