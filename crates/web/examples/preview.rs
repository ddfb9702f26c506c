//! Serves the console over a store in a temporary folder with made-up findings, to look at pages while working on them:
//! `cargo run -p notchwatch-web --example preview -- 127.0.0.1:8471`. Sign in as `asha` with the password it prints.

#[path = "preview/formula.rs"]
mod formula;
#[path = "preview/made_up.rs"]
mod made_up;
#[path = "preview/samples.rs"]
mod samples;

use std::error::Error;
use std::io::Write;
use std::sync::Arc;

use notchwatch_desk::{AccountChange, Desk};
use notchwatch_model::{AccountName, Principal, RailwayFilter, Role};
use notchwatch_store::{Options, Store};
use notchwatch_web::{Listener, Reasons, Stages, WebLimits, WebOptions, serve};
use tokio_util::sync::CancellationToken;

const PASSWORD: &str = "only for looking at pages";

#[tokio::main]
async fn main() -> Result<(), Box<dyn Error>> {
    let address = std::env::args().nth(1).unwrap_or_else(|| "127.0.0.1:8471".to_owned());
    let folder = tempfile::tempdir()?;
    let url = format!("sqlite:{}", folder.path().join("preview.sqlite").display());
    let store = Store::open(&Options { url, readers: 2 }).await?;
    let who = Principal {
        name: AccountName::new("asha")?,
        role: Role::Administrator,
        railways: RailwayFilter::All,
    };
    let now = made_up::now();
    store.put_register(&made_up::register()?, &who.name, now).await?;
    made_up::fill(&store, now).await?;
    samples::fill(&store, now).await?;
    let library = Arc::new(notchwatch_findings::Library::builtin()?);
    let clock = Arc::new(formula::Wall);
    let desk = Desk::new(store.clone(), clock, Arc::new(formula::Evidence), library);
    let change = AccountChange {
        name: who.name.clone(),
        role: who.role,
        railways: who.railways.clone(),
        enabled: true,
        password: Some(PASSWORD.to_owned()),
    };
    desk.put_account(&who, change).await?;
    made_up::decide(&desk, &who).await?;
    desk.record_health().await?;
    let (_health, watch) = tokio::sync::watch::channel(Reasons::new());
    let limits = WebLimits::default();
    let (_stages, stages) = tokio::sync::watch::channel(Stages::default());
    let options = WebOptions {
        stages,
        metrics: prometheus::Registry::new(),
        shutdown: CancellationToken::new(),
        health: watch,
        behind_tls: false,
        limits,
    };
    let socket = tokio::net::TcpListener::bind(&address).await?;
    writeln!(std::io::stdout(), "http://{}/  name asha, password {PASSWORD:?}", socket.local_addr()?)?;
    let router = notchwatch_web::router(desk, options);
    serve(Listener::new(socket, &limits), router, CancellationToken::new()).await;
    Ok(())
}
