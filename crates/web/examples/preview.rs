//! Serves the console over a store in a temporary folder with made-up findings, to look at pages while working on them:
//! `cargo run -p notchwatch-web --example preview -- 127.0.0.1:8471`. Sign in as `asha` with the password it prints.

#[path = "preview/formula.rs"]
mod formula;
#[path = "preview/made_up.rs"]
mod made_up;
#[path = "preview/samples.rs"]
mod samples;
#[path = "preview/stand.rs"]
mod stand;

use std::error::Error;
use std::io::Write;

use notchwatch_web::{Listener, WebLimits, serve};
use tokio_util::sync::CancellationToken;

const PASSWORD: &str = "only for looking at pages";

#[tokio::main]
async fn main() -> Result<(), Box<dyn Error>> {
    let address = std::env::args().nth(1).unwrap_or_else(|| "127.0.0.1:8471".to_owned());
    let folder = tempfile::tempdir()?;
    let store = stand::store(folder.path(), 2).await?;
    let who = stand::who()?;
    let now = made_up::now();
    store.put_register(&made_up::register()?, &who.name, now).await?;
    made_up::fill(&store, now).await?;
    samples::fill(&store, now).await?;
    let desk = stand::desk(store, PASSWORD).await?;
    made_up::decide(&desk, &who).await?;
    desk.record_health().await?;
    let socket = tokio::net::TcpListener::bind(&address).await?;
    writeln!(std::io::stdout(), "http://{}/  name asha, password {PASSWORD:?}", socket.local_addr()?)?;
    let listener = Listener::new(socket, &WebLimits::default());
    serve(listener, stand::router(desk), CancellationToken::new()).await;
    Ok(())
}
