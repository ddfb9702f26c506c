//! Accounts, sessions, tokens, audit.

use notchwatch_model::{Principal, RailwayFilter, Role};
use notchwatch_store::{Account, AuditEntry, Error, NewToken};

use crate::bed::{Bed, account, at, only};

pub(crate) async fn accounts_sessions_tokens_and_audit_come_back(bed: &Bed) {
    let store = bed.open().await;
    let admin = account("admin");
    let ada = Account {
        name: account("ada"),
        password_hash: "$argon2id$v=19$m=19456$x$y".into(),
        role: Role::Operator,
        railways: only("sarel"),
        enabled: true,
    };
    assert_eq!(store.account(&ada.name).await.unwrap(), None);
    store.put_account(&ada, &admin, at(0)).await.unwrap();
    assert_eq!(store.account(&ada.name).await.unwrap(), Some(ada.clone()));
    assert_eq!(store.accounts().await.unwrap(), std::slice::from_ref(&ada));

    let secret = [7; 32];
    store.open_session(&secret, &ada.name, at(0), at(100)).await.unwrap();
    let principal = Principal { name: ada.name.clone(), role: Role::Operator, railways: only("sarel") };
    assert_eq!(store.session(&secret, at(99)).await.unwrap(), Some(principal.clone()));
    assert_eq!(store.session(&secret, at(100)).await.unwrap(), None, "it is over");
    assert_eq!(store.session(&[8; 32], at(1)).await.unwrap(), None);
    let wider = Account { railways: RailwayFilter::All, role: Role::Viewer, ..ada.clone() };
    store.put_account(&wider, &admin, at(1)).await.unwrap();
    let now = store.session(&secret, at(2)).await.unwrap().unwrap();
    assert_eq!((now.role, now.railways), (Role::Viewer, RailwayFilter::All), "rights are the present ones");
    store.put_account(&Account { enabled: false, ..ada.clone() }, &admin, at(2)).await.unwrap();
    assert_eq!(store.session(&secret, at(3)).await.unwrap(), None, "not enabled");
    store.put_account(&ada, &admin, at(3)).await.unwrap();
    store.end_session(&secret).await.unwrap();
    assert_eq!(store.session(&secret, at(3)).await.unwrap(), None, "ended");
    let stranger = store.open_session(&[9; 32], &account("nobody"), at(0), at(9)).await.unwrap_err();
    assert!(matches!(stranger, Error::Refused(_)), "{stranger}");

    let token = NewToken {
        hash: [1; 32],
        label: "lake \0".into(),
        principal: principal.clone(),
        until: Some(at(50)),
    };
    let id = store.create_token(&token, &admin, at(4)).await.unwrap();
    assert_eq!(store.token(&[1; 32], at(49)).await.unwrap(), Some(principal));
    assert_eq!(store.token(&[1; 32], at(50)).await.unwrap(), None);
    let again = store.create_token(&token, &admin, at(4)).await.unwrap_err();
    assert!(matches!(again, Error::Refused(_)), "{again}");
    assert!(store.revoke_token(id, &admin, at(5)).await.unwrap());
    assert!(!store.revoke_token(id, &admin, at(6)).await.unwrap());
    assert!(!store.revoke_token(id + 1, &admin, at(6)).await.unwrap());
    assert_eq!(store.token(&[1; 32], at(7)).await.unwrap(), None);
    let listed = store.tokens().await.unwrap();
    assert_eq!(
        (listed.len(), listed[0].revoked, listed[0].label.as_str()),
        (1, Some(at(5)), "lake \u{fffd}")
    );

    let tried =
        AuditEntry { at: at(9), by: "x\0".into(), what: "sign-in-failed".into(), on: "console".into() };
    store.audit(&tried).await.unwrap();
    let log = store.audit_log(4).await.unwrap();
    assert_eq!(log[0], AuditEntry { by: "x\u{fffd}".into(), ..tried });
    let words: Vec<&str> = log.iter().map(|e| e.what.as_str()).collect();
    assert_eq!(words, ["sign-in-failed", "token-revoked", "token-created", "account"]);
    store.close().await;
}
