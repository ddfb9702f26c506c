-- Which software a unit runs, beside how far it is judged.
ALTER TABLE progress ADD COLUMN software TEXT NOT NULL DEFAULT 'null'; -- version and event time since when, as JSON; null where nobody said
