//! Limits of the class as they weigh on a finding: its priority, and the time until a limit is reached.
//!
//! Owns both rules. The projection itself is the detector's: its numbers come with the symptom.

use notchwatch_model::{
    ChannelDef, Class, FindingKind, Limit, MachinePart, Priority, RankedFault, Regime, Span, Symptom,
    SymptomKind, Time, TimeToLimit, Untold,
};

use crate::priority::priority_of;

/// Half the fleet would reach the limit within an hour: the time to call and to act at once (common practice).
const CRITICAL_WITHIN_S: f64 = 3600.0;
/// Within a day: before the next departure (common practice).
const HIGH_WITHIN_S: f64 = 86_400.0;
/// Within a week: at the next planned stop (common practice).
const MEDIUM_WITHIN_S: f64 = 7.0 * 86_400.0;
/// Probability from which faults' urgency counts as the finding's: together likelier than all others.
const FAULTS_COUNT: f64 = 0.5;
/// Microseconds in a second.
const MICROS_A_SECOND: f64 = 1e6;
/// Projections beyond this are guesses and are not shown: two years, far beyond any inspection interval.
const LONGEST_PROJECTION_S: f64 = 2.0 * 365.0 * 86_400.0;

/// The limit of the class that a symptom's numbers name, if it is still there.
pub(crate) fn limit_of<'a>(class: &'a Class, symptom: &Symptom) -> Option<&'a Limit> {
    let at = *symptom.numbers.get("limit")?;
    channel(class, symptom)?.limits.iter().find(|limit| limit.at.total_cmp(&at).is_eq())
}

/// Priority from what the symptoms and the first fault say. Raising it over an earlier one is the caller's.
pub(crate) fn priority(
    class: &Class,
    kind: FindingKind,
    symptoms: &[Symptom],
    faults: &[RankedFault],
    time_to_limit: Option<&TimeToLimit>,
) -> Priority {
    match kind {
        FindingKind::Data | FindingKind::Comms => Priority::Low,
        FindingKind::Sensor => {
            let protective =
                symptoms.iter().any(|s| channel(class, s).is_some_and(|c| c.limits.iter().any(acts_soon)));
            if protective { Priority::Medium } else { Priority::Low }
        }
        FindingKind::Machine => {
            let limits = symptoms.iter().filter(|s| s.kind == SymptomKind::Limit);
            let beyond = limits.map(|s| limit_of(class, s).map_or(Priority::Medium, |limit| limit.priority));
            beyond
                .chain(likely(faults))
                .chain(time_to_limit.map(of_time))
                .chain([Priority::Low])
                .min()
                .unwrap_or(Priority::Low)
        }
    }
}

/// Time until a limit, as the detector's numbers on a symptom project it from `from`.
pub(crate) fn projection(class: &Class, symptom: &Symptom, from: Time) -> Option<TimeToLimit> {
    let number = |name: &str| symptom.numbers.get(name).copied().filter(|s| s.is_finite() && *s >= 0.0);
    let (p10, p50, p90) = (number("ttl_p10_s")?, number("ttl_p50_s")?, number("ttl_p90_s")?);
    if p50 > LONGEST_PROJECTION_S {
        return None;
    }
    let at = *symptom.numbers.get("ttl_limit").or_else(|| symptom.numbers.get("limit"))?;
    let known = channel(class, symptom)?.limits.iter().find(|limit| limit.at.total_cmp(&at).is_eq());
    let limit = known.map_or_else(|| symptom.channel.to_string(), |limit| named(symptom, limit));
    let assumes = assumes(number("ttl_slot"));
    Some(TimeToLimit { limit, at, uom: symptom.uom, p10, p50, p90, from, assumes })
}

/// What a projection assumes of the load. The slot is that of the operating state which meets the limit first, where told.
fn assumes(slot: Option<f64>) -> String {
    let state = (0..Regime::SLOTS)
        .zip(0_u8..)
        .find(|(_, number)| slot.is_some_and(|s| s.total_cmp(&f64::from(*number)).is_eq()))
        .map(|(slot, _)| format!(", met first in {}", Regime::from_slot(slot)));
    let state = state.unwrap_or_default();
    format!("the change grows on as since its onset, and the unit works as in the days before{state}")
}

