//! Merging, splitting and opening again on the machine side, and what holds whatever people and symptoms do.

use std::collections::BTreeMap;

use proptest::prelude::*;

use super::*;

const SHIFT: SymptomKind = SymptomKind::LevelShift;

fn close(outcome: Outcome) -> Act {
    Act::Close { outcome, note: None }
}

fn reopen() -> Act {
    Act::Reopen { reason: "not done".into() }
}

fn split(channel: &str, kind: SymptomKind) -> Act {
    Act::Split { symptoms: vec![SymptomName { channel: channel.parse().unwrap(), kind }] }
}

fn channels(part: &MachinePart) -> Vec<&str> {
    let mut names: Vec<&str> = part.symptoms.iter().map(|s| s.channel.as_str()).collect();
    names.sort_unstable();
    names
}

/// Two findings of two systems, in the order they opened.
fn two() -> (Bench, FindingId, FindingId) {
    let mut bench = Bench::new();
    let first = bench.raise("battery_voltage", SHIFT, -9.0, "2026-11-01T00:00:00Z")[0].id.clone();
    let second = bench.raise("crankcase_pressure", SHIFT, 9.0, "2026-11-02T00:00:00Z")[0].id.clone();
    assert_ne!(first, second);
    (bench, first, second)
}

#[test]
fn the_one_that_stays_carries_the_symptoms_of_the_one_merged_into_it() {
    let (mut bench, first, second) = two();
    let told = bench.act(&second, Act::Merge { into: first.clone() }).changed;
    assert_eq!(told.iter().map(|p| &p.id).collect::<Vec<_>>(), [&first]);
    assert_eq!(channels(&told[0]), ["battery_voltage", "crankcase_pressure"]);
    assert_eq!(told[0].lasting.len(), 2);
    let revised = symptom("crankcase_pressure", SHIFT, 30.0, "2026-11-02T00:00:00Z");
    let told = bench.change(time("2026-11-06T00:00:00Z"), &revised, Change::Revised);
    assert_eq!((told.len(), &told[0].id), (1, &first), "its later changes are told there");
    bench.clear("crankcase_pressure", SHIFT, "2026-11-07T00:00:00Z");
    let back = bench.raise("crankcase_pressure", SHIFT, 9.0, "2026-11-07T06:00:00Z");
    assert!(back.iter().all(|part| part.id == first), "and what comes back makes no second one");
    assert_eq!(bench.held(), ["battery_voltage", "crankcase_pressure"]);
}

#[test]
fn a_merge_wakes_one_that_had_returned_to_normal() {
    let (mut bench, first, second) = two();
    bench.act(&first, Act::Take);
    bench.clear("battery_voltage", SHIFT, "2026-11-03T00:00:00Z");
    bench.tick("2026-11-04T00:00:00Z");
    assert!(!bench.parts()[0].active);
    let told = bench.act(&second, Act::Merge { into: first }).changed;
    assert_eq!((told[0].active, told[0].occurrence), (true, 2), "it asks for notice again");
}

#[test]
fn a_merge_into_one_that_is_not_open_here_opens_nothing_anew() {
    let (mut bench, _, second) = two();
    let gone = FindingId::new("f-00000000000000aa").unwrap();
    assert!(bench.act(&second, Act::Merge { into: gone }).changed.is_empty());
    assert_eq!(bench.parts().len(), 1);
    let revised = symptom("crankcase_pressure", SHIFT, 30.0, "2026-11-02T00:00:00Z");
    assert!(bench.change(time("2026-11-06T00:00:00Z"), &revised, Change::Revised).is_empty());
    assert_eq!(bench.held(), ["battery_voltage", "crankcase_pressure"], "what lasts stays out of baselines");
}

