//! Joint: several channels of one machine of which nothing is known, judged together.
//!
//! Owns what all channels were while the machine was learned, how far they are from it now, and whether that is an
//! alarm. A channel that wandered while it was learned has little say: that weight, not covariance, is what tells a
//! fault from a drift. Refuses single channels, operating states and limits. Bounded memory; a row's figure depends on
//! it and the rows before it only.

mod change;
mod learned;

use std::collections::VecDeque;

use notchwatch_model::Time;

use crate::num::whole;
use crate::pace::Pace;
use change::common_change;
use learned::{Departure, Learned};

/// Fewest channels that are judged together.
pub(crate) const FEWEST: usize = 2;
/// Time that is learned from, in seconds, and in rows at least and at most. Thirty hours see a day and its neighbours;
/// thirty rows are the fewest that give a spread; four hundred are enough of anything fast.
const LEARN_S: f64 = 30.0 * 3600.0;
const LEARN_ROWS: (u32, u32) = (30, 400);
/// A sender this slow, in seconds, gives settled records; a faster one, moments.
const RECORDS_FROM_S: f64 = 10.0;
/// Rows of the present mean: of moments; of records a third of a day, within bounds.
const MOMENTS: u32 = 12;
const RECORDS_S: f64 = 8.0 * 3600.0;
const RECORDS: (u32, u32) = (15, 48);
/// Rows in a row that make or end an alarm: of moments, of records.
const HOLD: (u32, u32) = (5, 8);
/// Weighted distance of one channel that is an alarm, and of all by root mean square; of moments on a rig, one in fourteen
/// rows without a label is beyond both together.
const ONE: f64 = 2.0;
const ALL: f64 = 1.0;
/// An alarm ends at this share of what began it.
const OFF: f64 = 0.6;
/// Channels beyond this many raise the bar for the largest of them, by the ratio of logarithms: the largest of more
/// numbers is larger.
const USUAL_CHANNELS: f64 = 8.0;
/// A channel that has moved less than this share of what a like one has, which is farther from its normal, says the same,
/// weaker: one place's vibration, heat or flow is felt beside it. Its own alarm would name the wrong place (common practice
/// without a source; on a rig whose bearings failed, a sound one moved by an eighth of what the failing ones did, those
/// that failed later by a third and more). Like are channels whose levels are within so many times of each other.
const ECHO: f64 = 0.2;
const LIKE: f64 = 2.0;
/// What an echo counts as: below what ends an alarm.
const ECHO_SIZE: f64 = 0.5;
/// While nothing is wrong the reference follows with this gain a row, by so many spreads at most.
const FOLLOW: f64 = 1.0 / 800.0;
const FOLLOW_CUT: f64 = 3.0;
/// Drift that a followed reference may lag behind, in rows.
const LAG_ROWS: f64 = 2400.0;
/// A sudden change of a weighted channel by this many of its usual ones turns the alarm on; back towards the reference,
/// off; not again within so many rows.
const JUMP: f64 = 4.0;
const JUMP_AGAIN: u32 = 30;
/// A jump towards the reference ends within this share of its size from it.
const BACK: f64 = 0.5;

/// State of a machine's channels.
#[derive(Clone, Debug)]
pub(crate) struct Joint {
    pace: Pace,
    /// The newest rows, oldest first: all of them while it learns, then as many as the longest mean needs.
    rows: VecDeque<Vec<f64>>,
    latest: Vec<Option<f64>>,
    learned: Option<Vec<Learned>>,
    machine: Latch,
    channels: Vec<Latch>,
    /// Rows since it had learned, of those the ones in which the reference followed, and since the last jump.
    age: u32,
    followed: u32,
    jumped: Option<u32>,
    /// Rows for which an alarm has lasted.
    lasted: u32,
}

/// What a row gave.
#[derive(Clone, PartialEq, Debug, Default)]
pub(crate) struct Judged {
    /// Of all channels together.
    pub(crate) all: Level,
    /// Of each channel; empty while it learns.
    pub(crate) channels: Vec<Level>,
    /// All channels went over to another operating state, which is learned from now on.
    pub(crate) anew: bool,
}

/// How far something is from normal.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub(crate) struct Level {
    /// 1 is what begins an alarm when it lasts.
    pub(crate) size: f64,
    pub(crate) alarm: bool,
}

/// An alarm that needs several rows to begin and to end.
#[derive(Clone, Copy, Debug, Default)]
struct Latch {
    on: bool,
    run: u32,
}

impl Latch {
    fn step(&mut self, size: f64, hold: u32) -> Level {
        let hit = if self.on { size < OFF } else { size > 1.0 };
        self.run = if hit { self.run + 1 } else { 0 };
        if self.run >= hold {
            *self = Self { on: !self.on, run: 0 };
        }
        Level { size, alarm: self.on }
    }
}

