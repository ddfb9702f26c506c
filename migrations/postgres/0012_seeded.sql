-- What judges a channel, and how likely it has changed, beside how far the unit is judged.
ALTER TABLE progress ADD COLUMN seeded TEXT NOT NULL DEFAULT '{}'; -- channels judged by as-built levels alone, with the progress of their own learning, as JSON
ALTER TABLE progress ADD COLUMN chances TEXT NOT NULL DEFAULT 'null'; -- probability of a lasting change of the unit, and of channels for which something speaks, as JSON; null before it was told
