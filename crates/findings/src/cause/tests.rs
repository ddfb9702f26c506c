//! Common causes on generated fleets: found when there is one, in any order, and not when there is none.

use proptest::prelude::*;

use super::*;
use crate::testing::{symptom, time, unit};
use notchwatch_model::SymptomKind;

/// Forty units of one railway: ten in each of four regions, the first twelve with new software.
struct Fleet;

const UNITS: usize = 40;

fn region(number: usize) -> Shared {
    Shared::Region(format!("region-{}", number % 4))
}

fn software(number: usize) -> Shared {
    Shared::Software(if number < 12 { "4.1" } else { "4.0" }.to_owned())
}

impl Population for Fleet {
    fn all(&self, _: &RailwayId, _: &ClassId) -> usize {
        UNITS
    }

    fn sharing(&self, _: &RailwayId, _: &ClassId, shared: &Shared, _: Time) -> usize {
        (0..UNITS).filter(|n| region(*n) == *shared || software(*n) == *shared).count()
    }
}

/// A finding with what a candidate says of it.
#[derive(Clone, Debug)]
struct Held {
    part: MachinePart,
    shares: BTreeSet<Shared>,
    closed: Option<(Time, Outcome)>,
}

fn found(held: &[Held]) -> Vec<Cause> {
    let lent = held.iter().map(|h| Candidate { part: &h.part, shares: h.shares.clone(), closed: h.closed });
    causes(&lent.collect::<Vec<_>>(), &Fleet)
}

fn finding(number: usize, channel: &str, size: f64, hours: i64) -> Held {
    let start = time("2026-11-03T00:00:00Z") + Span::from_hours(hours);
    let unit = unit();
    let opening = Opening {
        id: FindingId::new(&format!("f-{number}-{channel}")).unwrap(),
        unit: UnitKey { railway: unit.railway, unit: UnitId::new(&number.to_string()).unwrap() },
        class: unit.class,
        system: notchwatch_model::System::Cooling,
        kind: FindingKind::Machine,
        onset: start,
        opened: start,
    };
    let mut part = MachinePart::new(opening);
    part.symptoms = vec![symptom(channel, SymptomKind::LevelShift, size, &start.to_string())];
    Held { part, shares: [region(number), software(number)].into(), closed: None }
}

/// Units 1, 3, 4, 6 and 8 have new software and are of different regions.
fn release() -> Vec<Held> {
    [1, 3, 4, 6, 8].into_iter().zip(0..).map(|(n, i)| finding(n, "coolant_temp", 6.0, 20 * i)).collect()
}

#[test]
fn it_ends_when_people_closed_the_last_of_its_members() {
    let mut members = release();
    let closed = |hours| time("2026-11-12T00:00:00Z") + Span::from_hours(hours);
    for (member, hours) in members.iter_mut().zip(0..).take(4) {
        member.closed = Some((closed(hours), Outcome::RepairedElsewhere));
    }
    let open = found(&members).remove(0).part;
    assert_eq!((open.ended, open.active, open.members.len()), (None, true, 5));
    members[4].closed = Some((closed(9), Outcome::RepairedElsewhere));
    let over = found(&members).remove(0).part;
    assert_eq!((over.ended, over.active), (Some((closed(9), Outcome::RepairedElsewhere)), false));
    assert_eq!((over.id, over.changed), (open.id, closed(9)));
    members[0].closed = Some((closed(0), Outcome::NoFaultFound));
    let mixed = found(&members).remove(0).part;
    assert_eq!(mixed.ended, Some((closed(9), Outcome::ReturnedToNormal)), "no outcome is all of theirs");
}

#[test]
fn units_with_one_release_make_one_finding_with_members() {
    let found = found(&release());
    assert_eq!(found.len(), 1, "{found:#?}");
    let part = &found[0].part;
    assert_eq!(part.scope, Scope::Software("4.1".into()));
    assert_eq!((part.members.len(), found[0].findings.len(), part.active), (5, 5, true));
    assert!(part.id.as_str().starts_with(COMMON_ID));
    assert_eq!(part.onset, time("2026-11-03T00:00:00Z"));
    assert!(part.title.contains("5 units") && part.title.contains("software 4.1"), "{}", part.title);
}

#[test]
fn a_region_is_told_from_a_release() {
    // Units 2, 14, 22, 30 and 38: one region, old and new software.
    let heat: Vec<_> = [2, 14, 22, 30, 38].into_iter().map(|n| finding(n, "coolant_temp", 6.0, 4)).collect();
    let found = found(&heat);
    assert_eq!(found.iter().map(|c| &c.part.scope).collect::<Vec<_>>(), [&Scope::Region("region-2".into())]);
}

