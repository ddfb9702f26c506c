//! The history of a finding as its page shows it, the newest first.

use jiff::tz::TimeZone;
use notchwatch_model::{Span, Time};
use notchwatch_store::HistoryEntry;

use crate::console::format::{Stamp, stamp};
use crate::words::{Told, said, told};

/// A version that was recorded within this after what it judged came while the unit was watched live.
const LIVE: Span = Span::from_mins(15);

#[derive(Debug)]
pub(super) struct Line {
    pub(super) at: Stamp,
    pub(super) by: String,
    pub(super) what: &'static str,
    pub(super) detail: String,
    /// Event time that it had judged to, when that is not the time at which it was recorded.
    pub(super) judged: Option<Stamp>,
    pub(super) effective: bool,
}

pub(super) fn lines(history: &[HistoryEntry], zone: &TimeZone, now: Time) -> Vec<Line> {
    let mut lines: Vec<Line> =
        history.iter().zip(told(history)).map(|(entry, told)| line(entry, told, zone, now)).collect();
    lines.reverse();
    lines
}

fn line(entry: &HistoryEntry, told: Told, zone: &TimeZone, now: Time) -> Line {
    match entry {
        HistoryEntry::Decision(decision) => Line {
            at: stamp(decision.at, zone, now),
            by: decision.by.to_string(),
            what: decision.act.word(),
            detail: said(&decision.act).unwrap_or_default(),
            judged: None,
            effective: decision.effective,
        },
        HistoryEntry::Machine { at, kind, .. } => Line {
            at: stamp(*at, zone, now),
            by: String::new(),
            what: kind.word(),
            detail: told.news.unwrap_or_default(),
            judged: told.judged.filter(|judged| *at - *judged > LIVE).map(|judged| stamp(judged, zone, now)),
            effective: true,
        },
    }
}
