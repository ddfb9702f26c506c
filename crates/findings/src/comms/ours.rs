//! Our own side: when we could hear, and when we could not.
//!
//! Owns the time that counts against a unit: only time in which we could have heard it.

use notchwatch_model::{ClockTick, Span, Time};
use serde::{Deserialize, Serialize};

use super::CommsPolicy;

/// So many ticks missed mean that nothing was recorded.
const TICKS_MISSED: i64 = 3;
/// What is said of that time: the process or its store was away, which of them nobody could write down.
pub(super) const NOT_RUNNING: &str = "service-or-store-down";

/// A span of our own in which nothing could be heard.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Outage {
    pub(super) since: Time,
    pub(super) until: Option<Time>,
    pub(super) reasons: Vec<String>,
}

/// What our own clock and troubles were, up to the last tick.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub(super) struct Ours {
    pub(super) last: Option<Time>,
    well: bool,
    /// Time in which we could hear, since the first tick.
    pub(super) heard: Span,
    judges_from: Option<Time>,
    pub(super) outage: Option<Outage>,
}

impl Ours {
    /// Passes to a tick. Returns the outages that began, went on or ended by it.
    pub(super) fn advance(&mut self, policy: &CommsPolicy, tick: &ClockTick) -> Vec<Outage> {
        let at = self.last.map_or(tick.at, |last| last.max(tick.at));
        let mut told = Vec::new();
        let missed = Span::from_micros(policy.tick.micros().saturating_mul(TICKS_MISSED));
        match self.last {
            Some(last) if at - last > missed => {
                let outage = self.outage.get_or_insert(Outage { since: last, until: None, reasons: vec![] });
                add(&mut outage.reasons, NOT_RUNNING);
            }
            Some(last) if self.well => {
                self.heard = Span::from_micros(self.heard.micros() + (at - last).micros());
            }
            Some(_) => {}
            None => self.judges_from = Some(at + policy.grace),
        }
        self.well = tick.trouble.is_empty();
        self.last = Some(at);
        if !self.well {
            let outage = self.outage.get_or_insert(Outage { since: at, until: None, reasons: vec![] });
            tick.trouble.iter().for_each(|reason| add(&mut outage.reasons, reason));
            told.push(outage.clone());
        } else if let Some(mut over) = self.outage.take() {
            over.until = Some(at);
            self.judges_from = Some(at + policy.grace);
            told.push(over);
        }
        told
    }

    /// Whether silence may be judged at the last tick.
    pub(super) fn judges(&self) -> bool {
        self.well && self.last >= self.judges_from
    }

    /// Time in which we could hear, up to a receipt after the last tick.
    pub(super) fn heard_at(&self, received: Time) -> Span {
        let since = self.last.filter(|_| self.well).map_or(Span::ZERO, |last| received - last);
        Span::from_micros(self.heard.micros() + since.micros().clamp(0, Span::from_days(1).micros()))
    }
}

/// Reasons come from a fixed set, so the list stays short.
fn add(reasons: &mut Vec<String>, reason: &str) {
    if reasons.iter().all(|known| known != reason) {
        reasons.push(reason.to_owned());
        reasons.sort();
    }
}
