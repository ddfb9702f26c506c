//! Acts that hand on, take out, join and part findings: what they do and when they are refused.

use notchwatch_model::{Direction, Symptom, SymptomKind, SymptomName};

use super::*;
use crate::testing;

fn with_symptoms(channels: &[&str]) -> Finding {
    let mut finding = finding();
    let symptom = |c: &&str| testing::symptom(c, SymptomKind::Drift, 3.0, "2026-11-03T04:00:00Z");
    finding.machine.symptoms = channels.iter().map(symptom).collect();
    finding.machine.lasting = finding.machine.symptoms.iter().map(Symptom::id).collect();
    finding
}

fn other() -> Finding {
    let mut other = with_symptoms(&["coolant_pressure"]);
    other.machine.id = FindingId::new("f-2").unwrap();
    other
}

fn merge(one: &Finding, other: Option<&Finding>, into: &str) -> Ruling {
    let act = Act::Merge { into: FindingId::new(into).unwrap() };
    rule(one, other, &act, one.version, &name("kim"), now())
}

fn named(channel: &str) -> SymptomName {
    SymptomName { channel: channel.parse().unwrap(), kind: SymptomKind::Drift }
}

fn reopen() -> Act {
    Act::Reopen { reason: "it leaks again".into() }
}

#[test]
fn a_finding_is_handed_on_and_given_back_by_whom_it_may() {
    let taken = after(&finding(), &wait(hours(8)), "kim");
    let handed = after(&taken, &Act::Hand { to: name("lee") }, "kim");
    assert_eq!((&handed.operator.taken_by, handed.operator.waiting_until), (&Some(name("lee")), None));
    assert_eq!(refused(judge(&handed, &Act::Hand { to: name("lee") }, "kim")), "lee has the finding already");
    let back = after(&handed, &Act::GiveBack, "lee");
    assert_eq!((&back.operator.taken_by, back.work_state(now())), (&None, WorkState::New));
    assert_eq!(refused(judge(&back, &Act::GiveBack, "lee")), "nobody has taken the finding");
}

#[test]
fn out_of_service_lies_over_a_shelf_and_ends_by_itself_or_by_an_act() {
    let out = |until| Act::OutOfService { until, reason: "probe being renewed".into() };
    let shelved = after(&finding(), &shelve(hours(4)), "kim");
    let taken_out = after(&shelved, &out(hours(48)), "kim");
    assert_eq!(taken_out.alarm_state(now()), AlarmState::OutOfService);
    assert_eq!(taken_out.alarm_state(hours(48)), AlarmState::Unacknowledged, "both have ended");
    let back = after(&taken_out, &Act::BackInService, "kim");
    assert_eq!(back.alarm_state(now()), AlarmState::Shelved, "the shelf is still there");
    assert_eq!(refused(judge(&back, &Act::BackInService, "kim")), "the finding is not out of service");
    for (until, part) in [(now(), "not in the future"), (hours(24 * 31 + 1), "more than the 744 h")] {
        assert!(refused(judge(&finding(), &out(until), "kim")).contains(part));
    }
    let closed = after(&taken_out, &close(Outcome::SensorAtFault), "kim");
    assert_eq!((closed.operator.out_of_service, closed.operator.shelved), (None, None));
}

#[test]
fn a_merge_closes_one_and_links_both() {
    let (one, other) = (with_symptoms(&["coolant_temp"]), other());
    let Ruling::Both(both) = merge(&one, Some(&other), "f-2") else { panic!("no merge") };
    let (gone, stays) = *both;
    assert_eq!(gone.closed, Some((name("kim"), now(), Outcome::Merged)));
    assert_eq!(gone.merged_into, Some(other.machine.id.clone()));
    assert_eq!(stays.merged, std::slice::from_ref(&one.machine.id));
    assert_eq!(OperatorPart { merged: vec![], ..stays }, other.operator, "nothing else of the other changes");
    let merged = Finding { operator: gone, version: VERSION + 1, ..one };
    assert_eq!(merge(&merged, Some(&other), "f-2"), Ruling::Repeat);
    assert!(refused(judge(&merged, &Act::Take, "kim")).starts_with("the finding was merged into f-2 by kim"));
    let act = reopen();
    assert!(refused(judge(&merged, &act, "kim")).contains("split it off there"));
}

