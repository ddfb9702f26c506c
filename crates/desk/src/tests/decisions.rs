//! Decisions through the desk: who may, what wins, what the loser is told.

use notchwatch_model::{Act, AlarmState, Outcome, WorkState};
use notchwatch_store::HistoryEntry;

use super::*;
use crate::DeskError;

fn kim() -> Principal {
    person("kim", Role::Operator, Some("northmoor"))
}

async fn version(office: &Office) -> u32 {
    office.desk.finding(&kim(), &id("f-northmoor")).await.unwrap().version
}

#[tokio::test]
async fn a_viewer_sees_and_does_not_decide() {
    let office = Office::new().await;
    let viewer = person("view", Role::Viewer, Some("northmoor"));
    let finding = id("f-northmoor");
    assert!(office.desk.finding(&viewer, &finding).await.is_ok());
    let error = office.desk.decide(&viewer, &finding, 1, Act::Acknowledge).await.unwrap_err();
    assert!(matches!(error, DeskError::Forbidden(_)), "{error}");
    let foreign = office.desk.decide(&viewer, &id("f-none"), 1, Act::Acknowledge).await.unwrap_err();
    assert_eq!(foreign.to_string(), error.to_string(), "a viewer learns nothing from the refusal");
}

#[tokio::test]
async fn an_act_applies_once_repeats_quietly_and_tells_the_loser() {
    let office = Office::new().await;
    let (finding, seen) = (id("f-northmoor"), version(&office).await);
    let decide = async |who: &Principal, act| office.desk.decide(who, &finding, seen, act).await;
    let done = decide(&kim(), Act::Acknowledge).await.unwrap();
    assert_eq!(done.alarm_state(office.desk.now()), AlarmState::Acknowledged);
    assert_eq!(decide(&kim(), Act::Acknowledge).await.unwrap().version, done.version);
    let lost = decide(&administrator(), Act::Take).await.unwrap_err();
    assert!(matches!(&lost, DeskError::Conflict(now) if **now == done), "{lost}");
    let refused = office.desk.decide(&kim(), &finding, done.version, Act::Unshelve).await.unwrap_err();
    assert!(matches!(&refused, DeskError::Refused(why) if why == "the finding is not shelved"), "{refused}");
    let history = office.desk.history(&kim(), &finding).await.unwrap();
    let effective: Vec<bool> = history
        .iter()
        .filter_map(|entry| match entry {
            HistoryEntry::Decision(decision) => Some(decision.effective),
            HistoryEntry::Machine { .. } => None,
        })
        .collect();
    assert_eq!(effective, [true, false, false], "both attempts of a race are in the history");
}

#[tokio::test]
async fn of_two_at_once_one_wins() {
    let office = Office::new().await;
    let finding = id("f-northmoor");
    for _ in 0..20 {
        let seen = version(&office).await;
        let wait = |hours| Act::Wait { until: start() + Span::from_hours(hours), reason: "sample".into() };
        let (desk, admin, kim) = (&office.desk, administrator(), kim());
        let (one, two) = tokio::join!(
            desk.decide(&kim, &finding, seen, wait(1)),
            desk.decide(&admin, &finding, seen, wait(2))
        );
        let (won, lost) = if one.is_ok() { (one, two) } else { (two, one) };
        let won = won.unwrap();
        assert!(matches!(lost, Err(DeskError::Conflict(now)) if *now == won));
    }
}

#[tokio::test]
async fn line_ends_of_a_browser_are_taken_and_other_hidden_characters_are_not() {
    let office = Office::new().await;
    let finding = id("f-northmoor");
    let note =
        async |text: &str| office.desk.decide(&kim(), &finding, 0, Act::Note { text: text.to_owned() }).await;
    note("one\r\ntwo").await.unwrap();
    assert!(matches!(note("nul\0").await, Err(DeskError::Refused(_))));
    let history = office.desk.history(&kim(), &finding).await.unwrap();
    let kept = history.iter().find_map(|entry| match entry {
        HistoryEntry::Decision(d) if d.effective => Some(d.act.clone()),
        _ => None,
    });
    assert_eq!(kept, Some(Act::Note { text: "one\ntwo".into() }));
}

