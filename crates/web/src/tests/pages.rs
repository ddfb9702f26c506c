//! Pages and forms: sign-in, what two people of two railways see, forged and stale forms, operations.

use axum::body::Body;
use axum::http::{Request, StatusCode, header};

use super::stand::{PASSWORD, Stand, form_post};

pub(super) fn field(page: &str, name: &str) -> String {
    let begin = format!("name=\"{name}\" value=\"");
    let rest = page.split_once(begin.as_str()).unwrap_or_else(|| panic!("no field {name}")).1;
    rest.split('"').next().unwrap().to_owned()
}

#[tokio::test]
async fn signing_in_leads_back_and_tells_nothing_of_names() {
    let stand = Stand::new().await;
    let asked = stand.page("", "/findings/f-0000000000000001?x=1").await;
    assert_eq!(asked.status, StatusCode::SEE_OTHER);
    assert_eq!(asked.headers[header::LOCATION], "/sign-in?then=/findings/f-0000000000000001%3Fx%3D1");
    let wrong = stand.sign_in("asha", "not it at all").await;
    let nobody = stand.sign_in("nobody", "not it at all").await;
    assert_eq!((wrong.status, nobody.status), (StatusCode::FORBIDDEN, StatusCode::FORBIDDEN));
    let same = |text: &str, name: &str| text.replace(name, "");
    assert_eq!(same(&wrong.text, "asha"), same(&nobody.text, "nobody"));
    let form = format!("name=asha&password={}&then=//evil.example/", PASSWORD.replace(' ', "+"));
    let signed = stand.send(form_post("/sign-in", "", &form)).await;
    assert_eq!(signed.headers[header::LOCATION], "/queue");
}