#[test]
fn single_faults_stay_single() {
    let scattered: Vec<_> = [2, 15, 21, 36].into_iter().map(|n| finding(n, "coolant_temp", 6.0, 4)).collect();
    let far_apart: Vec<_> = [1, 3, 4, 6, 8]
        .into_iter()
        .zip(0..)
        .map(|(n, i)| finding(n, "coolant_temp", 6.0, i * 24 * 20))
        .collect();
    let others = vec![
        finding(1, "coolant_temp", 6.0, 0),
        finding(3, "coolant_temp", -6.0, 0),
        finding(4, "oil_temp", 6.0, 0),
        finding(6, "oil_pressure", -6.0, 0),
    ];
    let everywhere: Vec<_> = (0..UNITS).map(|n| finding(n, "coolant_temp", 6.0, 1)).collect();
    for (what, set) in [
        ("scattered", scattered),
        ("far apart", far_apart),
        ("other signs", others),
        ("everywhere", everywhere),
    ] {
        assert_eq!(found(&set), [], "{what}");
    }
    let mut doubted = release();
    for candidate in &mut doubted {
        candidate.part.kind = FindingKind::Sensor;
    }
    assert_eq!(found(&doubted), []);
}

#[test]
fn it_ends_with_the_last_of_its_members() {
    let mut gone = release();
    for candidate in &mut gone {
        candidate.part.active = false;
        candidate.part.ended = Some((candidate.part.opened + Span::from_days(2), Outcome::ReturnedToNormal));
    }
    let part = &found(&gone)[0].part;
    let last = gone.last().unwrap().part.opened + Span::from_days(2);
    assert_eq!((part.active, part.ended), (false, Some((last, Outcome::ReturnedToNormal))));
    // Withdrawn members were never there.
    for candidate in &mut gone {
        candidate.part.ended = Some((candidate.part.opened, Outcome::Withdrawn));
    }
    assert_eq!(found(&gone), []);
}

#[test]
fn the_tail_is_that_of_the_binomial_distribution() {
    // By hand: 3 or more of 8 at 0.002: 56 p^3 q^5 + 70 p^4 q^4 + ... = 4.4465e-7.
    let found = chance(3, 8, 0, 32);
    assert!((found / 4.4465e-7 - 1.0).abs() < 1e-3, "{found:e}");
    assert!((chance(0, 8, 0, 32) - 1.0).abs() < 1e-12);
    assert!(chance(5, 10, 15, 30) > 0.5, "half of the others have it too");
    assert!(chance(400, 20_000, 0, 0) < 1.0 && chance(20, 20_000, 0, 0) > 0.5);
}

proptest! {
    #[test]
    fn no_order_changes_it(order in Just(release()).prop_shuffle(), late in 0usize..5) {
        let mut some = order.clone();
        some.truncate(late);
        some.extend(order.iter().skip(late).cloned());
        prop_assert_eq!(found(&some), found(&release()));
    }
}

/// Fifty years of forty units with two findings a year each, on one of thirty channels, either way.
#[test]
fn chance_makes_no_cause() {
    const YEARS: i64 = 50;
    const FINDINGS: i64 = YEARS * 2 * 40;
    // Constants of Knuth's MMIX, from memory.
    let mut state = 11u64;
    let mut below = |n: u64| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) % n
    };
    let set: Vec<Held> = (0..FINDINGS)
        .map(|number| {
            let unit = usize::try_from(below(40)).unwrap();
            let hours = i64::try_from(below(u64::try_from(YEARS * 8766).unwrap())).unwrap();
            let size = if below(2) == 0 { 6.0 } else { -6.0 };
            let mut found = finding(unit, &format!("channel_{}", below(30)), size, hours);
            found.part.id = FindingId::new(&format!("f-{number}")).unwrap();
            found
        })
        .collect();
    assert_eq!(found(&set), []);
}

#[test]
fn each_sign_may_be_looked_at_alone() {
    let other = [1, 3, 4, 6, 8].into_iter().zip(0..).map(|(n, i)| finding(n, "boost", -6.0, 20 * i));
    let all: Vec<Held> = release().into_iter().chain(other).collect();
    let of = |channel: &str| -> Vec<Held> {
        let own = all.iter().filter(|c| sign(&c.part).is_some_and(|sign| sign.2.as_str() == channel));
        own.cloned().collect()
    };
    let mut alone = found(&of("coolant_temp"));
    alone.extend(found(&of("boost")));
    alone.sort_by_key(|cause| (cause.part.opened, cause.part.id.clone()));
    assert_eq!((alone.len(), alone), (2, found(&all)));
}
