//! Grades through the desk: computed for the caller's units, recorded for all.

use super::*;
use crate::DeskError;

#[tokio::test]
async fn grades_are_seen_by_their_railway_and_recorded_for_all() {
    let office = Office::new().await;
    let kim = person("kim", Role::Operator, Some("northmoor"));
    let health = office.desk.health(&kim, &unit("northmoor")).await.unwrap();
    assert_eq!(health.unit.unknown.as_deref(), Some("nothing was judged yet"), "never good without data");
    assert!(matches!(office.desk.health(&kim, &unit("sarel")).await, Err(DeskError::NotFound)));

    let written = office.desk.record_health().await.unwrap();
    assert!(written >= 2, "{written}");
    assert_eq!(office.desk.record_health().await.unwrap(), 0, "nothing moved");
    let seen = office.desk.health_now(&kim).await.unwrap();
    assert!(!seen.is_empty() && seen.iter().all(|r| r.unit.railway.as_str() == "northmoor"), "{seen:?}");
    let span = (start() - Span::from_days(1), start() + Span::from_days(1));
    assert_eq!(office.desk.health_history(&kim, &unit("northmoor"), span).await.unwrap().len(), 1);
    let other = office.desk.health_history(&kim, &unit("sarel"), span).await;
    assert!(matches!(other, Err(DeskError::NotFound)));
    let long = (start() - Span::from_days(4000), start());
    assert!(matches!(
        office.desk.health_history(&kim, &unit("northmoor"), long).await,
        Err(DeskError::Refused(_))
    ));
}
