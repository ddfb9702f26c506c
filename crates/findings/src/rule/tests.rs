//! What each act does in each state, and alarm sequences through acts.

mod joining;

use notchwatch_model::{
    AlarmState, ClassId, FindingId, FindingKind, MachinePart, RailwayId, System, UnitId, UnitKey, WorkState,
};

use super::*;

const VERSION: u32 = 3;

fn now() -> Time {
    "2026-11-03T12:00:00Z".parse().unwrap()
}

fn hours(n: i64) -> Time {
    now() + Span::from_hours(n)
}

fn name(text: &str) -> AccountName {
    AccountName::new(text).unwrap()
}

fn finding() -> Finding {
    let machine = MachinePart {
        id: FindingId::new("f-1").unwrap(),
        unit: UnitKey { railway: RailwayId::new("sarel").unwrap(), unit: UnitId::new("7").unwrap() },
        engine: None,
        class: ClassId::new("demo-12").unwrap(),
        system: System::Cooling,
        kind: FindingKind::Machine,
        title: "t".into(),
        onset: hours(-9),
        opened: hours(-8),
        changed: hours(-8),
        priority: Priority::Medium,
        active: true,
        occurrence: 1,
        unstable: false,
        symptoms: vec![],
        lasting: vec![],
        faults: vec![],
        time_to_limit: None,
        time_to_limit_reason: None,
        ended: None,
        settings_version: 1,
        scope: notchwatch_model::Scope::Unit,
        members: vec![],
        again: None,
        split_from: None,
        part_of: None,
    };
    let operator = OperatorPart::default();
    Finding { machine, operator, version: VERSION, recorded: hours(-8), late: false }
}

fn judge(finding: &Finding, act: &Act, by: &str) -> Ruling {
    rule(finding, None, act, finding.version, &name(by), now())
}

/// The finding after an act that must apply, one version on, as the store does it.
fn after(finding: &Finding, act: &Act, by: &str) -> Finding {
    match judge(finding, act, by) {
        Ruling::Apply(operator) => Finding { operator, version: finding.version + 1, ..finding.clone() },
        other => panic!("{act:?}: {other:?}"),
    }
}

fn refused(ruling: Ruling) -> String {
    match ruling {
        Ruling::Refuse(why) => why,
        other => panic!("{other:?}"),
    }
}

fn shelve(until: Time) -> Act {
    Act::Shelve { until, reason: "probe on order".into() }
}

fn wait(until: Time) -> Act {
    Act::Wait { until, reason: "oil sample".into() }
}

fn close(outcome: Outcome) -> Act {
    Act::Close { outcome, note: None }
}

/// Sequences from public summaries of ANSI/ISA-18.2 and IEC 62682 (the standards' text is not public), overlays
/// included. `condition` and `clear` are the machine's, the rest goes through the rules.
#[test]
fn alarm_states_follow_the_published_sequences() {
    use AlarmState as A;
    for (steps, states) in [
        (vec!["condition", "ack", "clear"], vec![A::Unacknowledged, A::Acknowledged, A::Normal]),
        (vec!["condition", "clear", "ack"], vec![A::Unacknowledged, A::ReturnedUnacknowledged, A::Normal]),
        (
            vec!["condition", "clear", "condition", "ack", "clear"],
            vec![A::Unacknowledged, A::ReturnedUnacknowledged, A::Unacknowledged, A::Acknowledged, A::Normal],
        ),
        (vec!["shelve", "condition", "unshelve"], vec![A::Shelved, A::Shelved, A::Unacknowledged]),
        (
            vec!["condition", "shelve", "clear", "unshelve"],
            vec![A::Unacknowledged, A::Shelved, A::Shelved, A::ReturnedUnacknowledged],
        ),
    ] {
        let mut finding = finding();
        (finding.machine.active, finding.machine.occurrence) = (false, 0);
        let mut seen = Vec::new();
        for step in &steps {
            match *step {
                "condition" => {
                    finding.machine.active = true;
                    finding.machine.occurrence += 1;
                }
                "clear" => finding.machine.active = false,
                "ack" => finding = after(&finding, &Act::Acknowledge, "kim"),
                "shelve" => finding = after(&finding, &shelve(hours(8)), "kim"),
                _ => finding = after(&finding, &Act::Unshelve, "kim"),
            }
            seen.push(finding.alarm_state(now()));
        }
        assert_eq!(seen, states, "{steps:?}");
    }
}

#[test]
fn a_shelf_and_a_wait_end_by_themselves() {
    let shelved = after(&finding(), &shelve(hours(8)), "kim");
    assert_eq!(shelved.alarm_state(hours(8)), AlarmState::Unacknowledged);
    let waiting = after(&finding(), &wait(hours(8)), "kim");
    assert_eq!(waiting.work_state(hours(7)), WorkState::Waiting);
    assert_eq!(waiting.work_state(hours(8)), WorkState::Taken);
    assert_eq!(
        refused(rule(&shelved, None, &Act::Unshelve, 4, &name("kim"), hours(9))),
        "the finding is not shelved"
    );
}