/// Priority that a projection has come to by `now`, and since when, without a new word from the detector. Never
/// critical: a projection that nobody renewed is no reason to call somebody out at night.
pub(crate) fn come_due(time: &TimeToLimit, now: Time) -> Option<(Priority, Time)> {
    [(Priority::High, HIGH_WITHIN_S), (Priority::Medium, MEDIUM_WITHIN_S)].into_iter().find_map(
        |(priority, within)| {
            let wait = (time.p50 - within).max(0.0) * MICROS_A_SECOND;
            #[expect(clippy::cast_possible_truncation, reason = "projections beyond two years are not kept")]
            let since = time.from + Span::from_micros(wait as i64);
            (since <= now).then_some((priority, since))
        },
    )
}

/// When the middle estimate has a limit reached, in seconds of event time.
pub(crate) fn due(time: &TimeToLimit) -> f64 {
    time.from.secs_f64() + time.p50
}

/// Whether a symptom that lasts says that the limit of a projection is reached: there is no time left to tell then.
pub(crate) fn is_reached(class: &Class, part: &MachinePart, time: &TimeToLimit) -> bool {
    let beyond =
        part.symptoms.iter().filter(|s| s.kind == SymptomKind::Limit && part.lasting.contains(&s.id()));
    beyond.filter_map(|s| Some(named(s, limit_of(class, s)?))).any(|limit| limit == time.limit)
}

/// A limit as a time to it names it.
fn named(symptom: &Symptom, limit: &Limit) -> String {
    format!("{} {}", symptom.channel, limit.name)
}

/// Why there is no time to a limit, as a lowercase fragment.
pub(crate) fn no_projection(class: &Class, kind: FindingKind, symptoms: &[Symptom]) -> String {
    let reason = if kind != FindingKind::Machine {
        "what is measured is in doubt, not the machine"
    } else if symptoms.iter().all(|s| s.kind == SymptomKind::OilSample) {
        "an oil sample alone tells no trend of a channel"
    } else if symptoms.iter().any(|s| s.kind == SymptomKind::Limit) {
        "a limit is reached already"
    } else if symptoms.iter().all(|s| channel(class, s).is_none_or(|c| c.limits.is_empty())) {
        "the class states no limit for these channels"
    } else {
        let given = || symptoms.iter().filter_map(Untold::of);
        match Untold::ALL.into_iter().find(|reason| given().any(|given| given == *reason)) {
            Some(Untold::NoLimit) => "the class states no limit on the side that the level moves to",
            Some(Untold::Unseen) => {
                "the operating states in which the limit holds were not seen for long enough since"
            }
            Some(Untold::Stays) => "the level changed and does not trend towards a limit",
            Some(Untold::Far) => "the trend leads to no limit within a year",
            Some(Untold::Unsure) | None => "it is still unsure how the change grows",
        }
    };
    reason.to_owned()
}

fn channel<'a>(class: &'a Class, symptom: &Symptom) -> Option<&'a ChannelDef> {
    class.channel(class.channel_ix(symptom.channel.as_str())?)
}

fn acts_soon(limit: &Limit) -> bool {
    limit.priority <= Priority::High
}

/// The highest priority that faults which ask for it, or for more, are likelier than not to hold together.
fn likely(faults: &[RankedFault]) -> Option<Priority> {
    let share = |least: Priority| {
        faults.iter().filter(|fault| of_fault(fault) <= least).map(|fault| fault.probability).sum::<f64>()
    };
    [Priority::Critical, Priority::High, Priority::Medium].into_iter().find(|p| share(*p) >= FAULTS_COUNT)
}

/// Of a fault of the library from the matrix; an explanation that is none waits for the next inspection.
fn of_fault(fault: &RankedFault) -> Priority {
    let consequence = fault.rationale.as_ref().map(|r| r.consequence);
    consequence.map_or(Priority::Low, |consequence| priority_of(consequence, fault.urgency))
}

