//! Unit and fleet pages, and health through the API: what two people of two railways see.

use axum::http::StatusCode;
use notchwatch_model::{ChannelIx, Decoded, Envelope, Reason, Role, Sample, Span};
use notchwatch_store::{EvaluationCommit, ModelReport, NewMessage, Software, UnitProgress};

use super::pages::field;
use super::stand::{Stand, form_post};
use crate::{Backlog, sample};

#[tokio::test]
async fn a_unit_shows_findings_channels_and_grades_to_its_railway_alone() {
    let stand = Stand::new().await;
    let (asha, ben) = (stand.cookie("asha").await, stand.cookie("ben").await);
    let page = stand.page(&asha, "/units/northmoor/4021").await;
    assert_eq!(page.status, StatusCode::OK, "{}", page.text);
    for part in [
        "Unit 4021",
        "Oil pressure 18 % below expected at idle",
        "Oil pressure</span>",
        "nothing measured in this range",
        "nothing was judged yet",
        "finding opened",
        "/units/northmoor/4021/samples.csv",
    ] {
        assert!(page.text.contains(part), "{part}");
    }
    let large = stand.page(&asha, "/units/northmoor/4021/channels/oil_pressure?range=1").await;
    assert!(large.text.contains("/units/northmoor/4021/evidence?range=1"), "{}", large.text);
    let figures =
        stand.page(&asha, "/units/northmoor/4021/evidence?range=1&channel=oil_pressure").await.json();
    assert!(figures["onset"].is_null() && figures["points"]["y"][0].is_number(), "{figures}");
    for path in [
        "/units/northmoor/4021",
        "/units/northmoor/4021/channels/oil_pressure",
        "/units/northmoor/4021/evidence?range=1&channel=oil_pressure",
    ] {
        assert_eq!(stand.page(&ben, path).await.status, StatusCode::NOT_FOUND, "{path}");
    }
    for path in
        ["/units/northmoor/4021?range=3", "/units/northmoor/4021/channels/none", "/units/northmoor/none"]
    {
        assert_eq!(stand.page(&asha, path).await.status, StatusCode::NOT_FOUND, "{path}");
    }
}

#[tokio::test]
async fn the_software_that_a_unit_runs_is_told_by_page_and_api() {
    let stand = Stand::new().await;
    let (asha, token) =
        (stand.cookie("asha").await, stand.token("asha", Role::Operator, &["northmoor"]).await);
    assert!(stand.page(&asha, "/units/northmoor/4021").await.text.contains("not told"));
    let since = sample::noon() - Span::from_days(100);
    let progress = UnitProgress {
        unit: sample::key("northmoor", "4021"),
        judged: None,
        received: None,
        samples: 0,
        repeats: 0,
        conflicts: 0,
        models: Some(ModelReport {
            software: Some(Software { version: "4.1.7".into(), since }),
            ..ModelReport::default()
        }),
    };
    let commit = EvaluationCommit { progress: vec![progress], ..EvaluationCommit::default() };
    stand.store.commit_evaluation(commit, sample::noon()).await.unwrap();
    let page = stand.page(&asha, "/units/northmoor/4021").await.text;
    assert!(page.contains("4.1.7") && !page.contains("not told"), "{page}");
    let listed = stand.get(&token, "/api/v1/units").await.json();
    assert_eq!(listed["items"][0]["software"]["version"], "4.1.7", "{listed}");
    assert_eq!(listed["items"][0]["software"]["since"], since.to_string());
}

#[tokio::test]
async fn pages_say_that_a_history_is_read_in_or_that_judgement_is_behind() {
    let stand = Stand::new().await;
    stand.desk.record_health().await.unwrap();
    let asha = stand.cookie("asha").await;
    let reached = sample::noon() - Span::from_days(9);
    for (share, words) in [(Some(0.25), "History is being read in: 25 %."), (None, "Judgement is behind.")] {
        stand.stages.send_modify(|told| told.backlog = Some(Backlog { reached, share }));
        for path in ["/queue", "/fleet", "/units/northmoor/4021", "/feed"] {
            let page = stand.page(&asha, path).await.text;
            assert!(page.contains(words) && page.contains(&reached.to_string()[..10]), "{path}: {page}");
        }
        let fleet = stand.page(&asha, "/fleet").await.text;
        assert!(fleet.contains("what has come in is still being judged"), "{fleet}");
    }
    stand.stages.send_modify(|told| told.backlog = None);
    let fleet = stand.page(&asha, "/fleet").await.text;
    assert!(!fleet.contains("is being read in") && !fleet.contains("still being judged"), "{fleet}");
}

