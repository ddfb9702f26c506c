//! Rows from samples: the samples of one unit, put into one row an event time.
//!
//! Owns what a repeat and a conflict are. Refuses to look at arrival: two values for one key settle by the rule of
//! the model.

use std::collections::BTreeMap;

use notchwatch_model::{ChannelIx, Row, Sample, Time};

/// Rows by event time.
#[derive(Debug, Clone, Default)]
pub struct Rows {
    width: usize,
    rows: BTreeMap<Time, Row>,
}

/// What adding a sample did.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Added {
    /// The key was free.
    New,
    /// The same value stood there.
    Repeat,
    /// Another value stood there; the rule settled it. `changed` tells whether the kept value is now another one.
    Conflict {
        /// The value kept is the one that came now.
        changed: bool,
    },
    /// The channel is not one of the class.
    NoChannel,
}

impl Rows {
    /// Rows of a class with `width` channels.
    pub fn new(width: usize) -> Self {
        Self { width, rows: BTreeMap::new() }
    }

    /// Adds one sample.
    pub fn add(&mut self, sample: Sample) -> Added {
        if sample.channel.index() >= self.width {
            return Added::NoChannel;
        }
        let width = self.width;
        let row = self
            .rows
            .entry(sample.time)
            .or_insert_with(|| Row { time: sample.time, values: vec![None; width] });
        let Some(slot) = row.values.get_mut(sample.channel.index()) else { return Added::NoChannel };
        match *slot {
            None => {
                *slot = Some(sample.value);
                Added::New
            }
            Some(kept) if kept.to_bits() == sample.value.to_bits() => Added::Repeat,
            Some(kept) => {
                let settled = Sample { value: kept, ..sample }.settle(sample).value;
                *slot = Some(settled);
                Added::Conflict { changed: settled.to_bits() != kept.to_bits() }
            }
        }
    }

    /// Value that stands for a key.
    pub fn value(&self, time: Time, channel: ChannelIx) -> Option<f64> {
        self.rows.get(&time).and_then(|row| row.values.get(channel.index()).copied().flatten())
    }

    /// Adds what other rows hold from one event time up to before another.
    pub fn add_span(&mut self, other: &Rows, from: Time, to: Time) {
        for row in other.rows.range(from..to).map(|(_, row)| row) {
            for (channel, value) in (0u16..).zip(&row.values) {
                if let Some(value) = *value {
                    self.add(Sample { time: row.time, channel: ChannelIx(channel), value });
                }
            }
        }
    }

    /// Takes the rows out that lie before `time`, in order.
    pub fn take_before(&mut self, time: Time) -> Vec<Row> {
        let later = self.rows.split_off(&time);
        std::mem::replace(&mut self.rows, later).into_values().collect()
    }

    /// Takes every row out, in order.
    pub fn take_all(&mut self) -> Vec<Row> {
        std::mem::take(&mut self.rows).into_values().collect()
    }

    /// Event time of the newest row.
    pub fn newest(&self) -> Option<Time> {
        self.rows.last_key_value().map(|(time, _)| *time)
    }

    /// Whether there is no row.
    pub fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample(second: i64, channel: u16, value: f64) -> Sample {
        Sample { time: Time::from_micros(second * 1_000_000).unwrap(), channel: ChannelIx(channel), value }
    }

    #[test]
    fn samples_of_one_time_share_a_row_and_missing_stays_missing() {
        let mut rows = Rows::new(3);
        assert_eq!(rows.add(sample(1, 0, 5.0)), Added::New);
        assert_eq!(rows.add(sample(1, 2, 0.0)), Added::New);
        let taken = rows.take_all();
        assert_eq!(taken.len(), 1);
        assert_eq!(taken[0].values, [Some(5.0), None, Some(0.0)]);
    }

    #[test]
    fn repeats_and_conflicts_settle_the_same_in_any_order() {
        for values in [[1.0, 2.0, 2.0], [2.0, 1.0, 2.0], [2.0, 2.0, 1.0]] {
            let mut rows = Rows::new(1);
            let added: Vec<Added> = values.iter().map(|v| rows.add(sample(1, 0, *v))).collect();
            assert_eq!(added.iter().filter(|a| matches!(a, Added::New)).count(), 1);
            assert_eq!(rows.take_all()[0].values, [Some(2.0)]);
        }
    }

    #[test]
    fn rows_before_a_time_leave_in_order_and_the_rest_stays() {
        let mut rows = Rows::new(1);
        for second in [3, 1, 2] {
            rows.add(sample(second, 0, 0.0));
        }
        let taken: Vec<i64> =
            rows.take_before(Time::from_micros(3_000_000).unwrap()).iter().map(|r| r.time.micros()).collect();
        assert_eq!(taken, [1_000_000, 2_000_000]);
        assert_eq!(rows.newest(), Some(Time::from_micros(3_000_000).unwrap()));
    }
}
