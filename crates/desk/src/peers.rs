//! One channel compared over the units of a class in like operating states: which of them stands apart?
//!
//! Owns which units are compared and how far each stands from the middle of them. Owns the copy that serves the same
//! question again, since each answer reads days of samples of every unit. A caller's answer holds the caller's units
//! alone, the middle included.

use std::time::{Duration, Instant};

use notchwatch_model::{
    ChannelDef, ChannelIx, ChannelName, ChannelValue, Class, ClassId, Principal, RailwayId, Regime, Span,
    Time, UnitKey,
};

use crate::Desk;
use crate::error::{DeskError, Result};
use crate::evidence::Level;
use crate::trace::{channel_of, evidence_error};

/// Most units compared with one another: an answer reads days of samples of each.
pub const MAX_PEERS: usize = 500;
/// Settled samples that a unit needs to be compared: single samples move the middle of fewer. Common practice without a
/// source.
pub const FEWEST_SAMPLES: u32 = 10;
/// Units that it takes to tell which of them stands apart: of two nobody can.
const FEWEST_UNITS: usize = 3;
/// A median absolute deviation times this is the standard deviation of normal values (Rousseeuw and Croux 1993).
const MAD_TO_SIGMA: f64 = 1.4826;
/// How long an answer serves the same question again: a median over a day hardly moves in that time.
const KEPT: Duration = Duration::from_mins(5);
/// Answers kept; the oldest goes.
const MOST_KEPT: usize = 16;

/// What is compared.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PeerQuery {
    /// Units of this class.
    pub class: ClassId,
    /// This channel of them.
    pub channel: ChannelName,
    /// Of this railway alone.
    pub railway: Option<RailwayId>,
    /// Of this region alone.
    pub region: Option<String>,
    /// In this operating state; without it the one of a running engine with the most units.
    pub state: Option<Regime>,
    /// Over the last seven days instead of the last one.
    pub week: bool,
}

/// One unit among its peers.
#[derive(Debug, Clone, PartialEq)]
pub struct Peer {
    /// The unit.
    pub unit: UnitKey,
    /// What it measured in the state.
    pub level: Level,
    /// Its distance from the middle of all, in their spreads, signed; absent while there is no spread.
    pub spreads: Option<f64>,
}

/// A channel over units of a class, in one operating state.
#[derive(Debug, Clone, PartialEq)]
pub struct Peers {
    /// The channel.
    pub channel: ChannelDef,
    /// Event time from here.
    pub from: Time,
    /// To before here.
    pub to: Time,
    /// States in which a unit has enough samples, with the number of such units.
    pub states: Vec<(Regime, usize)>,
    /// The state compared; absent when no unit has enough samples in any.
    pub state: Option<Regime>,
    /// Units with enough samples in it, those furthest from the middle first.
    pub units: Vec<Peer>,
    /// Units without.
    pub without: usize,
    /// Median of the units' values, in the channel's stored unit of measure.
    pub middle: Option<f64>,
    /// Robust spread of the units about it, in the same; not below the channel's resolution. Absent for fewer than
    /// three units, or when all are equal.
    pub spread: Option<f64>,
}

/// An answer that serves again.
#[derive(Debug)]
pub(crate) struct Kept {
    at: Instant,
    of: (ClassId, ChannelIx, bool, Vec<UnitKey>),
    to: Time,
    levels: Vec<Vec<Level>>,
}