impl Joint {
    pub(crate) fn new(channels: usize) -> Self {
        Self {
            pace: Pace::default(),
            rows: VecDeque::new(),
            latest: vec![None; channels],
            learned: None,
            machine: Latch::default(),
            channels: vec![Latch::default(); channels],
            age: 0,
            followed: 0,
            jumped: None,
            lasted: 0,
        }
    }

    /// Takes a row that is later than the one before. A missing value is the one before; a channel that was not
    /// measured yet counts as nought until it is, and is then learned with a jump in it, which gives it no say.
    pub(crate) fn step(&mut self, time: Time, values: &[Option<f64>]) -> Judged {
        self.pace.observe(time);
        for (latest, value) in self.latest.iter_mut().zip(values) {
            *latest = value.filter(|x| x.is_finite()).or(*latest);
        }
        self.rows.push_back(self.latest.iter().map(|x| x.unwrap_or(0.0)).collect());
        let on = self.machine.on || self.channels.iter().any(|c| c.on);
        self.lasted = if on { self.lasted.saturating_add(1) } else { 0 };
        // The change itself may have begun an alarm; one that lasted before it is about something else.
        if self.lasted as usize <= change::AFTER && common_change(&self.rows) {
            // The rows of the new state only.
            self.rows.drain(..self.rows.len().saturating_sub(change::AFTER / 2));
            self.learned = None;
            self.forget_alarms();
            return Judged { anew: true, ..Judged::default() };
        }
        if self.learned.is_none() {
            self.learn();
            return Judged::default();
        }
        while self.rows.len() > learned::LONGEST.max(self.window()) + change::NOISE {
            self.rows.pop_front();
        }
        self.judge()
    }

    fn moments(&self) -> bool {
        self.pace.seconds() < RECORDS_FROM_S
    }

    fn window(&self) -> usize {
        let records = whole(RECORDS_S / self.pace.seconds(), RECORDS.0, RECORDS.1);
        (if self.moments() { MOMENTS } else { records }) as usize
    }

    fn learn(&mut self) {
        let need = whole(LEARN_S / self.pace.seconds(), LEARN_ROWS.0, LEARN_ROWS.1) as usize;
        let window = self.window();
        if self.rows.len() < need.max(2 * window) {
            return;
        }
        let width = self.latest.len();
        let columns =
            (0..width).map(|c| self.rows.iter().filter_map(|r| r.get(c).copied()).collect::<Vec<f64>>());
        self.learned = Some(columns.map(|column| Learned::of(&column, window)).collect());
        (self.age, self.followed, self.jumped) = (0, 0, None);
        self.forget_alarms();
    }

    fn forget_alarms(&mut self) {
        self.machine = Latch::default();
        self.channels.fill(Latch::default());
        self.lasted = 0;
    }

    fn judge(&mut self) -> Judged {
        let (window, moments) = (self.window(), self.moments());
        let hold = if moments { HOLD.0 } else { HOLD.1 };
        self.age = self.age.saturating_add(1);
        let stale = f64::from(self.followed).min(LAG_ROWS) + f64::from(self.age - self.followed);
        let Some(learned) = &mut self.learned else { return Judged::default() };
        let mut away = Vec::with_capacity(learned.len());
        let (mut largest, mut squares, mut live) = (0.0_f64, 0.0, 0.0);
        let (mut jump, mut towards) = (0.0, false);
        for (c, channel) in learned.iter().enumerate() {
            let departure = channel.departure(&self.rows, c, window, stale);
            away.push(departure);
            largest = largest.max(departure.size);
            squares += departure.size * departure.size;
            live += f64::from(u8::from(channel.live()));
            let sudden = channel.jump(&self.rows, c);
            if sudden.size > jump {
                (jump, towards) = (sudden.size, sudden.left < BACK * sudden.moved);
            }
        }
        let live = f64::max(live, 1.0);
        let look = (live.ln() / USUAL_CHANNELS.ln()).max(1.0);
        let one = largest / (ONE * look);
        let all = (squares / live).sqrt() / ALL;
        let size = f64::midpoint(one * one, all * all).sqrt();
        let mut level = self.machine.step(size, hold);
        self.jumped = self.jumped.map(|j| j.saturating_add(1));
        if jump > JUMP && self.jumped.is_none_or(|j| j > JUMP_AGAIN) && (!level.alarm || towards) {
            self.machine = Latch { on: !level.alarm, run: 0 };
            level.alarm = self.machine.on;
            self.jumped = Some(0);
        }
        if !level.alarm {
            self.followed += 1;
            if let Some(row) = self.rows.back() {
                for (channel, x) in learned.iter_mut().zip(row) {
                    channel.follow(*x, FOLLOW, FOLLOW_CUT);
                }
            }
        }
        let sizes =
            away.iter().map(|d| if echo(d, &away) { ECHO_SIZE.min(d.size / ONE) } else { d.size / ONE });
        let own = |(latch, size): (&mut Latch, f64)| latch.step(size, hold);
        let channels = self.channels.iter_mut().zip(sizes).map(own).collect();
        Judged { all: level, channels, anew: false }
    }
}

