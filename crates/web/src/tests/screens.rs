//! Unit and fleet pages, and health through the API: what two people of two railways see.

use axum::http::StatusCode;
use notchwatch_model::Role;

use super::stand::Stand;

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
