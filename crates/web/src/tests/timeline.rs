//! Timelines through the API: recorded once, seen by the railway, taken back with a reason.

use axum::http::{Method, StatusCode};
use notchwatch_model::Role;

use super::stand::{Stand, call};

const UNIT: &str = "/api/v1/units/northmoor/4021/timeline";
const OIL: &str = r#"{"at":"2026-11-04T06:00:00Z","kind":"oil-sample","sample":"L-77",
    "results":[{"quantity":"iron","value":140.5,"uom":"mg/kg","verdict":"high"}]}"#;

#[tokio::test]
async fn an_entry_is_recorded_once_and_taken_back_with_a_reason() {
    let stand = Stand::new().await;
    let asha = stand.token("asha", Role::Operator, &["northmoor"]).await;
    let ben = stand.token("ben", Role::Operator, &["sarel"]).await;
    let post =
        async |who: &str, path: &str, body: &str| stand.send(call(Method::POST, path, who, &[], body)).await;
    let made = post(&asha, UNIT, OIL).await;
    assert_eq!(made.status, StatusCode::CREATED, "{}", made.text);
    assert_eq!(made.json()["line"], "oil sample: iron 140.5 mg/kg (high)");
    assert_eq!(made.json()["by"], "asha");
    let again = post(&asha, UNIT, OIL).await;
    assert_eq!((again.status, again.json()["id"].clone()), (StatusCode::OK, made.json()["id"].clone()));
    assert_eq!(post(&ben, UNIT, OIL).await.status, StatusCode::NOT_FOUND);

    let seen = stand.get(&asha, UNIT).await.json();
    assert_eq!(seen["items"], serde_json::json!([made.json()]));
    assert_eq!(stand.get(&asha, &format!("{UNIT}?kind=note")).await.json()["items"], serde_json::json!([]));
    assert_eq!(stand.get(&ben, UNIT).await.status, StatusCode::NOT_FOUND);
    let long = format!("{UNIT}?from=2020-01-01T00:00:00Z");
    assert_eq!(stand.get(&asha, &long).await.status, StatusCode::UNPROCESSABLE_ENTITY);

    let path = format!("/api/v1/timeline/{}/withdraw", made.json()["id"].as_str().unwrap());
    assert_eq!(post(&ben, &path, r#"{"reason":"x"}"#).await.status, StatusCode::NOT_FOUND);
    let gone = post(&asha, &path, r#"{"reason":"another unit's oil"}"#).await;
    assert_eq!(gone.json()["withdrawn"]["reason"], "another unit's oil");
    assert_eq!(stand.get(&asha, UNIT).await.json()["items"], serde_json::json!([]));
    let all = stand.get(&asha, &format!("{UNIT}?withdrawn=true")).await.json();
    assert_eq!(all["items"][0]["withdrawn"]["by"], "asha");
}

#[tokio::test]
async fn what_is_wrong_is_told_with_its_place() {
    let stand = Stand::new().await;
    let asha = stand.token("asha", Role::Operator, &["northmoor"]).await;
    let at = r#""at":"2026-11-04T06:00:00Z""#;
    for (body, place) in [
        (format!(r#"{{{at},"kind":"rumour"}}"#), "/kind"),
        (r#"{"at":"yesterday","kind":"note","text":"x"}"#.to_owned(), "/at"),
        (format!(r#"{{{at},"kind":"note"}}"#), "/text"),
        (format!(r#"{{{at},"kind":"note","text":"x","code":"E1"}}"#), "/code"),
        (format!(r#"{{{at},"kind":"note","text":"x","unit":"7"}}"#), "/unit"),
        (format!(r#"{{{at},"kind":"maintenance","activity":"polish"}}"#), "/activity"),
    ] {
        let answer = stand.send(call(Method::POST, UNIT, &asha, &[], &body)).await;
        assert_eq!(answer.status, StatusCode::BAD_REQUEST, "{body}: {}", answer.text);
        assert_eq!(answer.json()["errors"][0]["pointer"], place, "{}", answer.text);
    }
    let list = format!(r#"{{"entries":[{{{at},"kind":"note","text":"x"}}]}}"#);
    let answer = stand.send(call(Method::POST, "/api/v1/timeline", &asha, &[], &list)).await;
    assert_eq!(answer.json()["errors"][0]["pointer"], "/entries/0", "{}", answer.text);
}

#[tokio::test]
async fn a_list_is_recorded_whole_or_not_at_all() {
    let stand = Stand::new().await;
    let asha = stand.token("asha", Role::Operator, &["northmoor"]).await;
    let entry = |railway: &str, at: &str| {
        format!(r#"{{"railway":"{railway}","unit":"4021","at":"{at}","kind":"software","version":"4.1"}}"#)
    };
    let send = async |entries: &[String]| {
        let body = format!(r#"{{"entries":[{}]}}"#, entries.join(","));
        stand.send(call(Method::POST, "/api/v1/timeline", &asha, &[], &body)).await
    };
    let fine = entry("northmoor", "2026-11-04T06:00:00Z");
    assert_eq!(
        send(&[fine.clone(), entry("sarel", "2026-11-04T06:00:00Z")]).await.status,
        StatusCode::NOT_FOUND
    );
    let ahead = send(&[fine.clone(), entry("northmoor", "2030-01-01T00:00:00Z")]).await;
    assert_eq!(ahead.status, StatusCode::UNPROCESSABLE_ENTITY, "{}", ahead.text);
    assert_eq!(stand.get(&asha, UNIT).await.json()["items"], serde_json::json!([]));
    let done = send(&[fine.clone(), fine]).await;
    assert_eq!(
        (done.json()["new"].clone(), done.status),
        (serde_json::json!(1), StatusCode::OK),
        "{}",
        done.text
    );
}
