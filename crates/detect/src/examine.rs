//! Examination of one file: the same chain as live, with a score for every row and channel.
//!
//! Owns the generic class for a file of unknown channels (one regime, the usual sensor codes judged by context) and
//! the scores. Refuses to read the file and to guess times: rows come with a time and the caller says how it made
//! it. A row's scores depend on it and the rows before it only.

use notchwatch_model::{
    ChannelDef, ChannelName, Class, ClassId, IdError, OperationRule, Row, Span, SymptomChange, System, Time,
};

use crate::calibrate::PRIOR;
use crate::joint::{self, Joint, Level};
use crate::surprise::Surprise;
use crate::{Plan, Settings, UnitModel};

/// Numbers that sensors and their electronics send for "no value": power-up and open-circuit codes of a common
/// digital thermometer, and the ends of the usual integer types (common practice).
const CODES: [f64; 8] =
    [85.0, -127.0, 32_767.0, -32_768.0, 65_535.0, 2_147_483_647.0, -2_147_483_648.0, 4_294_967_295.0];

/// A row of a file without times counts as this long. Such rows are records (cycles, runs, years), each of which stands
/// for itself as an hourly figure does, and not for a moment as a second's does.
const RECORD: Span = Span::from_hours(1);

/// The time of a row, counted from 0, of a file without times.
pub fn numbered(row: usize) -> Time {
    let count = i64::try_from(row).unwrap_or(i64::MAX);
    Time::EPOCH + Span::from_micros(RECORD.micros().saturating_mul(count))
}

/// The row that a time of a file without times stands for.
pub fn row_of(time: Time) -> usize {
    usize::try_from(time.micros() / RECORD.micros()).unwrap_or(0)
}

/// Scores from here on are alarms.
const ALARM: f64 = 0.5;
/// Scores from here on are the first row of an event; between the two an alarm lasts.
const EVENT: f64 = 0.6;

/// Among several channels an event of one is an event of all when it is this large: more channels have more records.
const LARGE: f64 = 4.0;

/// The chain over one file.
#[derive(Debug)]
pub struct Examiner {
    plan: Plan,
    model: UnitModel,
    unknown: Option<Unknown>,
    last: Option<Time>,
}

/// What judges channels of which nothing is known, beside the chain.
#[derive(Debug)]
struct Unknown {
    surprises: Vec<Surprise>,
    /// Where there are several channels.
    joint: Option<Joint>,
    /// What it made of the last row.
    judged: joint::Judged,
    /// That row began another operating state.
    anew: bool,
}

/// What one row gave.
#[derive(Clone, PartialEq, Debug)]
pub struct Examined {
    /// What became of symptoms.
    pub changes: Vec<SymptomChange>,
    /// Score of each channel, 0 to 1, in the order of the channels; 0 while it learns; 0.5 and above is an alarm, 0.6
    /// and above the first row of an event.
    pub scores: Vec<f64>,
    /// Score of all channels together.
    pub all: f64,
    /// Probability of each channel that it is not what it was, from the chain alone, and of any of them: calibrated, at
    /// [`crate::calibrate::PRIOR`].
    pub probabilities: Vec<f64>,
    /// Of any channel.
    pub probability: f64,
}

impl Examiner {
    /// For a known class.
    pub fn new(class: &Class, settings: &Settings) -> Self {
        let plan = Plan::new(class, settings);
        let model = UnitModel::new(&plan);
        Self { plan, model, unknown: None, last: None }
    }

    /// For channels of which nothing is known but the names, as a file's header has them. Errors when a header
    /// cannot be made a channel name: it has neither letter nor digit.
    pub fn generic(headers: &[&str], settings: &Settings) -> Result<Self, IdError> {
        let unknown = Unknown {
            surprises: vec![Surprise::default(); headers.len()],
            joint: (headers.len() >= joint::FEWEST).then(|| Joint::new(headers.len())),
            judged: joint::Judged::default(),
            anew: false,
        };
        Ok(Self { unknown: Some(unknown), ..Self::new(&generic_class(headers)?, settings) })
    }

    /// Names of the channels, in order.
    pub fn names(&self) -> impl Iterator<Item = &ChannelName> {
        self.plan.names()
    }

    /// Takes a row. Rows that are not later than the one before change nothing; their scores are those before.
    pub fn row(&mut self, row: &Row) -> Examined {
        let changes = self.model.step(&self.plan, row);
        let news = self.last.is_none_or(|last| row.time > last);
        self.last = self.last.max(Some(row.time));
        let own = |i: usize| lasting(self.model.score(&self.plan, i));
        let chance = |i: usize| self.model.probability(&self.plan, i, PRIOR);
        let probabilities = (0..self.plan.channels.len()).map(chance).collect();
        let probability = self.model.any_probability(&self.plan, PRIOR);
        let mut scores: Vec<f64> = (0..self.plan.channels.len()).map(own).collect();
        let mut all = scores.iter().copied().fold(0.0, f64::max);
        if let Some(unknown) = self.unknown.as_mut() {
            let judged = unknown.judge(row, news, &mut scores);
            all = judged.unwrap_or_else(|| scores.iter().copied().fold(0.0, f64::max));
            if unknown.anew {
                let names: Vec<ChannelName> = self.plan.names().cloned().collect();
                self.model.accept_level(&self.plan, &names);
            }
        }
        Examined { changes, scores, all, probabilities, probability }
    }

