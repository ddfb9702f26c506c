//! Decisions through the API: what was seen, who wins, who is told.

use axum::http::{Method, StatusCode};
use notchwatch_model::Role;

use super::stand::{Stand, call};

const FINDING: &str = "/api/v1/findings/f-0000000000000001";

#[tokio::test]
async fn of_two_decisions_one_wins_and_the_other_is_shown_the_record() {
    let stand = Stand::new().await;
    let asha = stand.token("asha", Role::Operator, &["northmoor"]).await;
    let root = stand.token("root", Role::Administrator, &[]).await;
    let seen = stand.get(&asha, FINDING).await;
    let version = seen.headers["etag"].to_str().unwrap().to_owned();
    let close = format!("{FINDING}/close");
    let (first, second) = tokio::join!(
        stand.act(&asha, &close, &version, r#"{"outcome":"no-fault-found"}"#),
        stand.act(&root, &close, &version, r#"{"outcome":"sensor-at-fault"}"#),
    );
    let mut statuses = [first.status, second.status];
    statuses.sort();
    assert_eq!(statuses, [StatusCode::OK, StatusCode::CONFLICT]);
    let (winner, loser) = if first.status == StatusCode::OK { (first, second) } else { (second, first) };
    let problem = loser.json();
    assert_eq!(loser.headers["content-type"], "application/problem+json");
    assert_eq!(problem["type"], "/problems/conflict");
    assert_eq!(problem["current"], winner.json(), "the loser gets the record as the winner left it");
    let history = stand.get(&asha, &format!("{FINDING}/history")).await.json();
    let effective: Vec<_> = history["items"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|i| i["what"] == "close")
        .map(|i| i["effective"].clone())
        .collect();
    assert_eq!(effective.len(), 2, "the lost decision is kept: {history}");
    assert_eq!(effective.iter().filter(|e| **e == true).count(), 1);
}

#[tokio::test]
async fn a_decision_needs_the_version_it_was_taken_on() {
    let stand = Stand::new().await;
    let asha = stand.token("asha", Role::Operator, &["northmoor"]).await;
    let path = format!("{FINDING}/acknowledge");
    let missing = stand.send(call(Method::POST, &path, &asha, &[], "")).await;
    assert_eq!(missing.status, StatusCode::PRECONDITION_REQUIRED);
    assert_eq!(stand.act(&asha, &path, "*", "").await.status, StatusCode::BAD_REQUEST);
    assert_eq!(stand.act(&asha, &path, "\"99\"", "").await.status, StatusCode::CONFLICT);
    let done = stand.act(&asha, &path, "\"1\"", "").await;
    assert_eq!(done.status, StatusCode::OK, "{}", done.text);
    assert_eq!(done.json()["alarm_state"], "acknowledged");
    assert_eq!(done.json()["acknowledged_by"], "asha");
    assert_eq!(done.headers["etag"].to_str().unwrap(), format!("\"{}\"", done.json()["version"]));
}

#[tokio::test]
async fn bodies_are_checked_place_by_place() {
    let stand = Stand::new().await;
    let asha = stand.token("asha", Role::Operator, &["northmoor"]).await;
    for (act, body, status, pointer) in [
        ("wait", r#"{"until":"tomorrow","for":"x"}"#, 400, "/until"),
        ("wait", r#"{"until":"2026-11-11T12:00:00Z"}"#, 400, ""),
        ("close", r#"{"outcome":"mended"}"#, 400, "/outcome"),
        ("close", r#"{"outcome":"no-fault-found","colour":1}"#, 400, "/colour"),
        ("note", "not json", 400, ""),
        ("note", r#"{"text":5}"#, 400, "/text"),
    ] {
        let answer = stand.act(&asha, &format!("{FINDING}/{act}"), "\"1\"", body).await;
        assert_eq!(answer.status.as_u16(), status, "{act} {body}: {}", answer.text);
        assert_eq!(answer.json()["errors"][0]["pointer"], pointer, "{act} {body}");
    }
    let past = r#"{"until":"2020-01-01T00:00:00Z","reason":"x"}"#;
    let refused = stand.act(&asha, &format!("{FINDING}/shelve"), "\"1\"", past).await;
    assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY, "{}", refused.text);
    let huge = format!(r#"{{"text":"{}"}}"#, "x".repeat(70_000));
    let answer = stand.act(&asha, &format!("{FINDING}/note"), "\"1\"", &huge).await;
    assert_eq!(answer.status, StatusCode::PAYLOAD_TOO_LARGE);
}

#[tokio::test]
async fn pages_of_a_list_hold_every_item_once() {
    let stand = Stand::new().await;
    let more = (10..25).map(|n| crate::sample::machine("northmoor", "4021", n)).collect();
    stand.record(more).await;
    let asha = stand.token("asha", Role::Operator, &["northmoor"]).await;
    let (mut seen, mut path) = (Vec::new(), "/api/v1/findings?limit=4&open=true".to_owned());
    loop {
        let page = stand.get(&asha, &path).await.json();
        let items = page["items"].as_array().unwrap();
        assert!(items.len() <= 4);
        seen.extend(items.iter().map(|i| i["id"].as_str().unwrap().to_owned()));
        let Some(next) = page["next"].as_str() else { break };
        path = format!("/api/v1/findings?limit=4&open=true&cursor={next}");
    }
    let count = seen.len();
    seen.sort();
    seen.dedup();
    assert_eq!((seen.len(), count), (16, 16));
}
