//! What both examples stand on: a store in a folder, one administrator, a desk over them, and the web side without a daemon.

use std::error::Error;
use std::path::Path;
use std::sync::Arc;

use notchwatch_desk::{AccountChange, Desk};
use notchwatch_model::{AccountName, Principal, RailwayFilter, Role};
use notchwatch_store::{Options, Store};
use notchwatch_web::{Reasons, Stages, WebLimits, WebOptions};
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

use crate::formula;

/// The administrator.
pub(crate) fn who() -> Result<Principal, Box<dyn Error>> {
    let railways = RailwayFilter::All;
    Ok(Principal { name: AccountName::new("asha")?, role: Role::Administrator, railways })
}

/// A fresh store in a folder.
pub(crate) async fn store(folder: &Path, readers: u32) -> Result<Store, Box<dyn Error>> {
    let url = format!("sqlite:{}", folder.join("made-up.sqlite").display());
    Ok(Store::open(&Options { url, readers }).await?)
}

/// A desk over the store, at which the administrator signs in with a password.
pub(crate) async fn desk(store: Store, password: &str) -> Result<Desk, Box<dyn Error>> {
    let library = Arc::new(notchwatch_findings::Library::builtin()?);
    let desk = Desk::new(store, Arc::new(formula::Wall), Arc::new(formula::Evidence), library);
    let Principal { name, role, railways } = who()?;
    let password = Some(password.to_owned());
    desk.put_account(&who()?, AccountChange { name, role, railways, enabled: true, password }).await?;
    Ok(desk)
}

/// The web side over it.
pub(crate) fn router(desk: Desk) -> axum::Router {
    let options = WebOptions {
        stages: watch::channel(Stages::default()).1,
        metrics: prometheus::Registry::new(),
        shutdown: CancellationToken::new(),
        health: watch::channel(Reasons::new()).1,
        behind_tls: false,
        limits: WebLimits::default(),
    };
    notchwatch_web::router(desk, options)
}
