//! Levels: what one channel measured in each operating state, beside every judgement.
//!
//! Owns which samples are alike: settled, in a known state, and values that the sensor can have measured. Units of a
//! class are compared by these. Refuses counters, which grow whatever the machine is like, and texts.

use std::collections::BTreeMap;

use notchwatch_model::{ChannelIx, ChannelValue, Regime, Row, Time};

use crate::Plan;
use crate::operation::{HOLD, Operation};
use crate::pace::Pace;
use crate::plan::ChannelPlan;
use crate::robust::median;

/// One channel of one unit in one operating state.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Level {
    /// Operating state.
    pub regime: Regime,
    /// Settled samples.
    pub samples: u32,
    /// Their median, in the channel's stored unit of measure; of a flag the share of samples with it on, 0 to 1.
    pub middle: f64,
}

/// Levels of a channel from the rows at or after `from`, in order of the states. Rows before `from` tell the operating
/// state alone. Rows stand in order of time. A counter, a text or a channel that the class lacks has none.
pub fn levels(plan: &Plan, rows: &[Row], channel: ChannelIx, from: Time) -> Vec<Level> {
    let Some(channel_plan) = plan.channels.get(channel.index()) else { return Vec::new() };
    let flag = match channel_plan.value {
        ChannelValue::Number => false,
        ChannelValue::Flag => true,
        ChannelValue::Counter | ChannelValue::Text => return Vec::new(),
    };
    let (mut pace, mut operation) = (Pace::default(), Operation::default());
    let mut by_slot: BTreeMap<usize, Vec<f64>> = BTreeMap::new();
    for row in rows {
        pace.observe(row.time);
        let hold = HOLD.max(pace.gap());
        let (state, lasted) = operation.step(&plan.operation, &row.values, row.time, hold);
        let value = row.values.get(channel.index()).copied().flatten();
        if let Some(x) = value.filter(|x| measured(channel_plan, *x))
            && let Some(slot) = state.regime.slot()
            && row.time >= from
            && lasted >= channel_plan.settle
        {
            by_slot.entry(slot).or_default().push(x);
        }
    }
    by_slot.into_iter().filter_map(|(slot, values)| level(Regime::from_slot(slot), values, flag)).collect()
}

fn measured(plan: &ChannelPlan, x: f64) -> bool {
    let code = |code: &f64| (x - code).abs() <= (plan.resolution / 2.0).max(code.abs() * 1e-6);
    x.is_finite()
        && plan.range.is_none_or(|(low, high)| (low..=high).contains(&x))
        && !plan.codes.iter().any(code)
}

fn level(regime: Regime, mut values: Vec<f64>, flag: bool) -> Option<Level> {
    let samples = u32::try_from(values.len()).unwrap_or(u32::MAX);
    let middle = if flag {
        values.iter().filter(|x| **x >= 0.5).map(|_| 1.0).sum::<f64>() / f64::from(samples)
    } else {
        median(&mut values)?
    };
    Some(Level { regime, samples, middle })
}

#[cfg(test)]
mod tests {
    use notchwatch_model::{ChannelDef, ChannelName, Class, ClassId, OperationRule, Span, System};

    use super::*;
    use crate::Settings;

    fn name(text: &str) -> ChannelName {
        ChannelName::new(text).unwrap()
    }

    fn plan() -> Plan {
        let number = |text: &str| ChannelDef::new(name(text), System::Machine);
        let class = Class {
            id: ClassId::new("small").unwrap(),
            name: "small".into(),
            operation: OperationRule {
                notch: Some(name("notch")),
                steady_after_s: 120,
                ..OperationRule::default()
            },
            channels: vec![
                number("notch"),
                ChannelDef {
                    range: Some((-50.0, 500.0)),
                    codes: vec![499.0],
                    resolution: 0.1,
                    settle_s: 120,
                    ..number("temp")
                },
                ChannelDef { value: ChannelValue::Flag, ..number("fan") },
                ChannelDef { value: ChannelValue::Counter, ..number("hours") },
            ],
        };
        Plan::new(&class, &Settings::default())
    }

    fn row(minute: i64, notch: f64, temp: f64) -> Row {
        let fan = f64::from(u8::from(minute % 4 == 0));
        Row {
            time: Time::EPOCH + Span::from_mins(minute),
            values: vec![Some(notch), Some(temp), Some(fan), Some(1.0)],
        }
    }

    #[test]
    fn like_states_are_kept_apart_and_only_settled_measurements_count() {
        let mut rows: Vec<Row> = (0..60).map(|m| row(m, 0.0, 70.0)).collect();
        rows.extend((60..120).map(|m| row(m, 8.0, if m < 62 { 300.0 } else { 90.0 })));
        rows[10].values[1] = Some(499.0);
        rows[11].values[1] = Some(900.0);
        let found = levels(&plan(), &rows, ChannelIx(1), Time::EPOCH);
        let expected = [
            // Two minutes of each state have not settled; a code and an impossible value were not measured.
            Level { regime: Regime::Notch(0), samples: 56, middle: 70.0 },
            Level { regime: Regime::Notch(8), samples: 58, middle: 90.0 },
        ];
        assert_eq!(found, expected);
        let later = levels(&plan(), &rows, ChannelIx(1), Time::EPOCH + Span::from_mins(60));
        assert_eq!(later, expected[1..], "what lies before tells the state and counts for nothing");
    }

    #[test]
    fn a_flag_is_a_share_and_a_counter_is_not_compared() {
        let rows: Vec<Row> = (0..122).map(|m| row(m, 0.0, 70.0)).collect();
        let [fan] = levels(&plan(), &rows, ChannelIx(2), Time::EPOCH)[..] else { panic!("one state") };
        assert!((fan.middle - 0.25).abs() < 1e-9 && fan.samples == 120, "{fan:?}");
        assert_eq!(levels(&plan(), &rows, ChannelIx(3), Time::EPOCH), []);
        assert_eq!(levels(&plan(), &rows, ChannelIx(9), Time::EPOCH), []);
    }
}