#[test]
fn what_is_split_off_is_a_finding_of_its_own_from_then_on() {
    let (mut bench, first, second) = two();
    bench.act(&second, Act::Merge { into: first.clone() });
    let told = bench.act(&first, split("crankcase_pressure", SHIFT)).changed;
    assert_eq!(told.len(), 2);
    assert_eq!(
        (channels(&told[0]), channels(&told[1])),
        (vec!["battery_voltage"], vec!["crankcase_pressure"])
    );
    let off = &told[1];
    assert_eq!((off.split_from.as_ref(), off.system), (Some(&first), notchwatch_model::System::Crankcase));
    assert_eq!(Some(&off.id), split_id(&first, 2).as_ref());
    assert!(off.active && off.opened == time("2026-11-05T00:00:00Z"));
    let revised = symptom("crankcase_pressure", SHIFT, 30.0, "2026-11-02T00:00:00Z");
    let later = bench.change(time("2026-11-06T00:00:00Z"), &revised, Change::Revised);
    assert_eq!(later.iter().map(|p| &p.id).collect::<Vec<_>>(), [&off.id]);
    assert!(bench.act(&first, split("battery_voltage", SHIFT)).changed.is_empty(), "not the last one");
}

#[test]
fn a_finding_opened_again_takes_up_what_still_lasts() {
    for (clears, active) in [(false, true), (true, false)] {
        let (mut bench, first, _) = two();
        bench.act(&first, close(Outcome::NoFaultFound));
        if clears {
            bench.clear("battery_voltage", SHIFT, "2026-11-06T00:00:00Z");
        }
        let told = bench.act_at(time("2026-11-08T00:00:00Z"), &first, reopen()).changed;
        assert_eq!((told.len(), &told[0].id, told[0].ended), (1, &first, None));
        assert_eq!(told[0].lasting.len(), usize::from(active));
        bench.tick("2026-11-20T00:00:00Z");
        let part = bench.parts().into_iter().find(|p| p.id == first).unwrap();
        assert_eq!(part.active, active);
        assert!(!part.faults.is_empty(), "what may explain it is worked out anew");
    }
}

#[test]
fn one_that_the_machine_ended_is_opened_again_until_it_is_given_back() {
    let (mut bench, first, _) = two();
    bench.clear("battery_voltage", SHIFT, "2026-11-03T00:00:00Z");
    let ended = bench.tick("2026-11-04T00:00:00Z").remove(0);
    assert_eq!((&ended.id, ended.ended.unwrap().1), (&first, Outcome::ReturnedToNormal));
    let told = bench.act_at(time("2026-11-06T00:00:00Z"), &first, reopen()).changed;
    assert_eq!(told[0].ended, None);
    assert!(bench.tick("2026-11-20T00:00:00Z").iter().all(|p| p.ended.is_none()), "somebody works on it");
    bench.act_at(time("2026-11-20T00:00:00Z"), &first, Act::GiveBack);
    assert!(bench.tick("2026-11-20T23:00:00Z").is_empty());
    let ended = bench.tick("2026-11-21T00:00:00Z").remove(0);
    assert_eq!(ended.ended, Some((time("2026-11-21T00:00:00Z"), Outcome::ReturnedToNormal)));
    let late = bench.act_at(time("2026-12-22T00:00:00Z"), &first, reopen());
    assert!(late.changed.is_empty(), "after the stated time it is forgotten");
}

#[test]
fn a_matter_that_comes_again_is_linked_to_the_one_before() {
    for (day, linked) in [("2026-11-20", true), ("2026-12-20", false)] {
        let (mut bench, first, _) = two();
        bench.act(&first, close(Outcome::RepairedElsewhere));
        bench.clear("battery_voltage", SHIFT, "2026-11-06T00:00:00Z");
        let at = format!("{day}T00:00:00Z");
        let again = bench.raise("battery_voltage", SymptomKind::Drift, -5.0, &at).pop().unwrap();
        assert_ne!(again.id, first);
        let earlier = again.again.map(|e| (e.finding, e.outcome, e.ended));
        let expected = (first, Outcome::RepairedElsewhere, time("2026-11-05T00:00:00Z"));
        assert_eq!(earlier, linked.then_some(expected), "{day}");
        let other = bench.raise("turbo_speed", SHIFT, -5.0, &at).pop().unwrap();
        assert_eq!(other.again, None, "another matter has nothing to do with it");
    }
}

/// One thing that happens to a unit.
#[derive(Debug, Clone)]
enum Step {
    Symptom(usize, SymptomKind, Change, i32),
    Act(usize, u8),
    Time(i64),
}