fn of_time(time: &TimeToLimit) -> Priority {
    match time.p50 {
        s if s <= CRITICAL_WITHIN_S => Priority::Critical,
        s if s <= HIGH_WITHIN_S => Priority::High,
        s if s <= MEDIUM_WITHIN_S => Priority::Medium,
        _ => Priority::Low,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{class, symptom, time};

    fn of(symptoms: &[Symptom], kind: FindingKind, ttl: Option<f64>) -> Priority {
        let ttl = ttl.map(|p50| TimeToLimit {
            limit: "x".into(),
            at: 1.0,
            uom: notchwatch_model::Uom::NONE,
            p10: p50 / 2.0,
            p50,
            p90: p50 * 2.0,
            from: Time::EPOCH,
            assumes: String::new(),
        });
        priority(&class(), kind, symptoms, &[], ttl.as_ref())
    }

    #[test]
    fn priority_follows_the_limit_and_the_time_to_it() {
        let mut hot = symptom("coolant_temp", SymptomKind::Limit, 3.0, "2026-11-03T05:00:00Z");
        hot.numbers = [("limit".to_owned(), 102.0)].into();
        let shift = symptom("coolant_temp", SymptomKind::LevelShift, 3.0, "2026-11-03T05:00:00Z");
        let shift = std::slice::from_ref(&shift);
        assert_eq!(of(&[hot], FindingKind::Machine, None), Priority::High);
        for (hours, expected) in [
            (Some(0.5), Priority::Critical),
            (Some(20.0), Priority::High),
            (Some(100.0), Priority::Medium),
            (Some(1000.0), Priority::Low),
            (None, Priority::Low),
        ] {
            assert_eq!(of(shift, FindingKind::Machine, hours.map(|h| h * 3600.0)), expected, "{hours:?}");
        }
    }

    #[test]
    fn a_sensor_that_protection_may_hang_on_matters_more() {
        let on = |channel| [symptom(channel, SymptomKind::Stuck, 0.0, "2026-11-03T05:00:00Z")];
        assert_eq!(of(&on("coolant_temp"), FindingKind::Sensor, None), Priority::Medium);
        assert_eq!(of(&on("turbo_speed"), FindingKind::Sensor, None), Priority::Low);
    }

    #[test]
    fn a_projection_needs_all_numbers_and_names_its_limit() {
        let mut drift = symptom("coolant_temp", SymptomKind::Drift, 3.0, "2026-11-03T05:00:00Z");
        let from = time("2026-11-03T06:00:00Z");
        assert_eq!(projection(&class(), &drift, from), None);
        for (name, number) in [("limit", 102.0), ("ttl_p10_s", 1e4), ("ttl_p50_s", 2e4), ("ttl_p90_s", 4e4)] {
            drift.numbers.insert(name.to_owned(), number);
        }
        let found = projection(&class(), &drift, from).unwrap();
        assert_eq!((found.limit.as_str(), found.from), ("coolant_temp hot", from));
        drift.numbers.insert("ttl_p50_s".to_owned(), 1e9);
        assert_eq!(projection(&class(), &drift, from), None);
    }

    #[test]
    fn a_projection_names_the_state_that_meets_the_limit_first() {
        assert!(assumes(Some(9.0)).ends_with("met first in notch-8"), "{}", assumes(Some(9.0)));
        assert!(assumes(None).ends_with("as in the days before"), "{}", assumes(None));
    }

    /// Of several symptoms the one that may yet tell speaks first.
    #[test]
    fn the_detectors_reason_for_no_time_is_told() {
        let of = |reasons: &[Untold]| {
            let symptoms: Vec<Symptom> = reasons
                .iter()
                .map(|reason| {
                    let mut shift =
                        symptom("coolant_temp", SymptomKind::LevelShift, 3.0, "2026-11-03T05:00:00Z");
                    shift.numbers.insert(Untold::NAME.to_owned(), reason.number());
                    shift
                })
                .collect();
            no_projection(&class(), FindingKind::Machine, &symptoms)
        };
        for (reasons, words) in [
            (vec![Untold::Stays], "does not trend"),
            (vec![Untold::Stays, Untold::Unsure], "still unsure"),
            (vec![Untold::Far, Untold::Stays], "within a year"),
            (vec![Untold::Unseen, Untold::NoLimit], "not seen"),
            (vec![Untold::NoLimit], "on the side"),
        ] {
            assert!(of(&reasons).contains(words), "{reasons:?}: {}", of(&reasons));
        }
    }
}
