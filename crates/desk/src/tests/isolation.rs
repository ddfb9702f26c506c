//! A planner of one railway learns nothing of another: not its findings, units, refusals, nor whether an id exists.

use notchwatch_model::{Act, EventId};
use notchwatch_store::{FindingQuery, QuarantineQuery};

use super::*;
use crate::DeskError;

#[tokio::test]
async fn ids_of_another_railway_look_like_ids_that_do_not_exist() {
    let office = Office::new().await;
    let who = person("planner", Role::Operator, Some("northmoor"));
    let desk = &office.desk;
    let span = (start() - Span::from_hours(1), start());
    for (finding, key) in [(id("f-sarel"), unit("sarel")), (id("f-none"), unit("none"))] {
        let oil = channel("oil_temp");
        let missing = |error: DeskError| assert!(matches!(error, DeskError::NotFound), "{finding}: {error}");
        missing(desk.finding(&who, &finding).await.unwrap_err());
        missing(desk.history(&who, &finding).await.unwrap_err());
        missing(desk.decisions_on(&who, &finding).await.unwrap_err());
        missing(desk.decide(&who, &finding, 1, Act::Take).await.unwrap_err());
        missing(desk.trace(&who, &finding, &oil, None).await.unwrap_err());
        missing(desk.unit(&who, &key).await.unwrap_err());
        missing(desk.samples(&who, &key, std::slice::from_ref(&oil), span.0, span.1).await.unwrap_err());
        missing(desk.rollup(&who, &key, &oil, span, Span::from_mins(10)).await.unwrap_err());
        missing(desk.quarantine_row(&who, 1).await.unwrap_err());
    }
    assert!(office.spans_asked().is_empty(), "no evidence was folded for a stranger");
}

#[tokio::test]
async fn lists_events_register_and_feed_hold_only_ones_own() {
    let office = Office::new().await;
    let own = person("planner", Role::Viewer, Some("northmoor"));
    let desk = &office.desk;
    let ids = async |who: &Principal| -> Vec<String> {
        let page = desk.findings(who, FindingQuery::default()).await.unwrap();
        page.items.iter().map(|f| f.machine.id.to_string()).collect()
    };
    assert_eq!(ids(&own).await, ["f-northmoor"]);
    assert_eq!(ids(&administrator()).await.len(), 2);
    let asked = FindingQuery { railway: Some(unit("sarel").railway), ..FindingQuery::default() };
    assert!(desk.findings(&own, asked).await.unwrap().items.is_empty());
    let events = desk.events_after(&own, EventId(0), 100).await.unwrap().items;
    assert_eq!(events.len(), 1);
    assert!(events.iter().all(|e| e.finding.machine.unit == unit("northmoor")));
    let register = desk.register(&own).await.unwrap();
    assert_eq!((register.railways.len(), register.classes.len(), register.units.len()), (1, 1, 1));
    assert_eq!(register.classes[0].id.as_str(), "small");
    let feed = desk.feed(&own).await.unwrap();
    assert!(feed.progress.iter().all(|p| p.unit == unit("northmoor")));
    assert!(desk.quarantine(&own, QuarantineQuery::default()).await.unwrap().items.is_empty());
}

#[tokio::test]
async fn a_large_fleet_kept_for_a_moment_shows_ones_own_alone() {
    let office = Office::new().await;
    let own = person("planner", Role::Viewer, Some("northmoor"));
    let desk = &office.desk;
    let mut more = desk.register(&administrator()).await.unwrap();
    let first = more.units.iter().find(|u| u.key() == unit("sarel")).unwrap().clone();
    more.units.extend((0..1000).map(|n| notchwatch_model::Unit {
        id: format!("large-{n}").parse().unwrap(),
        engines: vec![],
        ..first.clone()
    }));
    let all = more.units.len();
    desk.put_register(&administrator(), more).await.unwrap();
    // The one who sees everything fills the copy that the other is then served from.
    assert_eq!(desk.fleet(&administrator()).await.unwrap().1.len(), all);
    let (register, units) = desk.fleet(&own).await.unwrap();
    assert_eq!(register.units.len(), 1);
    assert_eq!(units.iter().map(|u| u.unit.key()).collect::<Vec<_>>(), [unit("northmoor")]);
    let other = person("other", Role::Viewer, Some("sarel"));
    assert_eq!(desk.fleet(&other).await.unwrap().1.len(), all - 1);
}