const CHANNELS: [&str; 5] =
    ["battery_voltage", "crankcase_pressure", "oil_temp", "coolant_temp", "oil_pressure"];

fn steps() -> impl Strategy<Value = Vec<Step>> {
    let kind = prop::sample::select(vec![SHIFT, SymptomKind::Drift, SymptomKind::Limit, SymptomKind::Stuck]);
    let change = prop::sample::select(vec![Change::Raised, Change::Revised, Change::Cleared]);
    let step = prop_oneof![
        4 => (0..CHANNELS.len(), kind, change, -9..9i32).prop_map(|(c, k, ch, s)| Step::Symptom(c, k, ch, s)),
        3 => (0..6usize, 0..8u8).prop_map(|(finding, act)| Step::Act(finding, act)),
        2 => (1..40i64).prop_map(Step::Time),
    ];
    prop::collection::vec(step, 1..60)
}

/// The act of a number on a finding that was told once, with the others as targets.
fn act_of(number: u8, known: &[MachinePart], on: &MachinePart) -> Act {
    let other = known.first().map_or_else(|| on.id.clone(), |part| part.id.clone());
    match number {
        0 => Act::Take,
        1 => Act::GiveBack,
        2 => close(Outcome::NoFaultFound),
        3 => close(Outcome::LevelAccepted),
        4 => Act::Merge { into: other },
        5 => on.symptoms.first().map_or(Act::Take, |s| split(s.channel.as_str(), s.kind)),
        6 => Act::Hand { to: AccountName::new("lee").unwrap() },
        _ => reopen(),
    }
}

/// Everything told, in order; with `saved`, the state goes through its bytes after every step.
fn run(steps: &[Step], saved: bool) -> (Bench, Vec<MachinePart>) {
    let mut bench = Bench::new();
    let mut told: Vec<MachinePart> = Vec::new();
    let mut now = time("2026-11-01T00:00:00Z");
    for step in steps {
        now = now + Span::from_mins(7);
        let changed = match step {
            Step::Symptom(channel, kind, change, size) => {
                let symptom = symptom(CHANNELS[*channel], *kind, f64::from(*size), &now.to_string());
                bench.change(now, &symptom, *change)
            }
            Step::Act(finding, number) => {
                let mut known: BTreeMap<FindingId, MachinePart> = BTreeMap::new();
                known.extend(told.iter().map(|part| (part.id.clone(), part.clone())));
                let known: Vec<MachinePart> = known.into_values().collect();
                let Some(on) = known.get(*finding % known.len().max(1)) else { continue };
                let act = act_of(*number, &known, on);
                if matches!(&act, Act::Merge { into } if *into == on.id) {
                    continue;
                }
                bench.act_at(now, &on.id, act).changed
            }
            Step::Time(hours) => {
                now = now + Span::from_hours(*hours);
                bench.with(|findings, context| findings.tick(context, now))
            }
        };
        told.extend(changed);
        if saved {
            let bytes = postcard::to_allocvec(&bench.findings).unwrap();
            bench.findings = postcard::from_bytes(&bytes).unwrap();
        }
    }
    (bench, told)
}

proptest! {
    #[test]
    fn whatever_happens_a_symptom_lasts_in_one_finding_and_priority_never_falls(steps in steps()) {
        let (bench, told) = run(&steps, false);
        let mut lasting: Vec<(ChannelName, SymptomKind)> = Vec::new();
        for part in bench.parts() {
            lasting.extend(part.lasting.iter().map(|id| (id.channel.clone(), id.kind)));
        }
        let count = lasting.len();
        lasting.sort();
        lasting.dedup();
        prop_assert_eq!(lasting.len(), count, "one symptom lasts in two findings");
        let mut highest: BTreeMap<FindingId, Priority> = BTreeMap::new();
        for part in &told {
            let before = highest.insert(part.id.clone(), part.priority);
            prop_assert!(before.is_none_or(|before| part.priority <= before), "{} fell", part.id);
        }
    }

    #[test]
    fn a_restart_after_every_step_tells_the_same(steps in steps()) {
        let (one, told) = run(&steps, false);
        let (two, again) = run(&steps, true);
        prop_assert_eq!(told, again);
        prop_assert_eq!(one.findings, two.findings);
    }
}