impl Desk {
    /// Compares a channel over units. Refuses channels that are no quantity, and more than [`MAX_PEERS`] units.
    pub async fn peers(&self, who: &Principal, query: &PeerQuery) -> Result<Peers> {
        let register = self.register(who).await?;
        let class = register.class(&query.class).ok_or(DeskError::NotFound)?;
        let (ix, def) = comparable(class, &query.channel)?;
        let fits = |u: &&notchwatch_model::Unit| {
            u.class == class.id
                && query.railway.as_ref().is_none_or(|r| *r == u.railway)
                && query.region.as_ref().is_none_or(|r| *r == u.region)
                && (!def.optional || u.fitted.is_empty() || u.fitted.contains(&def.name))
        };
        let mut units: Vec<UnitKey> =
            register.units.iter().filter(fits).map(notchwatch_model::Unit::key).collect();
        if units.len() > MAX_PEERS {
            let number = units.len();
            return Err(DeskError::Refused(format!(
                "{number} units fit and {MAX_PEERS} are compared at most: choose a railway or a region"
            )));
        }
        units.sort();
        let span = Span::from_days(if query.week { 7 } else { 1 });
        let (levels, to) = self.levels((class.id.clone(), ix, query.week, units.clone()), span).await?;
        Ok(compared(def, query.state, units, &levels, (to - span, to)))
    }

    /// Levels of the units, computed or as they were minutes ago, with the end of their span. Callers at the same time
    /// wait for one another: each reads much of the store.
    async fn levels(
        &self,
        of: (ClassId, ChannelIx, bool, Vec<UnitKey>),
        span: Span,
    ) -> Result<(Vec<Vec<Level>>, Time)> {
        let _place = self.inner.trace_places.try_acquire().map_err(|_| {
            DeskError::Unavailable("too many pictures are being drawn, try again in a moment".to_owned())
        })?;
        let mut kept = self.inner.peers.lock().await;
        kept.retain(|k| k.at.elapsed() < KEPT);
        if let Some(known) = kept.iter().find(|k| k.of == of) {
            return Ok((known.levels.clone(), known.to));
        }
        let to = self.now();
        let (class, channel, _, units) = of.clone();
        let found = self.inner.evidence.levels(class, units, channel, (to - span, to)).await;
        let levels = found.map_err(evidence_error)?;
        if kept.len() >= MOST_KEPT {
            kept.remove(0);
        }
        kept.push(Kept { at: Instant::now(), of, to, levels: levels.clone() });
        Ok((levels, to))
    }
}

fn comparable<'a>(class: &'a Class, name: &ChannelName) -> Result<(ChannelIx, &'a ChannelDef)> {
    let (ix, def) = channel_of(class, name)?;
    match def.value {
        ChannelValue::Number | ChannelValue::Flag => Ok((ix, def)),
        ChannelValue::Counter => {
            Err(DeskError::Refused("a total that only grows is not compared".to_owned()))
        }
        ChannelValue::Text => Err(DeskError::Refused("a text is not compared".to_owned())),
    }
}

fn compared(
    channel: &ChannelDef,
    asked: Option<Regime>,
    units: Vec<UnitKey>,
    levels: &[Vec<Level>],
    (from, to): (Time, Time),
) -> Peers {
    let enough = |level: &&Level| level.samples >= FEWEST_SAMPLES;
    let mut states: Vec<(Regime, usize)> = Vec::new();
    for level in levels.iter().flatten().filter(enough) {
        match states.iter_mut().find(|(regime, _)| *regime == level.regime) {
            Some((_, number)) => *number += 1,
            None => states.push((level.regime, 1)),
        }
    }
    states.sort_by_key(|(regime, _)| *regime);
    // The first of equals: states are in order. An engine that stands says least.
    let runs = |regime: Regime| regime != Regime::Stopped;
    let common = states.iter().rev().max_by_key(|(regime, number)| (runs(*regime), *number));
    let common = common.map(|(regime, _)| *regime);
    let state = asked.or(common);
    let all = units.len();
    let mut peers: Vec<Peer> = units
        .into_iter()
        .zip(levels)
        .filter_map(|(unit, levels)| {
            let level = *levels.iter().filter(enough).find(|l| Some(l.regime) == state)?;
            Some(Peer { unit, level, spreads: None })
        })
        .collect();
    let (middle, spread) = spread_of(&peers, channel.resolution);
    for peer in &mut peers {
        peer.spreads = middle.zip(spread).map(|(middle, spread)| (peer.level.middle - middle) / spread);
    }
    let distance = |p: &Peer| middle.map_or(0.0, |middle| (p.level.middle - middle).abs());
    // Stable: what is equally far stays by railway and number.
    peers.sort_by(|a, b| distance(b).total_cmp(&distance(a)));
    let without = all - peers.len();
    Peers { channel: channel.clone(), from, to, states, state, units: peers, without, middle, spread }
}