#[tokio::test]
async fn two_people_of_two_railways_see_their_own() {
    let stand = Stand::new().await;
    let (asha, ben) = (stand.cookie("asha").await, stand.cookie("ben").await);
    let own = stand.page(&asha, "/findings/f-0000000000000001").await;
    assert_eq!(own.status, StatusCode::OK);
    for part in [
        "Oil pressure 18 % below expected at idle",
        "Oil pump worn",
        "local (+01:00)",
        "Hot oil under pressure",
    ] {
        assert!(own.text.contains(part), "{part}");
    }
    for path in [
        "/queue",
        "/feed",
        "/queue?railway=northmoor",
        "/findings/f-0000000000000001",
        "/findings/f-0000000000000001/evidence?channel=oil_pressure",
        "/quarantine",
        "/quarantine?railway=northmoor",
        "/quarantine/1",
    ] {
        let told = stand.page(&ben, path).await;
        let text = told.text.replace("railway=northmoor", "");
        for secret in ["Northmoor", "northmoor", "f-0000000000000001", "nobody"] {
            assert!(!text.contains(secret), "{path} tells ben {secret}: {text}");
        }
    }
    let other = stand.page(&ben, "/findings/f-0000000000000001").await;
    assert_eq!(other.status, StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn a_form_decides_once_and_a_stale_one_shows_the_present_record() {
    let stand = Stand::new().await;
    let asha = stand.cookie("asha").await;
    let page = stand.page(&asha, "/findings/f-0000000000000001").await.text;
    let (token, version) = (field(&page, "token"), field(&page, "version"));
    let acknowledge = "/findings/f-0000000000000001/acknowledge";
    let done = stand.send(form_post(acknowledge, &asha, &format!("token={token}&version={version}"))).await;
    assert_eq!(done.status, StatusCode::SEE_OTHER);
    let close = "/findings/f-0000000000000001/close";
    let stale = format!("token={token}&version={version}&outcome=no-fault-found");
    let late = stand.send(form_post(close, &asha, &stale)).await;
    assert_eq!(late.status, StatusCode::CONFLICT);
    assert!(late.text.contains("was not applied") && late.text.contains("acknowledged"), "{}", late.text);
}

#[tokio::test]
async fn forged_forms_do_nothing() {
    let stand = Stand::new().await;
    let (asha, ben) = (stand.cookie("asha").await, stand.cookie("ben").await);
    let path = "/findings/f-0000000000000001/acknowledge";
    let foreign = field(&stand.page(&ben, "/queue").await.text, "token");
    for token in ["", "x", foreign.as_str()] {
        let answer = stand.send(form_post(path, &asha, &format!("token={token}&version=1"))).await;
        assert_eq!(answer.status, StatusCode::FORBIDDEN, "{token}");
    }
    let own = field(&stand.page(&asha, "/queue").await.text, "token");
    let mut cross = form_post(path, &asha, &format!("token={own}&version=1"));
    cross.headers_mut().insert("sec-fetch-site", "cross-site".parse().unwrap());
    assert_eq!(stand.send(cross).await.status, StatusCode::FORBIDDEN);
    let api = Request::post("/api/v1/findings/f-0000000000000001/acknowledge")
        .header(header::COOKIE, &asha)
        .header(header::ORIGIN, "http://evil.example")
        .header(header::HOST, "127.0.0.1:8470")
        .header(header::IF_MATCH, "\"1\"")
        .body(Body::empty())
        .unwrap();
    assert_eq!(
        stand.send(api).await.status,
        StatusCode::FORBIDDEN,
        "the API takes the cookie, not from elsewhere"
    );
    let after = stand.page(&asha, "/api/v1/findings/f-0000000000000001").await.json();
    assert_eq!(after["alarm_state"], "unacknowledged");
}

#[tokio::test]
async fn a_viewer_is_offered_no_acts_and_signing_out_ends_the_session() {
    let stand = Stand::new().await;
    let vera = stand.cookie("vera").await;
    let page = stand.page(&vera, "/findings/f-0000000000000001").await.text;
    assert!(!page.contains("data-act=\"acknowledge\"") && !page.contains("Shelve"));
    let token = field(&page, "token");
    let forced = stand
        .send(form_post("/findings/f-0000000000000001/take", &vera, &format!("token={token}&version=1")))
        .await;
    assert_eq!(forced.status, StatusCode::FORBIDDEN);
    let out = stand.send(form_post("/sign-out", &vera, &format!("token={token}"))).await;
    assert_eq!(out.headers[header::LOCATION], "/sign-in");
    assert_eq!(stand.page(&vera, "/queue").await.status, StatusCode::SEE_OTHER);
}

#[tokio::test]
async fn refused_messages_are_read_again_from_their_pages_by_who_decides() {
    let stand = Stand::new().await;
    let (asha, vera) = (stand.cookie("asha").await, stand.cookie("vera").await);
    let page = stand.page(&asha, "/quarantine/1").await.text;
    let token = page.split("name=\"token\" value=\"").nth(1).and_then(|rest| rest.split('"').next()).unwrap();
    let one = stand.send(form_post("/quarantine/1/replay", &asha, &format!("token={token}"))).await;
    assert_eq!(one.status, StatusCode::OK, "{}", one.text);
    assert!(
        one.text.contains("still refused") && one.text.contains("unit 4022 is not registered"),
        "{}",
        one.text
    );
    let form = format!("token={token}&filters=/quarantine%3Frailway%3Dnorthmoor");
    let set = stand.send(form_post("/quarantine/replay", &asha, &form)).await;
    assert_eq!(set.status, StatusCode::OK, "{}", set.text);
    assert!(set.text.contains("0 stored, 1 still refused"), "{}", set.text);
    for (path, form) in [
        ("/quarantine/1/replay", "token=no".to_owned()),
        ("/quarantine/replay", "token=no&filters=/quarantine".to_owned()),
    ] {
        let forged = stand.send(form_post(path, &asha, &form)).await;
        assert_eq!(forged.status, StatusCode::FORBIDDEN, "{path}: {}", forged.text);
    }
    let wrong = format!("token={token}&filters=/quarantine%3Freason%3Dbecause");
    let wrong = stand.send(form_post("/quarantine/replay", &asha, &wrong)).await;
    assert_eq!(wrong.status, StatusCode::BAD_REQUEST, "a filter that is none replays nothing");
    let other = stand.page(&vera, "/quarantine/1").await.text;
    assert!(!other.contains("/replay"), "who only sees is offered nothing: {other}");
}

#[tokio::test]
async fn foreign_bytes_and_evidence_are_shown_without_harm() {
    let stand = Stand::new().await;
    let asha = stand.cookie("asha").await;
    let message = stand.page(&asha, "/quarantine/1").await;
    assert_eq!(message.status, StatusCode::OK);
    assert!(
        message.text.contains("&#60;script&#62;") && !message.text.contains("<script>"),
        "{}",
        message.text
    );
    let picture =
        stand.page(&asha, "/findings/f-0000000000000001/evidence?channel=oil_pressure").await.json();
    assert_eq!((picture["uom"].as_str(), picture["points"]["y"][0].as_f64()), (Some("kPa"), Some(312.0)));
    assert_eq!(picture["projection"]["at"], 250.0);
    assert_eq!(picture["local_offset_min"], 60);
    let other = stand.page(&asha, "/findings/f-0000000000000001/evidence?channel=no_such").await;
    assert_eq!(other.status, StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn quarantine_is_narrowed_and_a_filter_that_is_none_shows_nothing() {
    let stand = Stand::new().await;
    let asha = stand.cookie("asha").await;
    let row = "href=\"/quarantine/1\"";
    for (query, shown) in [
        ("", true),
        ("?reason=malformed&railway=northmoor&unit=4021&topic=northmoor/40", true),
        ("?since=2000-01-01T00:00&until=2100-01-01T00:00", true),
        ("?until=2000-01-01T00:00", false),
        ("?since=2100-01-01T00:00:00Z", false),
        ("?topic=NORTHMOOR", false),
        ("?unit=4022", false),
        ("?reason=uom", false),
        ("?cursor=1", false),
    ] {
        let page = stand.page(&asha, &format!("/quarantine{query}")).await;
        assert_eq!(page.status, StatusCode::OK, "{query}: {}", page.text);
        assert_eq!(page.text.contains(row), shown, "{query}: {}", page.text);
    }
    for wrong in ["reason=because", "since=soon", "cursor=x", "topic=%00", "colour=red"] {
        let page = stand.page(&asha, &format!("/quarantine?{wrong}")).await;
        assert_eq!(page.status, StatusCode::BAD_REQUEST, "{wrong}");
        assert!(!page.text.contains(row), "{wrong}");
    }
    let bytes = stand.page(&asha, "/api/v1/quarantine/1/bytes").await;
    assert_eq!((bytes.status, bytes.text.as_str()), (StatusCode::OK, "[{\"n\":<script>"));
}

#[tokio::test]
async fn every_answer_carries_the_policy_and_pages_hold_nothing_inline() {
    let stand = Stand::new().await;
    let asha = stand.cookie("asha").await;
    for path in [
        "/sign-in",
        "/queue",
        "/findings/f-0000000000000001",
        "/feed",
        "/quarantine",
        "/quarantine/1",
        "/password",
        "/nowhere",
        "/livez",
    ] {
        let page = stand.page(&asha, path).await;
        assert_eq!(page.headers["content-security-policy"], crate::security::POLICY, "{path}");
        assert_eq!(page.headers["x-content-type-options"], "nosniff");
        for banned in [" style=", " onclick=", "<style", "javascript:", "http://", "https://"] {
            assert!(!page.text.contains(banned), "{path} holds {banned}");
        }
        for script in page.text.split("<script").skip(1) {
            assert!(
                script.starts_with(" src=\"/assets/"),
                "{path}: {}",
                script.chars().take(80).collect::<String>()
            );
        }
    }
}

#[tokio::test]
async fn operations_answer_without_a_caller() {
    let stand = Stand::new().await;
    assert_eq!(stand.page("", "/livez").await.status, StatusCode::OK);
    assert_eq!(stand.page("", "/readyz").await.text, r#"{"reasons":[]}"#);
    stand.health.send_modify(|reasons| {
        reasons.insert("database-unreachable");
    });
    let ready = stand.page("", "/readyz").await;
    assert_eq!(
        (ready.status, ready.text.as_str()),
        (StatusCode::SERVICE_UNAVAILABLE, r#"{"reasons":["database-unreachable"]}"#)
    );
    let metrics = stand.page("", "/metrics").await;
    assert!(
        metrics.text.contains("notchwatch_http_answers_total{area=\"operations\",class=\"done\"}"),
        "{}",
        metrics.text
    );
    assert!(!metrics.text.contains("northmoor"));
    assert!(stand.page("", "/problems/conflict").await.text.contains("present record"));
}

#[tokio::test]
async fn a_store_that_is_gone_is_said_at_once() {
    let stand = Stand::new().await;
    let asha = stand.cookie("asha").await;
    stand.store.close().await;
    for path in ["/queue", "/api/v1/findings"] {
        let answer = stand.page(&asha, path).await;
        assert_eq!(answer.status, StatusCode::SERVICE_UNAVAILABLE, "{path}: {}", answer.text);
    }
}
