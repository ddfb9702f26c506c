//! The state of a unit's link as it is shown: as judged at the newest clock tick, and what was heard since.
//!
//! Owns that no page says "never heard" of a unit that was heard a moment ago: ticks come once a minute. The judgement
//! itself, its findings and its history are evaluation's.

use std::collections::HashMap;

use notchwatch_model::{CommsState, ServiceStatus, Span, Time, UnitComms, UnitKey};
use notchwatch_store::UnitProgress;

/// Quiet that counts as silence while a unit's own limit is not known: the usual `comms.silent_after_s`.
const SILENT_AFTER: Span = Span::from_hours(1);
/// Data older than this at receipt are late: the usual `comms.fresh_s`.
const FRESH: Span = Span::from_mins(30);

/// State of a link at `now`. What was received after the judgement counts when it was fresh; late data clear nothing.
pub(crate) fn shown(
    comms: Option<&UnitComms>,
    progress: Option<&UnitProgress>,
    status: ServiceStatus,
    now: Time,
) -> CommsState {
    let judged = comms.map(|c| c.state).unwrap_or_default();
    let Some(received) = progress.and_then(|p| p.received) else { return judged };
    let known = comms.and_then(|c| c.heard).is_some_and(|heard| heard >= received);
    let open = matches!(judged, CommsState::NeverHeard | CommsState::Silent | CommsState::Late);
    if known || !open {
        return judged;
    }
    let fresh = progress.and_then(|p| p.judged).is_some_and(|event| received - event <= FRESH);
    // Received before nothing was known of it: a history that is read in, or messages that wait to be judged. That says
    // what the unit sent then, not that it is silent since.
    let before = comms.map_or(now - received > SILENT_AFTER, |c| received < c.since);
    let history = judged == CommsState::NeverHeard && before;
    let quiet = !history && now - received > comms.map_or(SILENT_AFTER, |c| c.limit);
    match (judged, quiet, fresh && !history) {
        (_, false, true) => CommsState::Reporting,
        (CommsState::NeverHeard, true, _) if status == ServiceStatus::InService => CommsState::Silent,
        (CommsState::NeverHeard, true, _) => CommsState::NotExpected,
        (CommsState::NeverHeard, false, false) => CommsState::Late,
        _ => judged,
    }
}

/// Brings judged states up to what was heard since; units that were never judged come in.
pub(crate) fn follow(
    comms: Vec<UnitComms>,
    progress: &[UnitProgress],
    statuses: &HashMap<UnitKey, ServiceStatus>,
    now: Time,
) -> Vec<UnitComms> {
    let mut links: HashMap<UnitKey, UnitComms> = comms.into_iter().map(|c| (c.unit.clone(), c)).collect();
    for progress in progress {
        let (Some(status), Some(received)) = (statuses.get(&progress.unit), progress.received) else {
            continue;
        };
        let held = links.get(&progress.unit);
        let state = shown(held, Some(progress), *status, now);
        match links.get_mut(&progress.unit) {
            Some(link) if link.state == state => {}
            Some(link) => {
                link.state = state;
                link.since = received;
            }
            None => {
                let unit = progress.unit.clone();
                let link = UnitComms {
                    unit: unit.clone(),
                    state,
                    since: received,
                    heard: Some(received),
                    usual: None,
                    limit: SILENT_AFTER,
                    clock_offset: None,
                };
                links.insert(unit, link);
            }
        }
    }
    let mut links: Vec<UnitComms> = links.into_values().collect();
    links.sort_by(|a, b| a.unit.cmp(&b.unit));
    links
}

#[cfg(test)]
mod tests {

    use super::*;

    fn at(minutes: i64) -> Time {
        Time::EPOCH + Span::from_days(1) + Span::from_mins(minutes)
    }

    fn key() -> UnitKey {
        UnitKey { railway: "northmoor".parse().unwrap(), unit: "1".parse().unwrap() }
    }

    fn judged(state: CommsState, heard: Option<Time>) -> UnitComms {
        let limit = Span::from_hours(1);
        UnitComms { unit: key(), state, since: at(0), heard, usual: None, limit, clock_offset: None }
    }

    fn progress(received: Time, event: Time) -> UnitProgress {
        UnitProgress {
            unit: key(),
            judged: Some(event),
            received: Some(received),
            samples: 1,
            repeats: 0,
            conflicts: 0,
            models: None,
        }
    }

    #[test]
    fn what_is_shown_follows_the_newest_receipt_and_late_data_clear_nothing() {
        use CommsState::{ClockWrong, Late, NeverHeard, NotExpected, Reporting, Silent};
        // Judged as, heard then, received now, measured, now, in service; shown as.
        let table = [
            (NeverHeard, None, at(10), at(10), at(11), true, Reporting),
            (NeverHeard, None, at(100), at(10), at(101), true, Late),
            (NeverHeard, None, at(10), at(10), at(100), true, Silent),
            (NeverHeard, None, at(10), at(10), at(100), false, NotExpected),
            (NeverHeard, None, at(-90), at(-90), at(1), true, Late),
            (Silent, Some(at(0)), at(100), at(99), at(101), true, Reporting),
            (Silent, Some(at(0)), at(100), at(10), at(101), true, Silent),
            (Silent, Some(at(0)), at(0), at(0), at(101), true, Silent),
            (Late, Some(at(0)), at(5), at(4), at(6), true, Reporting),
            (ClockWrong, Some(at(0)), at(5), at(5), at(6), true, ClockWrong),
        ];
        for (state, heard, received, event, now, in_service, expected) in table {
            let status = if in_service { ServiceStatus::InService } else { ServiceStatus::Stored };
            let (link, newest) = (judged(state, heard), progress(received, event));
            assert_eq!(shown(Some(&link), Some(&newest), status, now), expected, "{state:?} {received}");
            let followed = follow(vec![link], &[newest], &[(key(), status)].into(), now);
            assert_eq!(followed[0].state, expected);
        }
        let newest = progress(at(10), at(10));
        let made = follow(vec![], &[newest], &[(key(), ServiceStatus::InService)].into(), at(10));
        assert_eq!((made.len(), made[0].state), (1, Reporting), "a unit that no tick has seen yet");
        let old = progress(at(-90), at(-90));
        assert_eq!(shown(None, Some(&old), ServiceStatus::InService, at(0)), Late, "a history");
        assert_eq!(shown(None, None, ServiceStatus::InService, at(0)), NeverHeard);
    }
}
