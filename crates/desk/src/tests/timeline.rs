//! Timelines through the desk: who may write, what an entry must fit to.

use notchwatch_model::{Activity, Fact, NewEntry, Origin};

use super::*;
use crate::{DeskError, TimelineSpan};

fn entry(railway: &str, at: Time, fact: Fact) -> NewEntry {
    NewEntry { unit: unit(railway), engine: None, at, fact }
}

fn note(text: &str) -> Fact {
    Fact::Note { text: text.to_owned() }
}

fn kim() -> Principal {
    person("kim", Role::Operator, Some("northmoor"))
}

fn week() -> TimelineSpan {
    TimelineSpan {
        from: start() - Span::from_days(7),
        to: start() + Span::from_days(1),
        kind: None,
        withdrawn: true,
    }
}

#[tokio::test]
async fn an_operator_writes_on_units_of_their_railway_alone() {
    let office = Office::new().await;
    let record = async |who: &Principal, railway: &str| {
        office.desk.record_entries(who, vec![entry(railway, start(), note("x"))], Origin::Api).await
    };
    let done = record(&kim(), "northmoor").await.unwrap();
    assert!(done[0].1 && done[0].0.by == Some(name("kim")), "{done:?}");
    assert!(matches!(record(&kim(), "sarel").await, Err(DeskError::NotFound)));
    let viewer = person("view", Role::Viewer, Some("northmoor"));
    assert!(matches!(record(&viewer, "northmoor").await, Err(DeskError::Forbidden(_))));

    let seen = office.desk.unit_timeline(&viewer, &unit("northmoor"), &week()).await.unwrap();
    assert_eq!(seen, [done[0].0.clone()]);
    let id = done[0].0.id.unwrap();
    let other = person("lee", Role::Operator, Some("sarel"));
    assert!(matches!(office.desk.withdraw_entry(&other, id, "no").await, Err(DeskError::NotFound)));
    let gone = office.desk.withdraw_entry(&kim(), id, "typed on the wrong unit").await.unwrap();
    assert_eq!(gone.withdrawn.unwrap().reason, "typed on the wrong unit");
    let left = TimelineSpan { withdrawn: false, ..week() };
    assert!(office.desk.unit_timeline(&kim(), &unit("northmoor"), &left).await.unwrap().is_empty());
}

#[tokio::test]
async fn what_does_not_fit_is_told_with_its_place_and_nothing_is_recorded() {
    let office = Office::new().await;
    let work = Fact::Maintenance {
        activity: Activity::Replace,
        system: None,
        item: String::new(),
        channels: vec![channel("turbo_speed")],
        text: String::new(),
    };
    let entries = vec![
        entry("northmoor", start(), note("fine")),
        entry("northmoor", start() + Span::from_hours(1), note("tomorrow")),
        entry("northmoor", start(), work),
        entry("northmoor", start(), note(" ")),
    ];
    let error = office.desk.record_entries(&kim(), entries, Origin::Api).await.unwrap_err();
    let DeskError::Invalid(problems) = error else { panic!("{error}") };
    let places: Vec<&str> = problems.iter().map(|p| p.place.as_str()).collect();
    assert_eq!(places, ["1.at", "2.channels", "3.text"], "{problems:?}");
    assert!(office.desk.unit_timeline(&kim(), &unit("northmoor"), &week()).await.unwrap().is_empty());
}
