//! The life of findings on made-up symptoms of the demo class.

mod grouping;
mod life;
mod oil;

use notchwatch_model::{AccountName, DecisionId, Priority, UnitKey, Untold};

use super::*;
use crate::Library;
use crate::testing::{class, symptom, time, unit};

struct Bench {
    class: notchwatch_model::Class,
    unit: notchwatch_model::Unit,
    library: Library,
    findings: UnitFindings,
    background: crate::Background,
    /// Version that the next decision is taken on; each moves it.
    version: u32,
}

impl Bench {
    fn new() -> Self {
        Self {
            class: class(),
            unit: unit(),
            library: Library::builtin().unwrap(),
            findings: UnitFindings::default(),
            background: crate::Background::default(),
            version: 0,
        }
    }

    fn with<T>(&mut self, act: impl FnOnce(&mut UnitFindings, &Context<'_>) -> T) -> T {
        let context = Context {
            unit: &self.unit,
            class: &self.class,
            library: &self.library,
            settings_version: 7,
            background: &self.background,
        };
        act(&mut self.findings, &context)
    }

    fn change(&mut self, at: Time, symptom: &Symptom, change: Change) -> Vec<MachinePart> {
        let change = SymptomChange { at, symptom: symptom.clone(), change };
        self.with(|findings, context| findings.apply(context, &[change]))
    }

    fn raise(&mut self, channel: &str, kind: SymptomKind, size: f64, at: &str) -> Vec<MachinePart> {
        self.change(time(at), &symptom(channel, kind, size, at), Change::Raised)
    }

    fn clear(&mut self, channel: &str, kind: SymptomKind, at: &str) -> Vec<MachinePart> {
        self.change(time(at), &symptom(channel, kind, 0.0, at), Change::Cleared)
    }

    fn tick(&mut self, at: &str) -> Vec<MachinePart> {
        self.with(|findings, context| findings.tick(context, time(at)))
    }

    fn act(&mut self, finding: &FindingId, act: Act) -> Accepted {
        self.act_at(time("2026-11-05T00:00:00Z"), finding, act)
    }

    fn act_at(&mut self, at: Time, finding: &FindingId, act: Act) -> Accepted {
        self.version += 1;
        let decision = Decision {
            id: DecisionId(1),
            at,
            by: AccountName::new("kim").unwrap(),
            unit: UnitKey { railway: self.unit.railway.clone(), unit: self.unit.id.clone() },
            finding: finding.clone(),
            act,
            seen: self.version,
            effective: true,
        };
        self.with(|findings, context| findings.decide(context, &decision))
    }

    fn parts(&self) -> Vec<MachinePart> {
        self.findings.open().collect()
    }

    fn held(&self) -> Vec<String> {
        self.findings.held().iter().map(ToString::to_string).collect()
    }
}

/// A value that dances round its limit every minute for two hours, then stays quiet.
#[test]
fn a_dancing_symptom_is_one_unstable_finding_that_ends_once() {
    let mut bench = Bench::new();
    let start = time("2026-11-01T00:00:00Z");
    let mut ids = BTreeSet::new();
    let mut activity = Vec::new();
    for minute in 0..120 {
        let at = start + Span::from_mins(minute);
        let change = if minute % 2 == 0 { Change::Raised } else { Change::Cleared };
        let limit = symptom("coolant_temp", SymptomKind::Limit, 2.0, &at.to_string());
        for part in bench.change(at, &limit, change) {
            activity.push((part.active, part.occurrence));
            ids.insert(part.id);
        }
        let bytes = postcard::to_allocvec(&bench.findings).unwrap();
        bench.findings = postcard::from_bytes(&bytes).unwrap();
    }
    assert_eq!(ids.len(), 1);
    activity.dedup();
    assert_eq!(activity, [(true, 1)]);
    assert!(bench.parts()[0].unstable);
    assert!(bench.tick("2026-11-01T04:00:00Z").is_empty(), "unstable ones are held active");
    let quiet = bench.tick("2026-11-01T09:00:00Z");
    assert!(!quiet[0].active && quiet[0].ended.is_none());
    let ended = bench.tick("2026-11-02T03:00:00Z");
    let at = time("2026-11-02T01:59:00Z");
    assert_eq!((ended.len(), ended[0].ended), (1, Some((at, Outcome::ReturnedToNormal))));
    assert!(bench.parts().is_empty() && bench.held().is_empty());
}

#[test]
fn deadlines_do_not_depend_on_when_somebody_looked() {
    let run = |looks: &[&str]| {
        let mut bench = Bench::new();
        bench.raise("oil_temp", SymptomKind::LevelShift, 9.0, "2026-11-01T00:00:00Z");
        bench.clear("oil_temp", SymptomKind::LevelShift, "2026-11-01T02:00:00Z");
        let last = looks.iter().flat_map(|at| bench.tick(at)).last();
        last.unwrap()
    };
    let often = run(&["2026-11-01T02:16:00Z", "2026-11-01T12:00:00Z", "2026-11-02T02:00:00Z"]);
    assert_eq!(often, run(&["2026-11-09T00:00:00Z"]));
    assert_eq!(often.ended, Some((time("2026-11-02T02:00:00Z"), Outcome::ReturnedToNormal)));
}

#[test]
fn coming_back_after_the_hold_is_a_new_occurrence_within_it_the_same() {
    let mut bench = Bench::new();
    bench.raise("oil_temp", SymptomKind::LevelShift, 9.0, "2026-11-01T00:00:00Z");
    bench.clear("oil_temp", SymptomKind::LevelShift, "2026-11-01T02:00:00Z");
    let again = bench.raise("oil_temp", SymptomKind::LevelShift, 9.0, "2026-11-01T02:10:00Z");
    assert_eq!((again[0].occurrence, again[0].active), (1, true));
    bench.clear("oil_temp", SymptomKind::LevelShift, "2026-11-01T04:00:00Z");
    let later = bench.raise("oil_temp", SymptomKind::LevelShift, 9.0, "2026-11-01T09:00:00Z");
    let last = later.last().unwrap();
    assert_eq!((last.occurrence, last.active, last.unstable), (2, true, false));
    assert_eq!(last.onset, time("2026-11-01T00:00:00Z"), "the first onset stays");
}

#[test]
fn a_finding_that_somebody_took_waits_for_that_person() {
    let mut bench = Bench::new();
    let id = bench.raise("oil_temp", SymptomKind::LevelShift, 9.0, "2026-11-01T00:00:00Z")[0].id.clone();
    bench.act(&id, Act::Take);
    bench.clear("oil_temp", SymptomKind::LevelShift, "2026-11-01T02:00:00Z");
    bench.tick("2026-12-01T00:00:00Z");
    assert_eq!(bench.parts().len(), 1);
    assert!(!bench.parts()[0].active);
}

#[test]
fn priority_rises_and_does_not_fall_while_open() {
    let mut bench = Bench::new();
    bench.raise("coolant_temp", SymptomKind::Drift, 3.0, "2026-11-01T00:00:00Z");
    let first = bench.parts()[0].priority;
    let mut limit = symptom("coolant_temp", SymptomKind::Limit, 3.0, "2026-11-02T00:00:00Z");
    limit.numbers = [("limit".to_owned(), 102.0)].into();
    let raised = bench.change(limit.detected, &limit, Change::Raised)[0].priority;
    assert!(raised < first, "{raised} {first}");
    assert_eq!(raised, Priority::High);
    bench.clear("coolant_temp", SymptomKind::Limit, "2026-11-02T05:00:00Z");
    assert_eq!(bench.parts()[0].priority, Priority::High);
}

#[test]
fn priority_rises_as_the_projected_time_shortens_without_a_new_word() {
    let mut bench = Bench::new();
    let mut drift = symptom("coolant_temp", SymptomKind::Drift, 3.0, "2026-11-01T00:00:00Z");
    let day = 86_400.0;
    for (name, value) in
        [("limit", 102.0), ("ttl_p10_s", 9.0 * day), ("ttl_p50_s", 10.0 * day), ("ttl_p90_s", 20.0 * day)]
    {
        drift.numbers.insert(name.to_owned(), value);
    }
    bench.change(drift.detected, &drift, Change::Raised);
    bench.findings.open[0].part.priority = Priority::Low;
    assert!(bench.tick("2026-11-03T23:59:00Z").is_empty());
    let week = bench.tick("2026-11-04T09:00:00Z").remove(0);
    assert_eq!((week.priority, week.changed), (Priority::Medium, time("2026-11-04T00:00:00Z")));
    assert!(bench.tick("2026-11-09T00:00:00Z").is_empty());
    assert_eq!(bench.tick("2026-11-30T00:00:00Z").remove(0).priority, Priority::High);
    assert!(bench.tick("2026-12-30T00:00:00Z").is_empty(), "an old projection calls nobody out");
}

#[test]
fn the_soonest_projection_is_the_findings_and_goes_with_its_symptom() {
    let mut bench = Bench::new();
    let mut drift = symptom("coolant_temp", SymptomKind::Drift, 3.0, "2026-11-01T00:00:00Z");
    for (name, value) in [("limit", 102.0), ("ttl_p10_s", 1e4), ("ttl_p50_s", 2e4), ("ttl_p90_s", 3e4)] {
        drift.numbers.insert(name.to_owned(), value);
    }
    let part = bench.change(drift.detected, &drift, Change::Raised).remove(0);
    assert_eq!((part.time_to_limit.map(|t| t.p50), part.time_to_limit_reason), (Some(2e4), None));
    drift.numbers.retain(|name, _| !name.starts_with("ttl"));
    let part = bench.change(time("2026-11-01T04:00:00Z"), &drift, Change::Revised).remove(0);
    assert!(part.time_to_limit.is_some(), "a change without a new projection leaves a fresh one alone");
    let part = bench.change(time("2026-11-04T04:00:00Z"), &drift, Change::Revised).remove(0);
    assert_eq!(part.time_to_limit, None);
    assert!(part.time_to_limit_reason.unwrap().contains("unsure"));
}

#[test]
fn a_change_that_stopped_growing_takes_its_projection_back_at_once() {
    let mut bench = Bench::new();
    let mut drift = symptom("coolant_temp", SymptomKind::Drift, 3.0, "2026-11-01T00:00:00Z");
    for (name, value) in [("limit", 102.0), ("ttl_p10_s", 1e4), ("ttl_p50_s", 2e4), ("ttl_p90_s", 3e4)] {
        drift.numbers.insert(name.to_owned(), value);
    }
    bench.change(drift.detected, &drift, Change::Raised);
    drift.numbers.retain(|name, _| !name.starts_with("ttl"));
    drift.numbers.insert(Untold::NAME.to_owned(), Untold::Stays.number());
    let part = bench.change(time("2026-11-01T04:00:00Z"), &drift, Change::Revised).remove(0);
    assert_eq!(part.time_to_limit, None);
    assert!(part.time_to_limit_reason.unwrap().contains("does not trend"));
}

#[test]
fn a_limit_that_is_reached_has_no_time_left_until_it_is_left_again() {
    let mut bench = Bench::new();
    let mut drift = symptom("coolant_temp", SymptomKind::Drift, 3.0, "2026-11-01T00:00:00Z");
    for (name, value) in [("limit", 102.0), ("ttl_p10_s", 1e4), ("ttl_p50_s", 2e4), ("ttl_p90_s", 3e4)] {
        drift.numbers.insert(name.to_owned(), value);
    }
    bench.change(drift.detected, &drift, Change::Raised);
    let mut hot = symptom("coolant_temp", SymptomKind::Limit, 4.0, "2026-11-01T03:00:00Z");
    hot.numbers = [("limit".to_owned(), 102.0)].into();
    let part = bench.change(hot.detected, &hot, Change::Raised).remove(0);
    assert_eq!(part.time_to_limit, None);
    assert_eq!(part.time_to_limit_reason.as_deref(), Some("a limit is reached already"));
    let part = bench.change(time("2026-11-01T04:00:00Z"), &hot, Change::Cleared).remove(0);
    assert_eq!(part.time_to_limit.map(|t| t.p50), Some(2e4), "it stood above for a while only");
}

#[test]
fn accepting_a_level_frees_its_channels_any_other_end_keeps_them_out() {
    for (outcome, accepted, held) in [
        (Outcome::LevelAccepted, vec!["oil_temp"], vec![]),
        (Outcome::NoFaultFound, vec![], vec!["oil_temp"]),
    ] {
        let mut bench = Bench::new();
        let id = bench.raise("oil_temp", SymptomKind::LevelShift, 9.0, "2026-11-01T00:00:00Z")[0].id.clone();
        assert_eq!(bench.held(), ["oil_temp"]);
        let done = bench.act(&id, Act::Close { outcome, note: None });
        assert_eq!(done.channels.iter().map(ChannelName::as_str).collect::<Vec<_>>(), accepted);
        assert!(bench.parts().is_empty());
        assert_eq!(bench.held(), held);
        bench.clear("oil_temp", SymptomKind::LevelShift, "2026-11-09T00:00:00Z");
        assert!(bench.held().is_empty());
    }
}

#[test]
fn a_closed_matter_that_comes_back_is_a_new_finding_with_an_id_of_its_own() {
    let mut bench = Bench::new();
    let first = bench.raise("oil_temp", SymptomKind::LevelShift, 9.0, "2026-11-01T00:00:00Z")[0].id.clone();
    bench.act(&first, Act::Close { outcome: Outcome::NotInspected, note: None });
    let revised = symptom("oil_temp", SymptomKind::LevelShift, 12.0, "2026-11-01T00:00:00Z");
    assert!(bench.change(time("2026-11-01T02:00:00Z"), &revised, Change::Revised).is_empty());
    let second = bench.raise("oil_temp", SymptomKind::Limit, 15.0, "2026-11-01T03:00:00Z")[0].id.clone();
    assert_ne!(first, second);
    assert!(first.as_str().starts_with("f-") && first.as_str().len() == 18, "{first}");
}

#[test]
fn an_id_is_the_same_for_the_same_data_and_differs_by_unit() {
    let id = |unit: &str| {
        let mut bench = Bench::new();
        bench.unit.id = notchwatch_model::UnitId::new(unit).unwrap();
        bench.raise("oil_temp", SymptomKind::LevelShift, 9.0, "2026-11-01T00:00:00Z")[0].id.clone()
    };
    assert_eq!(id("4021"), id("4021"));
    assert_ne!(id("4021"), id("4022"));
}

#[test]
fn a_data_symptom_is_an_event_that_ends_by_itself_and_holds_nothing() {
    let mut bench = Bench::new();
    bench.raise("engine_hours", SymptomKind::CounterReset, -9.0, "2026-11-01T00:00:00Z");
    bench.raise("oil_pressure", SymptomKind::UomChange, 0.0, "2026-11-01T00:00:00Z");
    assert_eq!(bench.parts().len(), 2, "a reset and a change of unit are two kinds");
    assert!(bench.held().is_empty());
    assert!(bench.parts().iter().all(|p| p.kind == FindingKind::Data && p.priority == Priority::Low));
    let ended = bench.tick("2026-11-02T01:00:00Z");
    assert_eq!(ended.len(), 2);
    assert!(bench.parts().is_empty());
}

#[test]
fn what_does_not_belong_to_anything_open_changes_nothing() {
    let mut bench = Bench::new();
    assert!(bench.clear("oil_temp", SymptomKind::LevelShift, "2026-11-01T00:00:00Z").is_empty());
    let stray = symptom("oil_temp", SymptomKind::Drift, 9.0, "2026-11-01T00:00:00Z");
    assert!(bench.change(stray.detected, &stray, Change::Revised).is_empty());
    let unknown = FindingId::new("f-0000000000000000").unwrap();
    assert_eq!(bench.act(&unknown, Act::Take), Accepted::default());
    assert_eq!(bench.findings, UnitFindings::default());
}

#[test]
fn a_channel_that_the_class_does_not_have_does_not_stop_anything() {
    let mut bench = Bench::new();
    let part = bench.raise("no_such_channel", SymptomKind::LevelShift, 1.0, "2026-11-01T00:00:00Z").remove(0);
    assert_eq!(part.system, notchwatch_model::System::Machine);
    assert!(part.title.starts_with("No such channel"), "{}", part.title);
}