/// Median of the units, and their robust spread about it.
fn spread_of(peers: &[Peer], resolution: f64) -> (Option<f64>, Option<f64>) {
    let Some(middle) = median(peers.iter().map(|p| p.level.middle).collect()) else { return (None, None) };
    if peers.len() < FEWEST_UNITS {
        return (Some(middle), None);
    }
    let off = median(peers.iter().map(|p| (p.level.middle - middle).abs()).collect()).unwrap_or_default();
    let spread = (off * MAD_TO_SIGMA).max(resolution);
    (Some(middle), Some(spread).filter(|s| *s > 0.0))
}

/// Middle of some numbers; of an even number of them the mean of the two in the middle.
fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let half = values.len() / 2;
    let upper = *values.get(half)?;
    if values.len() % 2 == 1 {
        return Some(upper);
    }
    values.get(half - 1).map(|lower| f64::midpoint(*lower, upper))
}

#[cfg(test)]
mod tests {
    use notchwatch_model::System;

    use super::*;

    fn key(number: usize) -> UnitKey {
        UnitKey { railway: "northmoor".parse().unwrap(), unit: number.to_string().parse().unwrap() }
    }

    fn level(regime: Regime, samples: u32, middle: f64) -> Level {
        Level { regime, samples, middle }
    }

    fn of(asked: Option<Regime>, levels: &[Vec<Level>]) -> Peers {
        let channel = ChannelDef::new("temp".parse().unwrap(), System::Machine);
        let units = (0..levels.len()).map(key).collect();
        compared(&channel, asked, units, levels, (Time::EPOCH, Time::EPOCH))
    }

    #[test]
    fn the_one_that_stands_apart_comes_first_with_its_distance_in_spreads_of_the_units() {
        let idle = |middle| vec![level(Regime::Notch(0), 50, middle)];
        let mut levels: Vec<_> = [70.0, 71.0, 72.0, 73.0, 99.0].into_iter().map(idle).collect();
        levels.push(vec![level(Regime::Notch(0), FEWEST_SAMPLES - 1, 5.0)]);
        levels.push(vec![]);
        let found = of(None, &levels);
        assert_eq!((found.state, found.without), (Some(Regime::Notch(0)), 2));
        assert_eq!((found.middle, found.units.len()), (Some(72.0), 5));
        assert_eq!(found.spread, Some(MAD_TO_SIGMA), "the middle of 2, 1, 0, 1, 27");
        assert_eq!(found.units[0].unit, key(4));
        assert!((found.units[0].spreads.unwrap() - 27.0 / MAD_TO_SIGMA).abs() < 1e-12);
    }

    #[test]
    fn without_a_state_asked_for_the_one_of_the_most_units_is_shown() {
        let levels = [
            vec![
                level(Regime::Stopped, 50, 0.0),
                level(Regime::Notch(0), 50, 1.0),
                level(Regime::Notch(8), 50, 9.0),
            ],
            vec![level(Regime::Stopped, 50, 0.0), level(Regime::Notch(8), 50, 9.0)],
            vec![level(Regime::Stopped, 50, 0.0)],
        ];
        let found = of(None, &levels);
        assert_eq!(found.states, [(Regime::Stopped, 3), (Regime::Notch(0), 1), (Regime::Notch(8), 2)]);
        assert_eq!((found.state, found.middle, found.spread), (Some(Regime::Notch(8)), Some(9.0), None));
        let other = of(Some(Regime::Notch(3)), &levels);
        assert_eq!((other.units.len(), other.without, other.middle), (0, 3, None));
    }
}