#[tokio::test]
async fn the_fleet_is_listed_filtered_and_of_the_callers_railways() {
    let stand = Stand::new().await;
    stand.desk.record_health().await.unwrap();
    let (asha, ben) = (stand.cookie("asha").await, stand.cookie("ben").await);
    let page = stand.page(&asha, "/fleet").await.text;
    assert!(page.contains("/units/northmoor/4021") && page.contains("1 to 1 of 1 units"), "{page}");
    assert!(page.contains("not known") && page.contains("nothing was judged yet"), "{page}");
    assert!(!stand.page(&ben, "/fleet").await.text.to_lowercase().contains("northmoor"));
    let none = stand.page(&asha, "/fleet?link=silent&sort=heard").await.text;
    assert!(none.contains("No unit fits"), "{none}");
}

#[tokio::test]
async fn health_is_answered_with_reasons_and_history() {
    let stand = Stand::new().await;
    stand.desk.record_health().await.unwrap();
    let token = stand.token("asha", Role::Viewer, &["northmoor"]).await;
    let health = stand.get(&token, "/api/v1/units/northmoor/4021/health").await.json();
    let unit = &health["parts"]["unit"];
    assert!(unit["grade"].is_null() && unit["unknown"] == "nothing was judged yet", "{health}");
    assert!(unit["reasons"][0]["finding"].is_string(), "{health}");
    let history = stand.get(&token, "/api/v1/units/northmoor/4021/health/history").await.json();
    assert!(history["items"][0]["parts"]["unit"]["grade"].is_null(), "{history}");
    let units = stand.get(&token, "/api/v1/units").await.json();
    assert!(units["items"][0]["health"]["why"].is_string(), "{units}");
    let other = stand.get(&token, "/api/v1/units/sarel/4021/health").await;
    assert_eq!(other.status, StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn peers_are_compared_among_the_units_of_the_callers_railways_alone() {
    let stand = Stand::new().await;
    let mut register: notchwatch_model::Register = stand.store.register().await.unwrap();
    for id in ["4022", "4023", "4024"] {
        let unit = notchwatch_model::Unit { id: id.parse().unwrap(), ..register.units[0].clone() };
        register.units.push(unit);
    }
    let root = super::stand::principal("root", Role::Administrator, &[]);
    stand.desk.put_register(&root, register).await.unwrap();
    let asked = "/api/v1/peers?class=demo-12&channel=oil_pressure";
    let asha = stand.token("asha", Role::Viewer, &["northmoor"]).await;
    let found = stand.get(&asha, asked).await.json();
    assert_eq!((&found["state"], &found["uom"]), (&"idle".into(), &"Pa".into()), "{found}");
    assert_eq!(found["median"], 378_000.0);
    let units: Vec<_> =
        found["units"].as_array().unwrap().iter().map(|u| u["unit"].as_str().unwrap()).collect();
    assert_eq!(units[0], "4022", "the furthest from the middle: {found}");
    assert_eq!(units.len(), 4, "those of northmoor");
    let ben = stand.token("ben", Role::Viewer, &["sarel"]).await;
    let own = stand.get(&ben, asked).await.json();
    assert_eq!((&own["units"][0]["railway"], own["units"].as_array().unwrap().len()), (&"sarel".into(), 1));
    let cookie = stand.cookie("asha").await;
    let page = stand.page(&cookie, "/fleet/peers?state=idle&sort=unit").await;
    assert_eq!(page.status, StatusCode::OK);
    for part in ["Oil pressure at idle", "378 kPa", "/units/northmoor/4022/channels/oil_pressure?range=1"] {
        assert!(page.text.contains(part), "{part}: {}", page.text);
    }
    assert!(!page.text.contains("sarel"), "{}", page.text);
    let none = stand.page(&cookie, "/fleet/peers?state=notch-8").await.text;
    assert!(none.contains("No unit has ten settled samples"), "{none}");
    for wrong in ["/fleet/peers?state=fast", "/fleet/peers?days=3", "/fleet/peers?class=other"] {
        assert_eq!(stand.page(&cookie, wrong).await.status, StatusCode::BAD_REQUEST, "{wrong}");
    }
    for (wrong, status) in [
        ("class=demo-12&channel=none", StatusCode::NOT_FOUND),
        ("class=other&channel=oil_pressure", StatusCode::NOT_FOUND),
        ("class=demo-12&channel=oil_pressure&days=3", StatusCode::BAD_REQUEST),
        ("class=demo-12&channel=oil_pressure&state=fast", StatusCode::BAD_REQUEST),
    ] {
        assert_eq!(stand.get(&asha, &format!("/api/v1/peers?{wrong}")).await.status, status, "{wrong}");
    }
}

#[tokio::test]
async fn the_fleet_is_answered_in_orders_page_by_page_with_what_is_open() {
    let stand = Stand::new().await;
    let token = stand.token("root", Role::Administrator, &[]).await;
    for sort in ["unit", "health", "findings", "heard"] {
        let mut seen = Vec::new();
        let mut cursor = String::new();
        loop {
            let page = stand.get(&token, &format!("/api/v1/units?sort={sort}&limit=1{cursor}")).await.json();
            let unit = &page["items"][0];
            assert_eq!(unit["open"]["high"], 1, "{page}");
            seen.push(unit["railway"].as_str().unwrap().to_owned());
            let Some(next) = page["next"].as_str() else { break };
            cursor = format!("&cursor={next}");
        }
        assert_eq!(seen, ["northmoor", "sarel"], "{sort}");
    }
    for wrong in ["sort=age", "sort=health&cursor=northmoor/4021", "cursor=7"] {
        let answer = stand.get(&token, &format!("/api/v1/units?{wrong}")).await;
        assert_eq!(answer.status, StatusCode::BAD_REQUEST, "{wrong}");
    }
}

#[tokio::test]
async fn positions_are_made_and_removed_from_the_page_of_the_load() {
    let stand = Stand::new().await;
    let (root, asha) = (stand.cookie("root").await, stand.cookie("asha").await);
    let page = stand.page(&root, "/load").await.text;
    assert!(page.contains("No position is made yet") && page.contains("of the time in flood"), "{page}");
    let token = field(&page, "token");
    let form = format!("token={token}&id=east&title=East&railway=northmoor");
    let made = stand.send(form_post("/load/positions", &root, &form)).await;
    assert_eq!(made.status, StatusCode::SEE_OTHER, "{}", made.text);
    let page = stand.page(&root, "/load").await.text;
    assert!(page.contains("Northmoor Freight; every class"), "{page}");
    assert!(page.contains("no position covers"), "the finding on sarel: {page}");
    let own = stand.page(&asha, "/load").await.text;
    assert!(own.contains("East") && !own.to_lowercase().contains("sarel"), "{own}");
    assert!(!own.contains("Make or replace"), "{own}");
    let forged = stand.send(form_post("/load/positions", &root, "token=no&id=east&title=East")).await;
    assert_eq!(forged.status, StatusCode::FORBIDDEN);
    let wrong = format!("token={token}&id=west&title=West&railway=nowhere");
    let wrong = stand.send(form_post("/load/positions", &root, &wrong)).await;
    assert_eq!(wrong.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(wrong.text.contains("There is no railway nowhere"), "{}", wrong.text);
    let own_token = field(&stand.page(&asha, "/password").await.text, "token");
    let other = format!("token={own_token}&id=east");
    let other = stand.send(form_post("/load/positions/remove", &asha, &other)).await;
    assert_eq!(other.status, StatusCode::FORBIDDEN);
    let removed = format!("token={token}&id=east");
    let removed = stand.send(form_post("/load/positions/remove", &root, &removed)).await;
    assert_eq!(removed.status, StatusCode::SEE_OTHER);
    assert!(stand.page(&root, "/load").await.text.contains("No position is made yet"));
}

#[tokio::test]
async fn samples_leave_as_a_file_with_marks_where_the_time_was_taken_from_receipt() {
    let stand = Stand::new().await;
    let sent = |minute: i64, value: f64, approximate: bool| {
        let time = sample::noon() - Span::from_mins(minute);
        NewMessage {
            envelope: Envelope {
                received: time,
                topic: "units/northmoor/4021/senml".to_owned(),
                content_type: None,
                retained: false,
                payload: minute.to_string().into_bytes(),
            },
            decoded: Decoded {
                unit: Some(sample::key("northmoor", "4021")),
                samples: vec![Sample { time, channel: ChannelIx(0), value }],
                records: 1,
                approximate,
                ..Decoded::default()
            },
        }
    };
    stand.store.append(&[sent(60 * 25, 310_000.0, false), sent(5, 312_500.5, true)]).await.unwrap();
    let asha = stand.cookie("asha").await;
    let form = "/units/northmoor/4021/samples.csv?from=2026-11-09T00:00&to=2026-11-10T12:00:00";
    let sent_on = stand.page(&asha, form).await;
    assert_eq!(sent_on.status, StatusCode::SEE_OTHER);
    let address = sent_on.headers["location"].to_str().unwrap().to_owned();
    let file = stand.page(&asha, &address).await;
    assert_eq!(file.status, StatusCode::OK, "{}", file.text);
    assert_eq!(file.headers["content-type"], "text/csv; charset=utf-8");
    let expected = "railway,unit,channel,uom,time,value,time_approximate\n\
                    northmoor,4021,oil_pressure,Pa,2026-11-09T11:00:00Z,310000,false\n\
                    northmoor,4021,oil_pressure,Pa,2026-11-10T11:55:00Z,312500.5,true\n";
    assert_eq!(file.text, expected);
    let token = stand.token("asha", Role::Viewer, &["northmoor"]).await;
    let span = "from=2026-11-09T00:00:00Z&to=2026-11-10T12:00:00Z";
    let points = format!("/api/v1/units/northmoor/4021/samples?channel=oil_pressure&{span}");
    let points = stand.get(&token, &points).await.json();
    let points = &points["series"][0]["points"];
    assert_eq!(
        (&points[0]["approximate"], &points[1]["approximate"]),
        (&serde_json::Value::Null, &true.into())
    );
    let other = stand.get(&token, &format!("/api/v1/units/sarel/4021/samples.csv?{span}")).await;
    assert_eq!(other.status, StatusCode::NOT_FOUND);
    let long = "/api/v1/units/northmoor/4021/samples.csv?from=2026-01-01T00:00:00Z&to=2026-11-10T12:00:00Z";
    assert_eq!(stand.get(&token, long).await.status, StatusCode::UNPROCESSABLE_ENTITY);
    let wrong = "/units/northmoor/4021/samples.csv?from=soon&to=2026-11-10T12:00";
    assert_eq!(stand.page(&asha, wrong).await.status, StatusCode::BAD_REQUEST);
}

#[tokio::test]
async fn a_unit_is_registered_from_its_refusal_by_who_may() {
    let stand = Stand::new().await;
    let refused = |topic: &str, unit: &str, reason: Reason| NewMessage {
        envelope: Envelope {
            received: sample::noon(),
            topic: topic.to_owned(),
            content_type: None,
            retained: false,
            payload: b"[]".to_vec(),
        },
        decoded: Decoded::refused(Some(sample::key("northmoor", unit)), reason, "why".into()),
    };
    let unknown = |unit: &str| refused(&format!("units/northmoor/{unit}/senml"), unit, Reason::UnknownUnit);
    stand.store.append(&[unknown("4999"), unknown("5000")]).await.unwrap();
    let (root, asha) = (stand.cookie("root").await, stand.cookie("asha").await);
    let list = stand.page(&root, "/quarantine?reason=unknown-unit").await.text;
    let id: u64 =
        list.split("href=\"/quarantine/").nth(1).unwrap().split('"').next().unwrap().parse().unwrap();
    assert!(list.contains("Register unit northmoor/5000"), "{list}");
    let page = stand.page(&root, &format!("/quarantine/{id}")).await.text;
    let token = field(&page, "token");
    assert!(page.contains("Register unit northmoor/5000") && page.contains(">demo-12<"), "{page}");
    let own = stand.page(&asha, &format!("/quarantine/{id}")).await.text;
    assert!(!own.contains("Register unit"), "an operator registers nothing: {own}");
    let address = format!("/quarantine/{id}/register");
    let form = format!("token={token}&class=demo-12&region=north&engine=E-77");
    let done = stand.send(form_post(&address, &root, &form)).await;
    assert!(done.text.contains("Unit northmoor/5000 is registered"), "{}", done.text);
    let register = stand.store.register().await.unwrap();
    let unit = register.unit(&sample::key("northmoor", "5000")).unwrap();
    assert_eq!((unit.region.as_str(), unit.engines.len()), ("north", 1));
    let again = stand.send(form_post(&address, &root, &form)).await;
    assert!(again.text.contains("registered already"), "{}", again.text);
    let api = |id: u64| format!("/api/v1/quarantine/{id}/register");
    let bearer = stand.token("root", Role::Administrator, &[]).await;
    let body = r#"{"class":"demo-12"}"#;
    let made = stand.act(&bearer, &api(id - 1), "", body).await;
    assert_eq!((made.status, &made.json()["unit"]), (StatusCode::CREATED, &"4999".into()));
    let viewer = stand.token("vera", Role::Viewer, &["northmoor"]).await;
    assert_eq!(stand.act(&viewer, &api(id), "", body).await.status, StatusCode::FORBIDDEN);
    assert_eq!(stand.act(&bearer, &api(1), "", body).await.status, StatusCode::UNPROCESSABLE_ENTITY);
    let feed = stand.get(&bearer, "/api/v1/feed").await.json();
    assert_eq!(feed["quarantine_dropped"], "0");
    assert!(stand.get(&viewer, "/api/v1/feed").await.json()["quarantine_dropped"].is_null());
}
