//! Who sees what: every endpoint, two railways, no caller at all.

use axum::http::{Method, StatusCode};
use notchwatch_model::Role;

use super::stand::{Stand, call};

/// Every address that answers to `GET` with something of a railway in it, for the finding of `northmoor`.
const READS: &[&str] = &[
    "/api/v1/findings",
    "/api/v1/findings?railway=northmoor",
    "/api/v1/findings/f-0000000000000001",
    "/api/v1/findings/f-0000000000000001/history",
    "/api/v1/quarantine",
    "/api/v1/quarantine/1",
    "/api/v1/quarantine/1/bytes",
    "/api/v1/register",
    "/api/v1/units",
    "/api/v1/units?railway=northmoor",
    "/api/v1/units/northmoor/4021/samples?channel=oil_pressure&from=2026-11-10T00:00:00Z&to=2026-11-10T12:00:00Z",
    "/api/v1/feed",
];

const ACTS: &[&str] = &["acknowledge", "take", "wait", "shelve", "unshelve", "close", "note"];

#[tokio::test]
async fn a_caller_of_another_railway_learns_nothing() {
    let stand = Stand::new().await;
    let ben = stand.token("ben", Role::Operator, &["sarel"]).await;
    let asha = stand.token("asha", Role::Operator, &["northmoor"]).await;
    for path in READS {
        let own = stand.get(&asha, path).await;
        assert_eq!(own.status, StatusCode::OK, "{path}: {}", own.text);
        let other = stand.get(&ben, path).await;
        assert!(matches!(other.status, StatusCode::OK | StatusCode::NOT_FOUND), "{path}: {}", other.status);
        let told = other.text.replace("/quarantine/1", "");
        assert!(!told.contains("northmoor"), "{path} tells ben: {told}");
        assert!(!told.contains("f-0000000000000001"), "{path} tells ben: {told}");
        assert!(!told.contains("nobody"), "{path} tells ben of a railway that is not registered: {told}");
    }
}

#[tokio::test]
async fn an_id_of_another_railway_and_one_that_never_was_answer_alike() {
    let stand = Stand::new().await;
    let ben = stand.token("ben", Role::Operator, &["sarel"]).await;
    for tail in ["", "/history"] {
        let other = stand.get(&ben, &format!("/api/v1/findings/f-0000000000000001{tail}")).await;
        let never = stand.get(&ben, &format!("/api/v1/findings/f-ffffffffffffffff{tail}")).await;
        assert_eq!((other.status, &other.text), (StatusCode::NOT_FOUND, &never.text));
    }
    for act in ACTS {
        let body = match *act {
            "wait" => r#"{"until":"2026-11-11T12:00:00Z","for":"an answer"}"#,
            "shelve" => r#"{"until":"2026-11-11T12:00:00Z","reason":"sensor on order"}"#,
            "close" => r#"{"outcome":"no-fault-found"}"#,
            "note" => r#"{"text":"x"}"#,
            _ => "",
        };
        let other =
            stand.act(&ben, &format!("/api/v1/findings/f-0000000000000001/{act}"), "\"1\"", body).await;
        let never =
            stand.act(&ben, &format!("/api/v1/findings/f-ffffffffffffffff/{act}"), "\"1\"", body).await;
        assert_eq!((other.status, &other.text), (StatusCode::NOT_FOUND, &never.text), "{act}");
    }
}

#[tokio::test]
async fn nobody_sees_nothing() {
    let stand = Stand::new().await;
    let others = ["/api/v1/accounts", "/api/v1/tokens", "/api/v1/events"];
    for path in READS.iter().chain(&others) {
        for token in ["", "nwt_guess", "x"] {
            let answer = stand.get(token, path).await;
            assert_eq!(answer.status, StatusCode::UNAUTHORIZED, "{path}");
            assert_eq!(answer.headers["content-type"], "application/problem+json");
            assert_eq!(answer.headers["www-authenticate"], "Bearer");
        }
    }
}

#[tokio::test]
async fn roles_hold_and_a_revoked_token_ends_at_once() {
    let stand = Stand::new().await;
    let viewer = stand.token("vera", Role::Viewer, &["northmoor"]).await;
    let operator = stand.token("asha", Role::Operator, &["northmoor"]).await;
    let root = stand.token("root", Role::Administrator, &[]).await;
    let refused = stand.act(&viewer, "/api/v1/findings/f-0000000000000001/acknowledge", "\"1\"", "").await;
    assert_eq!(refused.status, StatusCode::FORBIDDEN);
    for (method, path) in [
        (Method::GET, "/api/v1/accounts"),
        (Method::PUT, "/api/v1/accounts/eve"),
        (Method::GET, "/api/v1/tokens"),
        (Method::POST, "/api/v1/tokens"),
        (Method::DELETE, "/api/v1/tokens/1"),
        (Method::PUT, "/api/v1/register"),
    ] {
        let answer = stand.send(call(method.clone(), path, &operator, &[], "{}")).await;
        assert_eq!(answer.status, StatusCode::FORBIDDEN, "{method} {path}");
    }
    let made = stand
        .send(call(
            Method::POST,
            "/api/v1/tokens",
            &root,
            &[],
            r#"{"label":"lake","name":"lake","role":"viewer","railways":["sarel"]}"#,
        ))
        .await;
    assert_eq!(made.status, StatusCode::CREATED, "{}", made.text);
    let (id, secret) =
        (made.json()["id"].as_str().unwrap().to_owned(), made.json()["secret"].as_str().unwrap().to_owned());
    assert_eq!(stand.get(&secret, "/api/v1/findings").await.json()["items"].as_array().unwrap().len(), 1);
    assert!(!stand.get(&root, "/api/v1/tokens").await.text.contains(&secret), "a secret is told once");
    let gone = stand.send(call(Method::DELETE, &format!("/api/v1/tokens/{id}"), &root, &[], "")).await;
    assert_eq!(gone.status, StatusCode::NO_CONTENT);
    assert_eq!(stand.get(&secret, "/api/v1/findings").await.status, StatusCode::UNAUTHORIZED);
}

#[tokio::test]
async fn a_wrong_register_names_each_place() {
    let stand = Stand::new().await;
    let root = stand.token("root", Role::Administrator, &[]).await;
    let body = r#"{"railways":[{"id":"r","name":"R","zone":"Mars/Base"}],"units":[{"railway":"r","id":"1","class":"none"}]}"#;
    let answer = stand.send(call(Method::PUT, "/api/v1/register", &root, &[], body)).await;
    assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY, "{}", answer.text);
    assert!(answer.json()["errors"].as_array().unwrap().len() >= 2, "{}", answer.text);
    let unknown = stand.send(call(Method::PUT, "/api/v1/register", &root, &[], r#"{"railway":[]}"#)).await;
    assert_eq!(unknown.status, StatusCode::BAD_REQUEST);
}
