//! Failures in a row: how long to wait, and when a row of them means something else.
//!
//! Owns the ladders of waiting and the guess at a client-identifier conflict from connections that end at once.

use std::time::Duration;

use super::failure::{Failure, Kind};
use crate::backoff::{Backoff, Ladder};

/// The broker is away: quick, so that data flow again within seconds of its return.
const AWAY: Ladder = Ladder { first: Duration::from_millis(250), longest: Duration::from_secs(5) };
/// The broker refuses: somebody must change something.
const REFUSED: Ladder = Ladder { first: Duration::from_secs(1), longest: Duration::from_secs(30) };
/// Two processes with one identifier throw each other out: slow and spread, so that neither connects more than a few
/// times a minute.
const CONFLICT: Ladder = Ladder { first: Duration::from_secs(6), longest: Duration::from_secs(90) };
/// A packet that cannot be read comes back after every connect: under six connects a minute from the first, and falling.
const MALFORMED: Ladder = Ladder { first: Duration::from_secs(20), longest: Duration::from_mins(2) };
/// A connection that ended sooner than this after CONNACK counts as ended at once.
const AT_ONCE: Duration = Duration::from_secs(5);
/// Connections ended at once, in a row, from which on another process with our identifier is suspected. Not every
/// broker says so: Mosquitto 2.0.11 closes the older connection without a reason.
const SUSPICIOUS: u32 = 3;
/// A connection is calm once it has outlived the wait before it this many times: the other side of a conflict, which
/// waits as long as we did, would have come back.
const CALM_WAITS: u32 = 3;

/// Failures in a row.
#[derive(Debug, Default)]
pub(super) struct Strikes {
    backoff: Backoff,
    row: Option<Kind>,
    ended_at_once: u32,
    last_wait: Duration,
}

impl Strikes {
    /// Names a failure in the light of those before it. `lasted` is how long the connection stood, if it did.
    pub(super) fn judge(&mut self, failure: Failure, lasted: Option<Duration>, client_id: &str) -> Failure {
        let at_once = failure.kind == Kind::Away && lasted.is_some_and(|l| l < AT_ONCE);
        self.ended_at_once = if at_once { self.ended_at_once + 1 } else { 0 };
        let conflict = "another process may use the client identifier";
        match failure.kind {
            Kind::Conflict => {
                Failure::new(Kind::Conflict, format!("{conflict} {client_id:?}: {}", failure.detail))
            }
            Kind::Away if self.ended_at_once >= SUSPICIOUS => {
                let row = self.ended_at_once;
                let detail = format!("{conflict} {client_id:?}: {row} connections in a row ended at once");
                Failure::new(Kind::Conflict, detail)
            }
            _ => failure,
        }
    }

    /// The wait before the next attempt.
    pub(super) fn wait(&mut self, failure: &Failure) -> Duration {
        let sort = std::mem::discriminant(&failure.kind);
        if self.row.as_ref().map(std::mem::discriminant) != Some(sort) {
            self.row = Some(failure.kind);
            self.backoff.reset();
        }
        self.last_wait = self.backoff.next(match failure.kind {
            Kind::Away | Kind::Stalled | Kind::TooLarge(_) => AWAY,
            Kind::Refused => REFUSED,
            Kind::Conflict => CONFLICT,
            Kind::Malformed => MALFORMED,
        });
        self.last_wait
    }

    /// Whether a connection that has stood for `stood` is calm; if so, the row of failures is over.
    pub(super) fn calm(&mut self, stood: Duration) -> bool {
        let calm = stood >= AT_ONCE.max(self.last_wait * CALM_WAITS);
        if calm {
            *self = Self::default();
        }
        calm
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn away() -> Failure {
        Failure::new(Kind::Away, "gone")
    }

    const SHORT: Option<Duration> = Some(Duration::from_secs(1));

    #[test]
    fn connections_that_end_at_once_are_taken_for_a_conflict() {
        let mut strikes = Strikes::default();
        let kinds: Vec<Kind> = (0..5).map(|_| strikes.judge(away(), SHORT, "us").kind).collect();
        assert_eq!(kinds, [Kind::Away, Kind::Away, Kind::Conflict, Kind::Conflict, Kind::Conflict]);
        assert!(strikes.judge(away(), SHORT, "us").detail.contains("\"us\""));
    }

    #[test]
    fn a_broker_that_is_away_is_no_conflict() {
        let mut strikes = Strikes::default();
        assert!((0..20).all(|_| strikes.judge(away(), None, "us").kind == Kind::Away));
        // Killed and started again, over and over: between two short connections one attempt finds nobody.
        let restarts = (0..20).map(|n| if n % 2 == 0 { SHORT } else { None });
        assert!(restarts.into_iter().all(|lasted| strikes.judge(away(), lasted, "us").kind == Kind::Away));
        let long = Some(Duration::from_mins(1));
        assert!((0..20).all(|_| strikes.judge(away(), long, "us").kind == Kind::Away));
    }

    /// Case: a packet that cannot be read comes after each connect; less than six connects in the first minute.
    #[test]
    fn unreadable_packets_make_few_connects() {
        let mut strikes = Strikes::default();
        let waits: Vec<Duration> =
            (0..6).map(|_| strikes.wait(&Failure::new(Kind::Malformed, "bytes"))).collect();
        let in_a_minute = waits
            .iter()
            .scan(Duration::ZERO, |at, wait| {
                *at += *wait;
                Some(*at)
            })
            .filter(|at| *at < Duration::from_mins(1))
            .count();
        assert!(in_a_minute < 5, "{waits:?}");
        assert!(waits[5] >= Duration::from_mins(1));
    }

    /// Case: two processes with one identifier, two minutes: each connects less than ten times.
    #[test]
    fn a_conflict_makes_few_connects() {
        let mut strikes = Strikes::default();
        let total: Duration = (0..9).map(|_| strikes.wait(&Failure::new(Kind::Conflict, "kicked"))).sum();
        assert!(total > Duration::from_mins(2), "{total:?}");
    }

    #[test]
    fn a_row_ends_when_the_connection_outlives_the_waits() {
        let mut strikes = Strikes::default();
        let conflict = Failure::new(Kind::Conflict, "kicked");
        let wait = (0..3).map(|_| strikes.wait(&conflict)).last().unwrap();
        assert!(!strikes.calm(wait * 2));
        assert!(strikes.calm(wait * 3));
        assert!(strikes.wait(&conflict) <= CONFLICT.first);
    }

    #[test]
    fn another_kind_of_failure_begins_its_own_ladder() {
        let mut strikes = Strikes::default();
        (0..8).for_each(|_| assert!(strikes.wait(&away()) <= AWAY.longest));
        assert!(strikes.wait(&Failure::new(Kind::Refused, "no")) <= REFUSED.first);
    }
}