    /// Channels that still learn, with their progress.
    pub fn learning(&self) -> std::collections::BTreeMap<ChannelName, f64> {
        self.model.learning(&self.plan)
    }
}

impl Unknown {
    /// Raises the scores of channels by surprise and distance; the score of all together, where there are several.
    fn judge(&mut self, row: &Row, news: bool, scores: &mut [f64]) -> Option<f64> {
        self.anew = false;
        let mut largest = 0.0_f64;
        if news {
            for ((score, surprise), value) in scores.iter_mut().zip(&mut self.surprises).zip(&row.values) {
                if let Some(x) = value.filter(|x| x.is_finite()) {
                    let size = surprise.step(row.time, x).event;
                    largest = largest.max(size);
                    *score = score.max(event(size));
                }
            }
            let joint = self.joint.as_mut()?;
            self.judged = joint.step(row.time, &row.values);
            self.anew = self.judged.anew;
            if self.anew {
                self.surprises.fill(Surprise::default());
            }
        }
        self.joint.as_ref()?;
        for (score, level) in scores.iter_mut().zip(&self.judged.channels) {
            *score = score.max(distance(*level));
        }
        let machine = if largest >= LARGE { event(largest) } else { 0.0 };
        Some(distance(self.judged.all).max(machine))
    }
}

/// The score of a distance: an alarm lasts from 0.5 to 0.6, without one it stays below.
fn distance(level: Level) -> f64 {
    if level.alarm {
        lasting(ALARM + (1.0 - ALARM) * level.size / (level.size + 1.0))
    } else {
        0.49 * level.size.min(1.0)
    }
}

/// A lasting symptom's score, below all events: 0.5 to 0.6. Below the alarm line the score stays as it is.
fn lasting(score: f64) -> f64 {
    if score < ALARM { score } else { ALARM + (score - ALARM) / (1.0 - ALARM) * (EVENT - ALARM) }
}

/// The score of the row at which an event of this size (1 or more) begins: 0.6 to 1. Nought where none begins.
fn event(size: f64) -> f64 {
    if size < 1.0 { 0.0 } else { EVENT + (1.0 - EVENT) * (1.0 - 1.0 / size) }
}

/// A class of unknown channels: one operating state, no limits, codes judged by context.
pub fn generic_class(headers: &[&str]) -> Result<Class, IdError> {
    let channels = headers.iter().map(|h| generic_channel(h)).collect::<Result<Vec<_>, _>>()?;
    Ok(Class {
        id: ClassId::new("examined")?,
        name: "Examined file".to_owned(),
        operation: OperationRule::default(),
        channels,
    })
}

fn generic_channel(header: &str) -> Result<ChannelDef, IdError> {
    Ok(ChannelDef {
        label: header.to_owned(),
        codes: CODES.to_vec(),
        ..ChannelDef::new(channel_name(header)?, System::Machine)
    })
}

