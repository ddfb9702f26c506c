//! The live stream: resumes exactly, says when it cannot, shows no more than the list, ends with the process.

use std::time::Duration;

use axum::body::Body;
use axum::http::{Method, StatusCode};
use futures::StreamExt as _;
use notchwatch_model::Role;

use super::stand::{Stand, call};
use crate::sample;

/// Reads frames until `count` of them carry an event name, or the stream ends.
pub(super) async fn frames(body: Body, count: usize) -> Vec<(String, String, String)> {
    let mut stream = body.into_data_stream();
    let (mut text, mut found) = (String::new(), Vec::new());
    while found.len() < count {
        let next =
            tokio::time::timeout(Duration::from_secs(10), stream.next()).await.expect("a frame in time");
        let Some(chunk) = next else { break };
        text.push_str(std::str::from_utf8(&chunk.unwrap()).unwrap());
        while let Some((frame, rest)) = text.split_once("\n\n").map(|(a, b)| (a.to_owned(), b.to_owned())) {
            text = rest;
            let field = |name: &str| {
                frame
                    .lines()
                    .find_map(|l| l.strip_prefix(name))
                    .map(|v| v.trim().to_owned())
                    .unwrap_or_default()
            };
            if !field("event:").is_empty() {
                found.push((field("id:"), field("event:"), field("data:")));
            }
        }
    }
    found
}

pub(super) async fn stream(stand: &Stand, token: &str, after: Option<&str>) -> Body {
    let headers: Vec<(&str, &str)> = after.map(|id| ("last-event-id", id)).into_iter().collect();
    let response = stand.open(call(Method::GET, "/api/v1/events", token, &headers, "")).await;
    assert_eq!(response.status(), StatusCode::OK);
    assert_eq!(response.headers()["content-type"], "text/event-stream");
    response.into_body()
}

#[tokio::test]
async fn a_reader_resumes_with_exactly_what_it_missed() {
    let stand = Stand::new().await;
    let asha = stand.token("asha", Role::Operator, &["northmoor"]).await;
    let before = frames(stream(&stand, &asha, Some("0")).await, 1).await;
    let last = before[0].0.clone();
    // More than two pages of the log, with the other railway's in between.
    let more = (100..220).map(|n| sample::machine(if n % 2 == 0 { "northmoor" } else { "sarel" }, "4021", n));
    stand.record(more.collect()).await;
    let missed = frames(stream(&stand, &asha, Some(&last)).await, 60).await;
    let ids: Vec<i64> = missed.iter().map(|f| f.0.parse().unwrap()).collect();
    assert_eq!(ids.len(), 60);
    assert!(ids.windows(2).all(|w| w[0] < w[1]), "in order, none twice: {ids:?}");
    assert!(missed.iter().all(|f| f.1 == "opened" && !f.2.contains("sarel")), "nothing of the other railway");
    let first: serde_json::Value = serde_json::from_str(&missed[0].2).unwrap();
    assert_eq!(first["id"], missed[0].0);
    assert_eq!(first["finding"]["railway"], "northmoor");
}

#[tokio::test]
async fn a_live_event_arrives_and_a_stream_without_an_id_begins_now() {
    let stand = Stand::new().await;
    let asha = stand.token("asha", Role::Operator, &["northmoor"]).await;
    let body = stream(&stand, &asha, None).await;
    let (got, answer) = tokio::join!(
        frames(body, 1),
        stand.act(&asha, "/api/v1/findings/f-0000000000000001/acknowledge", "\"1\"", "")
    );
    assert_eq!(answer.status, StatusCode::OK);
    assert_eq!(got[0].1, "decided");
    assert!(got[0].2.contains("\"alarm_state\":\"acknowledged\""), "{}", got[0].2);
}

#[tokio::test]
async fn ids_that_cannot_be_resumed_get_the_snapshots_address() {
    let stand = Stand::new().await;
    let asha = stand.token("asha", Role::Operator, &["northmoor"]).await;
    for odd in ["abc", "999999", "-5", "9223372036854775808"] {
        let got = frames(stream(&stand, &asha, Some(odd)).await, 1).await;
        assert_eq!(got[0].1, "resync", "{odd}");
        assert!(got[0].2.contains("/api/v1/findings?open=true"), "{}", got[0].2);
        assert!(!got[0].0.is_empty(), "the id to go on from");
    }
}

#[tokio::test]
async fn streams_are_bounded_and_end_with_the_process() {
    let stand = Stand::new().await;
    let asha = stand.token("asha", Role::Operator, &["northmoor"]).await;
    let one = stream(&stand, &asha, None).await;
    let two = stream(&stand, &asha, None).await;
    let crowded = stand.get(&asha, "/api/v1/events").await;
    assert_eq!(crowded.status, StatusCode::TOO_MANY_REQUESTS);
    drop(two);
    let two = stream(&stand, &asha, None).await;
    stand.shutdown.cancel();
    let ended =
        tokio::time::timeout(Duration::from_secs(2), async { (frames(one, 1).await, frames(two, 1).await) });
    let (one, two) = ended.await.expect("streams end at once");
    assert!(one.is_empty() && two.is_empty());
}

#[tokio::test]
async fn a_revoked_token_ends_its_stream() {
    let stand = Stand::new().await;
    let root = super::stand::principal("root", Role::Administrator, &[]);
    let who = super::stand::principal("lake", Role::Viewer, &["northmoor"]);
    let (id, secret) = stand.desk.create_token(&root, "lake", who, None).await.unwrap();
    let body = stream(&stand, secret.expose(), None).await;
    stand.desk.revoke_token(&root, id).await.unwrap();
    stand.record(vec![sample::machine("northmoor", "4021", 50)]).await;
    assert!(frames(body, 1).await.is_empty());
}