#[test]
fn shelves_and_waits_need_a_future_within_bounds_and_a_reason() {
    let mut critical = finding();
    critical.machine.priority = Priority::Critical;
    for (finding, act, part) in [
        (finding(), shelve(now()), "not in the future"),
        (finding(), shelve(hours(24 * 7 + 1)), "more than the 168 h"),
        (critical.clone(), shelve(hours(13)), "more than the 12 h"),
        (finding(), wait(hours(-1)), "not in the future"),
        (finding(), wait(hours(24 * 93)), "more than the 2208 h"),
        (finding(), Act::Shelve { until: hours(1), reason: "  ".into() }, "reason of the shelf is empty"),
        (finding(), Act::Wait { until: hours(1), reason: String::new() }, "reason of the wait is empty"),
        (finding(), Act::Wait { until: hours(1), reason: "x".repeat(401) }, "401 characters, 400"),
    ] {
        let why = refused(judge(&finding, &act, "kim"));
        assert!(why.contains(part), "{act:?}: {why}");
    }
    after(&critical, &shelve(hours(12)), "kim");
}

#[test]
fn the_version_seen_decides_but_for_notes_and_repeats() {
    let acknowledged = after(&finding(), &Act::Acknowledge, "kim");
    let stale = |act: &Act, by: &str| rule(&acknowledged, None, act, VERSION, &name(by), now());
    assert_eq!(stale(&Act::Acknowledge, "kim"), Ruling::Repeat);
    assert_eq!(stale(&Act::Acknowledge, "lee"), Ruling::Stale);
    for act in [Act::Take, wait(hours(1)), shelve(hours(1)), Act::Unshelve, close(Outcome::NoFaultFound)] {
        assert_eq!(stale(&act, "kim"), Ruling::Stale, "{act:?}");
    }
    assert!(matches!(stale(&Act::Note { text: "seen".into() }, "lee"), Ruling::Apply(_)));
    let closed = after(&acknowledged, &close(Outcome::NoFaultFound), "kim");
    let late = |act: &Act, by: &str| rule(&closed, None, act, VERSION, &name(by), now());
    assert_eq!(late(&close(Outcome::NoFaultFound), "kim"), Ruling::Repeat);
    assert_eq!(late(&close(Outcome::NoFaultFound), "lee"), Ruling::Stale);
    assert_eq!(late(&close(Outcome::SensorAtFault), "kim"), Ruling::Stale);
}

#[test]
fn an_acknowledgement_holds_for_one_occurrence() {
    let mut finding = after(&finding(), &Act::Acknowledge, "kim");
    assert!(refused(judge(&finding, &Act::Acknowledge, "lee")).contains("acknowledged by kim"));
    finding.machine.occurrence += 1;
    assert_eq!(finding.alarm_state(now()), AlarmState::Unacknowledged);
    finding = after(&finding, &Act::Acknowledge, "kim");
    assert_eq!(finding.operator.acknowledged_occurrence, 2);
}

#[test]
fn taking_hands_over_and_ends_a_wait() {
    let waiting = after(&finding(), &wait(hours(8)), "kim");
    assert_eq!(waiting.operator.taken_by, Some(name("kim")));
    let taken = after(&waiting, &Act::Take, "lee");
    assert_eq!((taken.operator.taken_by, taken.operator.waiting_until), (Some(name("lee")), None));
}

#[test]
fn closing_takes_an_outcome_that_a_person_can_give_and_ends_all_but_notes() {
    for outcome in Outcome::ALL {
        let ruling = judge(&finding(), &close(*outcome), "kim");
        let persons = !matches!(outcome, Outcome::ReturnedToNormal | Outcome::Withdrawn | Outcome::Merged);
        assert_eq!(matches!(ruling, Ruling::Apply(_)), persons, "{outcome}");
    }
    let closed = after(&finding(), &close(Outcome::SensorAtFault), "kim");
    for act in [Act::Acknowledge, Act::Take, wait(hours(1)), shelve(hours(1)), close(Outcome::NotInspected)] {
        assert!(refused(judge(&closed, &act, "lee")).contains("closed by kim"), "{act:?}");
    }
    after(&closed, &Act::Note { text: "probe renewed".into() }, "lee");
    let mut ended = finding();
    ended.machine.ended = Some((now(), Outcome::ReturnedToNormal));
    assert!(refused(judge(&ended, &Act::Take, "kim")).contains("ended"));
}

#[test]
fn texts_that_do_not_show_what_they_hold_are_refused() {
    for (text, part) in [
        ("a\0b", "U+0000"),
        ("a\u{1b}[31m", "U+001B"),
        ("a\rb", "U+000D"),
        ("a\u{202E}b", "U+202E"),
        (" \n ", "empty"),
    ] {
        let why = refused(judge(&finding(), &Act::Note { text: text.into() }, "kim"));
        assert!(why.contains(part), "{text:?}: {why}");
    }
    after(&finding(), &Act::Note { text: "two\nlines, a\ttab, é and 日本".into() }, "kim");
    let long = Act::Note { text: "x".repeat(MAX_NOTE_CHARS + 1) };
    assert!(refused(judge(&finding(), &long, "kim")).contains("4000 are allowed"));
}
