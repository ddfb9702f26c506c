//! Sign-in, sessions, the first administrator, passwords.

use super::*;
use crate::{AccountChange, DeskError, SESSION_LASTS};

const PASSWORD: &str = "seven green signals";

async fn with_account(office: &Office, who: &str, enabled: bool) {
    let change = AccountChange {
        name: name(who),
        role: Role::Operator,
        railways: RailwayFilter::All,
        enabled,
        password: Some(PASSWORD.into()),
    };
    office.desk.put_account(&administrator(), change).await.unwrap();
}

/// An office with its administrator, who must exist before any other account.
async fn office() -> (Office, String) {
    let office = Office::new().await;
    let (first, password) = office.desk.first_administrator().await.unwrap().unwrap();
    assert_eq!(first, name("admin"));
    (office, password)
}

#[tokio::test]
async fn the_first_administrator_is_made_once_and_can_sign_in() {
    let (office, password) = office().await;
    assert_eq!(office.desk.first_administrator().await.unwrap(), None);
    let (secret, who) = office.desk.sign_in("admin", &password).await.unwrap();
    assert_eq!((who.role, &who.railways), (Role::Administrator, &RailwayFilter::All));
    assert_eq!(office.desk.session(secret.expose()).await.unwrap(), Some(who));
}

#[tokio::test]
async fn a_session_ends_by_sign_out_by_time_and_with_its_account() {
    let (office, _) = office().await;
    with_account(&office, "kim", true).await;
    let open = async || office.desk.sign_in("kim", PASSWORD).await.unwrap().0;
    let lasts =
        async |secret: &crate::SessionSecret| office.desk.session(secret.expose()).await.unwrap().is_some();
    let (one, two, three) = (open().await, open().await, open().await);
    office.desk.sign_out(one.expose()).await.unwrap();
    assert!(!lasts(&one).await && lasts(&two).await);
    office.set_time(start() + SESSION_LASTS);
    assert!(!lasts(&two).await);
    office.set_time(start() + Span::from_hours(1));
    assert!(lasts(&three).await);
    with_account(&office, "kim", false).await;
    assert!(!lasts(&three).await);
    assert_eq!(office.desk.session("x").await.unwrap(), None);
}

#[tokio::test]
async fn every_failed_sign_in_says_the_same_and_is_in_the_audit_log() {
    let (office, _) = office().await;
    with_account(&office, "kim", true).await;
    with_account(&office, "off", false).await;
    for (who, password) in [("kim", "wrong"), ("nobody", PASSWORD), ("off", PASSWORD), ("a b\n", "x")] {
        let error = office.desk.sign_in(who, password).await.unwrap_err();
        assert!(matches!(&error, DeskError::Forbidden(why) if why == "name or password is wrong"), "{error}");
    }
    let log = office.desk.audit_log(&administrator(), 50).await.unwrap();
    let mut failed: Vec<&str> =
        log.iter().filter(|e| e.what == "sign-in-failed").map(|e| e.by.as_str()).collect();
    failed.sort_unstable();
    assert_eq!(failed, ["-", "kim", "nobody", "off"]);
}

#[tokio::test]
async fn the_sixth_try_waits_even_with_the_right_password() {
    let (office, _) = office().await;
    with_account(&office, "kim", true).await;
    for _ in 0..5 {
        assert!(matches!(office.desk.sign_in("kim", "wrong").await, Err(DeskError::Forbidden(_))));
    }
    let error = office.desk.sign_in("kim", PASSWORD).await.unwrap_err();
    assert!(matches!(error, DeskError::TooMany { seconds } if seconds > 60), "{error}");
}

#[tokio::test]
async fn a_password_is_changed_by_who_knows_the_present_one() {
    let (office, _) = office().await;
    with_account(&office, "kim", true).await;
    let kim = person("kim", Role::Operator, None);
    let wrong = office.desk.change_password(&kim, "wrong", "another long phrase").await.unwrap_err();
    assert!(matches!(wrong, DeskError::Forbidden(_)));
    let (session, _) = office.desk.sign_in("kim", PASSWORD).await.unwrap();
    let short = office.desk.change_password(&kim, PASSWORD, "short").await.unwrap_err();
    assert!(matches!(&short, DeskError::Refused(why) if why.contains("12 characters")), "{short}");
    assert!(office.desk.session(session.expose()).await.unwrap().is_some());
    office.desk.change_password(&kim, PASSWORD, "another long phrase").await.unwrap();
    assert!(office.desk.session(session.expose()).await.unwrap().is_none(), "who knew the old one is out");
    assert!(office.desk.sign_in("kim", PASSWORD).await.is_err());
    assert!(office.desk.sign_in("kim", "another long phrase").await.is_ok());
}