#[test]
fn findings_of_two_matters_are_not_merged() {
    let one = with_symptoms(&["coolant_temp"]);
    let changed = |change: fn(&mut Finding)| {
        let mut other = other();
        change(&mut other);
        other
    };
    let closed = after(&other(), &close(Outcome::NoFaultFound), "lee");
    let foreign = changed(|f| f.machine.unit.unit = UnitId::new("8").unwrap());
    let data = changed(|f| f.machine.kind = FindingKind::Data);
    let receipt = changed(|f| f.machine.id = FindingId::new("c-2").unwrap());
    for (other, part) in [
        (None, "there is no finding f-2"),
        (Some(&closed), "f-2 is closed"),
        (Some(&foreign), "of another unit, 8"),
        (Some(&data), "two matters"),
        (Some(&receipt), "how messages come"),
    ] {
        assert!(refused(merge(&one, other, "f-2")).contains(part), "{part}");
    }
    assert!(refused(merge(&one, Some(&one), "f-1")).contains("into itself"));
}

#[test]
fn a_split_names_the_new_finding_and_leaves_something_behind() {
    let finding = with_symptoms(&["coolant_temp", "oil_temp"]);
    let split = |names: &[SymptomName]| judge(&finding, &Act::Split { symptoms: names.to_vec() }, "kim");
    let Ruling::Apply(operator) = split(&[named("oil_temp")]) else { panic!("no split") };
    assert_eq!(operator.split_off, [split_id(&finding.machine.id, VERSION).unwrap()]);
    for (names, part) in [
        (vec![], "no symptom was chosen"),
        (vec![named("coolant_temp"), named("oil_temp")], "has to stay"),
        (vec![named("turbo_speed")], "no symptom drift on turbo_speed"),
    ] {
        assert!(refused(split(&names)).contains(part), "{part}");
    }
    assert_eq!(finding.machine.symptoms[0].direction, Direction::Up, "the machine half is not touched");
}

#[test]
fn a_closed_finding_is_opened_again_within_a_stated_time_and_with_a_reason() {
    let closed = after(&finding(), &close(Outcome::RepairedElsewhere), "kim");
    let open = after(&closed, &reopen(), "lee");
    assert!(open.open() && open.outcome().is_none());
    assert_eq!((open.work_state(now()), &open.operator.taken_by), (WorkState::Taken, &Some(name("lee"))));
    assert_eq!(refused(judge(&open, &reopen(), "lee")), "the finding is open");
    assert!(refused(judge(&closed, &Act::Reopen { reason: " ".into() }, "lee")).contains("is empty"));
    let later = now() + REOPEN_WITHIN + Span::from_secs(1);
    let late = rule(&closed, None, &reopen(), closed.version, &name("lee"), later);
    assert!(refused(late).contains("within 30 days"));

    let mut ended = finding();
    ended.machine.ended = Some((hours(-1), Outcome::ReturnedToNormal));
    assert!(after(&ended, &reopen(), "lee").open(), "the machine's end counts no more");
    let mut again = after(&ended, &reopen(), "lee");
    again.machine.ended = Some((hours(30), Outcome::ReturnedToNormal));
    assert_eq!(again.outcome(), Some(Outcome::ReturnedToNormal), "one that it gave afterwards does");
    ended.machine.ended = Some((hours(-1), Outcome::Withdrawn));
    assert!(refused(judge(&ended, &reopen(), "lee")).contains("took its evidence away"));
    assert_eq!(rule(&closed, None, &reopen(), closed.version - 1, &name("lee"), now()), Ruling::Stale);
}