/// A header as a channel name: what a name may not hold becomes an underscore.
pub fn channel_name(header: &str) -> Result<ChannelName, IdError> {
    let kept: String = header
        .trim()
        .chars()
        .map(|c| if c.is_ascii_alphanumeric() || matches!(c, '-' | '.' | '_') { c } else { '_' })
        .take(128)
        .collect();
    ChannelName::new(kept.trim_start_matches(|c: char| !c.is_ascii_alphanumeric()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::Noise;
    use notchwatch_model::{Change, SymptomKind};

    fn run(series: impl Iterator<Item = f64>, interval: Span) -> (Vec<(usize, SymptomChange)>, Vec<f64>) {
        let mut examiner = Examiner::generic(&["Inlet temp (C)"], &Settings::default()).unwrap();
        let mut changes = Vec::new();
        let mut scores = Vec::new();
        let mut time = Time::from_secs_f64(1_767_225_600.0).unwrap();
        for (i, x) in series.enumerate() {
            let given = examiner.row(&Row { time, values: vec![Some(x)] });
            changes.extend(given.changes.into_iter().map(|c| (i, c)));
            scores.push(given.all);
            time = time + interval;
        }
        (changes, scores)
    }

    #[test]
    fn headers_become_names() {
        assert_eq!(channel_name(" Volume Flow RateRMS ").unwrap().as_str(), "Volume_Flow_RateRMS");
        assert_eq!(channel_name("(x) y").unwrap().as_str(), "x__y");
        assert!(channel_name("--").is_err());
    }

    #[test]
    fn a_lasting_step_of_four_spreads_is_an_alarm_within_hours_and_ends_when_it_ends() {
        let mut noise = Noise::new(31);
        let series =
            (0..8000).map(|i| 50.0 + noise.normal() + if (4000..6000).contains(&i) { 4.0 } else { 0.0 });
        let (changes, scores) = run(series, Span::from_mins(1));
        let raised: Vec<usize> =
            changes.iter().filter(|(_, c)| c.change == Change::Raised).map(|(i, _)| *i).collect();
        let cleared: Vec<usize> =
            changes.iter().filter(|(_, c)| c.change == Change::Cleared).map(|(i, _)| *i).collect();
        assert_eq!((raised.len(), cleared.len()), (1, 1), "{changes:?}");
        assert!(
            (4000..4120).contains(&raised[0]) && (6000..6300).contains(&cleared[0]),
            "{raised:?} {cleared:?}"
        );
        let symptom = &changes[0].1.symptom;
        assert_eq!(symptom.kind, SymptomKind::LevelShift);
        assert!((symptom.spreads - 4.0).abs() < 1.0 && symptom.probability > 0.9, "{symptom:?}");
        let onset = (symptom.onset - Time::from_secs_f64(1_767_225_600.0).unwrap()).secs_f64() / 60.0;
        assert!((onset - 4000.0).abs() < 20.0, "onset at minute {onset}");
        assert!(scores.iter().take(3999).filter(|s| **s >= 0.5).count() <= 1, "one false event at most");
        assert!(scores.iter().take(5900).skip(4120).all(|s| *s >= 0.5));
    }

    /// A flat series with one step of the resolution is no event; a real step that lasts an hour is one.
    #[test]
    fn a_flat_series_stays_quiet_until_it_really_steps() {
        let flat = |i: usize| if i == 3000 { 24.1 } else { 24.0 };
        let (changes, scores) = run((0..4000).map(flat), Span::from_mins(1));
        assert!(changes.is_empty() && scores.iter().all(|s| s.is_finite() && *s < 0.5), "{changes:?}");
        let stepped = |i: usize| if (3500..3560).contains(&i) { 29.0 } else { flat(i) };
        let (changes, _) = run((0..4000).map(stepped), Span::from_mins(1));
        assert_eq!(changes.iter().filter(|(_, c)| c.change == Change::Raised).count(), 1, "{changes:?}");
    }

    /// Codes among plausible readings are one sensor matter; an honest climb through a code's value is kept.
    #[test]
    fn codes_are_a_sensor_matter_and_a_climb_is_not() {
        let readings = [
            41.0,
            41.1,
            85.0,
            41.1,
            41.2,
            -127.0,
            41.2,
            32_767.0,
            41.3,
            65_535.0,
            41.3,
            2_147_483_647.0,
            41.4,
            60.0,
            62.5,
            65.0,
            67.5,
            70.0,
            72.5,
            75.0,
            77.5,
            80.0,
            82.5,
            85.0,
            85.0,
            84.9,
            85.1,
        ];
        let (changes, _) = run(readings.iter().copied(), Span::from_secs(30));
        let raised: Vec<SymptomKind> =
            changes.iter().filter(|(_, c)| c.change == Change::Raised).map(|(_, c)| c.symptom.kind).collect();
        assert_eq!(raised, [SymptomKind::OutOfRange]);
        assert!(changes.iter().all(|(i, _)| *i < 20), "the climb through 85 adds nothing: {changes:?}");
    }

    /// A daily swing for ten days, sampled every quarter of an hour, then frozen: one stuck symptom within hours.
    #[test]
    fn a_frozen_sensor_is_stuck_within_hours() {
        let swing =
            |i: u32| ((f64::from(i) * std::f64::consts::TAU / 96.0).sin() * 800.0).round() / 100.0 + 20.0;
        let frozen = (0..1152).map(|i| swing(u32::min(i, 950)));
        let (changes, _) = run(frozen, Span::from_mins(15));
        let stuck: Vec<usize> = changes
            .iter()
            .filter(|(_, c)| c.change == Change::Raised && c.symptom.kind == SymptomKind::Stuck)
            .map(|(i, _)| *i)
            .collect();
        assert!(stuck.len() == 1 && (951..991).contains(&stuck[0]), "{changes:?}");
    }

    /// Two days of a new channel, five days of silence, service again: no seasonal symptom, and learning goes on
    /// where it stood.
    #[test]
    fn a_silence_does_not_undo_learning() {
        let mut noise = Noise::new(33);
        let mut examiner = Examiner::generic(&["x"], &Settings::default()).unwrap();
        let start = Time::from_secs_f64(1_767_225_600.0).unwrap();
        let progress = |e: &Examiner| e.learning().values().next().copied();
        for minute in (0..1440).chain(6 * 1440..8 * 1440) {
            let time = start + Span::from_mins(minute);
            let swing = 3.0 * (time.of_day().secs_f64() / 86_400.0 * std::f64::consts::TAU).sin();
            let given = examiner.row(&Row { time, values: vec![Some(50.0 + swing + noise.normal())] });
            assert!(given.changes.is_empty(), "minute {minute}: {given:?}");
            if minute == 1439 {
                let half = progress(&examiner).unwrap();
                assert!((0.4..0.6).contains(&half), "{half}");
            }
        }
        assert_eq!(progress(&examiner), None, "learned");
    }
}
