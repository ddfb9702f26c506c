//! From surprise row by row to events: one a change, and fewer where many were just seen.

/// Surprise at which an event begins.
const BEGIN: f64 = 1.0;
/// Each event raises the bar by this share, forgotten over so many rows.
const FATIGUE: f64 = 0.15;
const FORGET: f64 = 1000.0;
/// An event is over this many rows after it began ...
const OVER: u32 = 100;
/// ... but one that begins this many rows later and is so much larger is another.
const ANOTHER: u32 = 24;
const LARGER: f64 = 1.5;

/// The events of one channel.
#[derive(Clone, Debug, Default)]
pub(super) struct Events {
    count: f64,
    since: Option<u32>,
    peak: f64,
}

impl Events {
    /// Takes a row's surprise; returns the size of the event that begins with it, nought elsewhere.
    pub(super) fn step(&mut self, raw: f64) -> f64 {
        self.count *= (-1.0 / FORGET).exp();
        self.since = self.since.map(|s| s.saturating_add(1));
        let size = raw / (1.0 + FATIGUE * self.count);
        let free = self.since.is_none_or(|s| s > OVER);
        let another = self.since.is_some_and(|s| s > ANOTHER) && raw >= LARGER * self.peak;
        if size >= BEGIN && (free || another) {
            self.count += 1.0;
            (self.since, self.peak) = (Some(0), raw);
            return size;
        }
        if !free {
            self.peak = self.peak.max(raw);
        }
        0.0
    }
}
