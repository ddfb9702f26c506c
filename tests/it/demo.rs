//! The demonstration: one command, and what is wrong with which unit stands on the screen.

use std::process::Command;
use std::time::{Duration, Instant};

use tempfile::TempDir;

use crate::support::browser::Browser;
use crate::support::daemon::notchwatch;
use crate::support::eventually;
use crate::support::process::{Process, free_port};

/// How long the first lines may take.
const START: Duration = Duration::from_mins(1);
/// Bound on loading the history in an unoptimised build; what it took is printed.
const FIRST_FINDING: Duration = Duration::from_mins(6);

#[tokio::test(flavor = "multi_thread")]
async fn the_demonstration_brings_findings_to_the_screen() {
    let folder = TempDir::new().expect("a folder");
    let mut command = Command::new(notchwatch());
    command
        .args(["demo", "--listen", &format!("127.0.0.1:{}", free_port())])
        .arg("--data")
        .arg(folder.path().join("demo"));
    let began = Instant::now();
    let mut demo = Process::start(&mut command, &folder.path().join("demo.log"));
    let (address, password) = eventually("how to sign in", START, || {
        assert!(demo.ended().is_none(), "{}", demo.said());
        how_to_sign_in(&demo.said())
    });
    let browser = Browser::open(1280, 900).await;
    browser.page.goto(&address).await.expect("the page opens");
    for (field, text) in [("input[name=name]", "admin"), ("input[name=password]", password.as_str())] {
        browser.wait_for(field).await.send_keys(text).await.expect("the field takes text");
    }
    browser.wait_for("main button").await.click().await.expect("a click");
    the_first_minute_says_what_it_is(&browser, &address).await;
    browser.wait_for_within("#live-queue tr[data-href]", FIRST_FINDING).await;
    println!("the first finding was on the screen after {:.0?}, in this build", began.elapsed());
    browser.picture("demo-queue").await;
    browser.wait_for("#live-queue a.title").await.click().await.expect("a click");
    browser.wait_for("#picture .scatterlayer .trace path").await;
    browser.picture("demo-finding").await;
    let script = "return document.querySelectorAll('details .caution').length";
    let hidden = browser.page.execute(script, vec![]).await.expect("a script runs");
    assert_eq!(hidden, serde_json::json!(0), "a caution is never folded away");
    browser.wait_for(".fault .caution").await;
    let (violations, complaints) = (browser.violations().await, browser.complaints().await);
    assert!(violations.is_empty() && complaints.is_empty(), "{violations:#?} {complaints:#?}");
    browser.close().await;
    demo.signal("TERM");
    let status = demo.wait(Duration::from_secs(15));
    assert!(status.success(), "{status}: {}", demo.said());
}

/// While the history is read in, pages say so, and call no unit silent for it.
async fn the_first_minute_says_what_it_is(browser: &Browser, address: &str) {
    browser.wait_for("#live-backlog .behind").await;
    browser.page.goto(&format!("{address}/fleet")).await.expect("the fleet opens");
    browser.wait_for("#live-backlog .behind").await;
    browser.picture("demo-history").await;
    let script = "return [...document.querySelectorAll('td[data-head=Link]')].map(link => link.textContent)";
    let links = browser.page.execute(script, vec![]).await.expect("a script runs");
    let links = links.as_array().expect("a list");
    assert!(links.len() == 24 && links.iter().all(|link| link != "silent"), "{links:?}");
    browser.page.goto(&format!("{address}/queue")).await.expect("the queue opens");
}

/// The console's address and the administrator's password, from what the command prints.
fn how_to_sign_in(said: &str) -> Option<(String, String)> {
    let after = |word: &str| {
        let line = said.lines().find(|line| line.trim_start().starts_with(word))?;
        Some(line.trim_start().strip_prefix(word)?.trim().to_owned())
    };
    let password = after("sign in")?;
    let password = password.strip_prefix("admin / ")?.split_whitespace().next()?;
    Some((after("console")?, password.to_owned()))
}