/// Whether a channel's departure is a weaker copy of another's.
fn echo(own: &Departure, all: &[Departure]) -> bool {
    let like = |d: &&Departure| {
        let share = d.level / own.level;
        (1.0 / LIKE..=LIKE).contains(&share)
    };
    all.iter().filter(like).any(|d| d.size > own.size && own.moved < ECHO * d.moved)
}

/// Of a column of rows, the values from `back` rows before the newest on, `count` of them, newest first.
fn recent(rows: &VecDeque<Vec<f64>>, column: usize, back: usize, count: usize) -> impl Iterator<Item = f64> {
    rows.iter().rev().skip(back).take(count).filter_map(move |r| r.get(column).copied())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::num::real;
    use crate::testing::Noise;
    use notchwatch_model::Span;

    fn run(rows: usize, interval: Span, make: impl Fn(usize, &mut Noise) -> Vec<f64>) -> Vec<Judged> {
        let mut noise = Noise::new(51);
        let mut joint = Joint::new(make(0, &mut Noise::new(1)).len());
        let mut time = Time::EPOCH;
        (0..rows)
            .map(|i| {
                let values: Vec<Option<f64>> = make(i, &mut noise).into_iter().map(Some).collect();
                time = time + interval;
                joint.step(time, &values)
            })
            .collect()
    }

    /// A slow common drift of all channels, too small to see in one, is an alarm of all together and it lasts.
    #[test]
    fn many_small_drifts_are_one_alarm() {
        let judged = run(200, Span::from_hours(1), |i, noise| {
            (0..16).map(|_| 100.0 + noise.normal() + real(i.saturating_sub(60)) / 25.0).collect()
        });
        let first = judged.iter().position(|j| j.all.alarm).unwrap();
        assert!((65..115).contains(&first), "{first}");
        assert!(judged.iter().skip(first).all(|j| j.all.alarm));
    }

    /// A channel that wandered while it was learned has no say; a settled one that steps has.
    #[test]
    fn wandering_is_no_alarm_and_a_step_is() {
        let make = |step: f64| {
            move |i: usize, noise: &mut Noise| {
                let slow = 20.0 * (real(i) / 90.0).sin();
                vec![slow + noise.normal(), 5.0 + noise.normal() + if i >= 700 { step } else { 0.0 }]
            }
        };
        let calm = run(1000, Span::from_secs(1), make(0.0));
        assert!(calm.iter().all(|j| !j.all.alarm));
        let stepped = run(1000, Span::from_secs(1), make(4.0));
        let first = stepped.iter().position(|j| j.all.alarm).unwrap();
        assert!((700..715).contains(&first), "{first}");
        assert!(stepped.last().unwrap().channels[1].alarm && !stepped.last().unwrap().channels[0].alarm);
    }

    /// One channel of five moves far, its neighbours by a tenth of it, and by eight of their means' spreads still: one
    /// alarm. A neighbour that moves by a third of it has one of its own.
    #[test]
    fn an_echo_is_no_alarm_of_its_own() {
        let judged = run(400, Span::from_hours(1), |i, noise| {
            let far = if i >= 200 { 20.0 } else { 0.0 };
            [1.0, 0.1, 0.1, 0.35, 0.0].map(|share| 100.0 + noise.normal() + share * far).to_vec()
        });
        let on: Vec<bool> = judged.last().unwrap().channels.iter().map(|c| c.alarm).collect();
        assert_eq!(on, [true, false, false, true, false]);
    }

    /// All channels change by a like share at once: another operating state, learned anew, no alarm.
    #[test]
    fn a_common_change_is_learned() {
        let judged = run(900, Span::from_secs(1), |i, noise| {
            let load = if i < 500 { 1.0 } else { 1.4 };
            (1..5).map(|c| load * real(c) * (10.0 + 0.1 * noise.normal())).collect()
        });
        assert_eq!(judged.iter().filter(|j| j.anew).count(), 1);
        let alarmed = judged.iter().filter(|j| j.all.alarm).count();
        assert!(alarmed <= change::AFTER, "{alarmed} rows");
    }
}