#[tokio::test]
async fn a_closed_finding_is_closed_for_everyone() {
    let office = Office::new().await;
    let finding = id("f-northmoor");
    let close = Act::Close { outcome: Outcome::SensorAtFault, note: Some("probe renewed".into()) };
    let seen = version(&office).await;
    let closed = office.desk.decide(&kim(), &finding, seen, close).await.unwrap();
    assert_eq!(closed.work_state(office.desk.now()), WorkState::Closed);
    let again = office.desk.decide(&kim(), &finding, closed.version, Act::Take).await.unwrap_err();
    assert!(matches!(&again, DeskError::Refused(why) if why.contains("closed by kim")), "{again}");
}

#[tokio::test]
async fn new_numbers_of_the_machine_do_not_cost_a_decider_the_race() {
    let office = Office::new().await;
    let seen = version(&office).await;
    let mut revised = machine("northmoor");
    revised.symptoms[0].probability = 0.999;
    office.record(3, revised).await;
    office.desk.decide(&kim(), &id("f-northmoor"), seen, Act::Acknowledge).await.unwrap();
}

#[tokio::test]
async fn load_is_told_by_position_and_only_of_what_the_asker_may_see() {
    let office = Office::new().await;
    let root = administrator();
    let told = async |who: &Principal| {
        let loads = office.desk.load(who).await.unwrap();
        let each = loads.positions.iter().map(|(p, load)| (p.id.to_string(), load.total, p.railways.len()));
        (each.collect::<Vec<_>>(), loads.uncovered)
    };
    assert_eq!(told(&root).await, (vec![("all".to_owned(), 2, 0)], 0));
    assert_eq!(told(&kim()).await, (vec![("all".to_owned(), 1, 0)], 0));
    let position = |id: &str, railways: &[&str]| notchwatch_model::Position {
        id: id.parse().unwrap(),
        title: id.to_owned(),
        railways: railways.iter().map(|r| r.parse().unwrap()).collect(),
        classes: vec![],
    };
    office.desk.put_position(&root, position("south", &["sarel"])).await.unwrap();
    assert_eq!(told(&root).await, (vec![("south".to_owned(), 1, 1)], 1));
    assert_eq!(told(&kim()).await, (vec![], 1), "a position of other railways is not there");
    let unknown = office.desk.put_position(&root, position("x", &["atlantis"])).await.unwrap_err();
    assert!(
        matches!(&unknown, DeskError::Refused(why) if why == "there is no railway atlantis"),
        "{unknown}"
    );
    let denied = office.desk.put_position(&kim(), position("x", &[])).await.unwrap_err();
    assert!(matches!(denied, DeskError::Forbidden(_)));
    office.desk.remove_position(&root, &position("south", &[]).id).await.unwrap();
    assert_eq!(told(&root).await.1, 0);
}

#[tokio::test]
async fn a_finding_is_handed_to_who_may_decide_there_and_nobody_else() {
    let office = Office::new().await;
    let accounts = [
        ("lee", Role::Operator, Some("northmoor"), true),
        ("far", Role::Operator, Some("sarel"), true),
        ("view", Role::Viewer, None, true),
        ("gone", Role::Operator, None, false),
    ];
    for (who, role, railway, enabled) in accounts {
        let Principal { name, railways, .. } = person(who, role, railway);
        let password_hash = "none".to_owned();
        let account = notchwatch_store::Account { name, password_hash, role, railways, enabled };
        office.store.put_account(&account, &administrator().name, office.desk.now()).await.unwrap();
    }
    let finding = id("f-northmoor");
    let hand = async |to: &str| {
        let seen = version(&office).await;
        office.desk.decide(&kim(), &finding, seen, Act::Hand { to: name(to) }).await
    };
    for to in ["far", "view", "gone", "nobody"] {
        let error = hand(to).await.unwrap_err();
        assert!(matches!(&error, DeskError::Refused(why) if why.starts_with(to)), "{to}: {error}");
    }
    assert_eq!(hand("lee").await.unwrap().operator.taken_by, Some(name("lee")));
    let railway = RailwayId::new("sarel").unwrap();
    assert!(matches!(office.desk.colleagues(&kim(), &railway).await, Err(DeskError::NotFound)));
}
