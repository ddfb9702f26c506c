//! Accounts, tokens and the register: what an administrator may do, and what nobody may.

use super::*;
use crate::{AccountChange, DeskError, TOKEN_PREFIX};

fn change(who: &str, role: Role, enabled: bool, password: Option<&str>) -> AccountChange {
    AccountChange {
        name: name(who),
        role,
        railways: RailwayFilter::All,
        enabled,
        password: password.map(ToOwned::to_owned),
    }
}

#[tokio::test]
async fn only_an_administrator_of_all_railways_administers() {
    let office = Office::new().await;
    for who in [
        person("op", Role::Operator, None),
        person("view", Role::Viewer, None),
        person("local", Role::Administrator, Some("northmoor")),
    ] {
        let forbidden = |error: DeskError| assert!(matches!(error, DeskError::Forbidden(_)), "{error}");
        forbidden(office.desk.accounts(&who).await.unwrap_err());
        forbidden(office.desk.put_account(&who, change("x", Role::Viewer, true, None)).await.unwrap_err());
        forbidden(office.desk.tokens(&who).await.unwrap_err());
        forbidden(office.desk.create_token(&who, "t", who.clone(), None).await.unwrap_err());
        forbidden(office.desk.revoke_token(&who, 1).await.unwrap_err());
        forbidden(office.desk.audit_log(&who, 1).await.unwrap_err());
        forbidden(office.desk.put_register(&who, Register::default()).await.unwrap_err());
    }
}

#[tokio::test]
async fn one_enabled_administrator_of_all_railways_remains() {
    let office = Office::new().await;
    office.desk.first_administrator().await.unwrap();
    let put = async |change| office.desk.put_account(&administrator(), change).await;
    for bad in [
        change("admin", Role::Operator, true, None),
        change("admin", Role::Administrator, false, None),
        AccountChange {
            railways: person("x", Role::Viewer, Some("sarel")).railways,
            ..change("admin", Role::Administrator, true, None)
        },
    ] {
        assert!(matches!(put(bad).await, Err(DeskError::Refused(_))));
    }
    put(change("second", Role::Administrator, true, Some("twelve letters"))).await.unwrap();
    put(change("admin", Role::Viewer, true, None)).await.unwrap();
    let roles: Vec<Role> =
        office.desk.accounts(&administrator()).await.unwrap().into_iter().map(|a| a.role).collect();
    assert_eq!(roles.len(), 2);
    assert!(roles.contains(&Role::Viewer));
}

#[tokio::test]
async fn a_new_account_needs_a_password_of_twelve_characters() {
    let office = Office::new().await;
    office.desk.first_administrator().await.unwrap();
    for password in [None, Some("elevenchars")] {
        let new = change("kim", Role::Viewer, true, password);
        assert!(matches!(office.desk.put_account(&administrator(), new).await, Err(DeskError::Refused(_))));
    }
}

#[tokio::test]
async fn a_token_acts_until_its_end_or_its_revocation() {
    let office = Office::new().await;
    let acts_as = person("bridge", Role::Viewer, Some("sarel"));
    let until = start() + Span::from_hours(1);
    let create = async |label: &str, until| {
        office.desk.create_token(&administrator(), label, acts_as.clone(), until).await
    };
    let (first, secret) = create("data lake", Some(until)).await.unwrap();
    assert!(secret.expose().starts_with(TOKEN_PREFIX));
    let who = async |secret: &str| office.desk.bearer(secret).await.unwrap();
    assert_eq!(who(secret.expose()).await, Some(acts_as.clone()));
    assert_eq!(who(secret.expose().trim_start_matches(TOKEN_PREFIX)).await, None);
    assert_eq!(office.desk.session(secret.expose()).await.unwrap(), None, "a token is no session");
    office.set_time(until);
    assert_eq!(who(secret.expose()).await, None);
    let (second, lasting) = create("phone gateway", None).await.unwrap();
    assert_ne!(first, second);
    office.desk.revoke_token(&administrator(), second).await.unwrap();
    assert_eq!(who(lasting.expose()).await, None);
    let missing = office.desk.revoke_token(&administrator(), 999).await;
    assert!(matches!(missing, Err(DeskError::NotFound)));
    for (label, until) in [("", None), ("a\0", None), ("late", Some(start()))] {
        assert!(matches!(create(label, until).await, Err(DeskError::Refused(_))), "{label:?}");
    }
}

#[tokio::test]
async fn a_register_change_names_every_problem_and_moves_no_channel() {
    let office = Office::new().await;
    let put =
        async |text: &str| office.desk.put_register(&administrator(), toml::from_str(text).unwrap()).await;
    let places = |result: crate::Result<()>| match result {
        Err(DeskError::Invalid(problems)) => problems.into_iter().map(|p| p.place).collect::<Vec<_>>(),
        other => panic!("{other:?}"),
    };
    let unknown = "units = [{ railway = 'nobody', id = '2', class = 'none' }]";
    assert_eq!(places(put(unknown).await), ["units.nobody/2.railway", "units.nobody/2.class"]);
    let moved = "classes = [{ id = 'small', name = 'S', channels = [
        { name = 'oil_temp', system = 'lubrication', uom = 'Cel' },
        { name = 'oil_pressure', system = 'lubrication', uom = 'kPa' } ] }]";
    let expected = ["classes.small.channels.oil_pressure", "classes.small.channels.oil_temp"];
    assert_eq!(places(put(moved).await), expected);
    let grown = "classes = [{ id = 'other', name = 'O', channels = [
        { name = 'oil_temp', system = 'lubrication', uom = 'Cel' },
        { name = 'coolant_temp', system = 'cooling', uom = 'Cel' } ] }]";
    put(grown).await.unwrap();
    let (_, class) = office.desk.unit(&administrator(), &unit("sarel")).await.unwrap();
    assert_eq!(class.channels.len(), 2);
}
