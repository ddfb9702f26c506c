//! A real browser: Chromium behind its own driver, pictures of pages, an accessibility scan, the browser's log.
//!
//! Owns what is the same for every page. Refuses to know a page: selectors stand in the tests.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;
use std::time::Duration;

use fantoccini::{Client, ClientBuilder, Locator};
use hyper_util::client::legacy::connect::HttpConnector;
use serde_json::{Value, json};
use tempfile::TempDir;

use super::process::{Process, free_port, program, wait_for_port};
use super::root;

/// How long the driver may take to start, and a page to become what is waited for.
const START: Duration = Duration::from_secs(20);
const PAGE: Duration = Duration::from_secs(30);
/// The rules that the scan applies: WCAG 2.0 to 2.2 at levels A and AA, and axe's own best practices.
const RULES: &str = r#"["wcag2a","wcag2aa","wcag21a","wcag21aa","wcag22aa","best-practice"]"#;
/// The scanner, from its registry, in one stated major version.
const AXE: &str = "axe-core@4";

/// A browser window.
#[derive(Debug)]
pub(crate) struct Browser {
    pub(crate) page: Client,
    driver: Process,
    url: String,
    _folder: TempDir,
}

impl Browser {
    /// Opens a window of the stated size, in CSS pixels.
    pub(crate) async fn open(width: u32, height: u32) -> Self {
        let folder = TempDir::new().expect("a folder for the browser");
        let port = free_port();
        let mut command = Command::new(program("chromedriver"));
        command.arg(format!("--port={port}"));
        let driver = Process::start(&mut command, &folder.path().join("driver.log"));
        wait_for_port(port, START);
        let args = [
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-quic",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--force-device-scale-factor=1",
            &format!("--window-size={width},{height}"),
            &format!("--user-data-dir={}", folder.path().join("profile").display()),
        ];
        let capabilities = json!({
            "goog:chromeOptions": { "binary": program("chromium"), "args": args },
            "goog:loggingPrefs": { "browser": "ALL" },
        });
        let url = format!("http://127.0.0.1:{port}");
        let page = ClientBuilder::new(HttpConnector::new())
            .capabilities(capabilities.as_object().expect("an object").clone())
            .connect(&url)
            .await
            .expect("the browser opens");
        Self { page, driver, url, _folder: folder }
    }

    /// Waits until something that matches the CSS selector is there.
    pub(crate) async fn wait_for(&self, selector: &str) -> fantoccini::elements::Element {
        self.wait_for_within(selector, PAGE).await
    }

    /// As [`Browser::wait_for`], with a bound of its own.
    pub(crate) async fn wait_for_within(
        &self,
        selector: &str,
        within: Duration,
    ) -> fantoccini::elements::Element {
        match self.page.wait().at_most(within).for_element(Locator::Css(selector)).await {
            Ok(element) => element,
            Err(e) => panic!("waited for {selector}: {e}\n{}", self.page.source().await.unwrap_or_default()),
        }
    }

    /// Waits until the text of what matches the selector holds the words.
    pub(crate) async fn wait_for_text(&self, selector: &str, words: &str) {
        let ask = "const found = document.querySelectorAll(arguments[0]); \
                   return Array.from(found, e => e.innerText.toLowerCase()).join('\\n');";
        let until = std::time::Instant::now() + PAGE;
        loop {
            let text = self.page.execute(ask, vec![json!(selector)]).await.expect("a script runs");
            let text = text.as_str().unwrap_or_default();
            if text.contains(&words.to_lowercase()) {
                return;
            }
            assert!(
                std::time::Instant::now() < until,
                "waited for {words:?} in {selector}, which says {text:?}"
            );
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
    }

    /// Keeps a picture of the page among the artefacts.
    pub(crate) async fn picture(&self, name: &str) {
        let folder = root().join("tests/artefacts");
        std::fs::create_dir_all(&folder).expect("a folder for pictures");
        let png = self.page.screenshot().await.expect("a picture");
        std::fs::write(folder.join(format!("{name}.png")), png).expect("the picture is kept");
    }

    /// Violations that the accessibility scan finds, a line each.
    pub(crate) async fn violations(&self) -> Vec<String> {
        let source = std::fs::read_to_string(axe()).expect("the scanner's source");
        self.page.execute(&source, vec![]).await.expect("the scanner loads");
        let scan = format!(
            "const done = arguments[arguments.length - 1]; \
             axe.run(document, {{ runOnly: {RULES} }}).then(r => done(r.violations), e => done([{{ id: String(e) }}]));"
        );
        let found = self.page.execute_async(&scan, vec![]).await.expect("the scan ends");
        found.as_array().expect("a list").iter().map(violation).collect()
    }

    /// What the browser has logged since it was last asked: errors and warnings, refused loads among them.
    pub(crate) async fn complaints(&self) -> Vec<String> {
        let entries = self.driver_command("se/log", &json!({ "type": "browser" })).await;
        let entries = entries.as_array().expect("log entries").clone();
        entries
            .iter()
            .filter(|entry| entry["level"] == "SEVERE" || entry["level"] == "WARNING")
            .map(|entry| entry["message"].as_str().unwrap_or_default().to_owned())
            .collect()
    }

    /// Renders for a dark or light screen, as the system of the person at it would ask.
    pub(crate) async fn prefer(&self, scheme: &str) {
        let features = json!([{ "name": "prefers-color-scheme", "value": scheme }]);
        let body = json!({ "cmd": "Emulation.setEmulatedMedia", "params": { "features": features } });
        self.driver_command("goog/cdp/execute", &body).await;
    }

    /// A command of the driver that the client library does not know.
    async fn driver_command(&self, command: &str, body: &Value) -> Value {
        let session = self.page.session_id().await.expect("a session").expect("an open session");
        let path = format!("{}/session/{session}/{command}", self.url);
        let mut answer = ureq::post(&path).send_json(body).expect("the driver answers");
        let answer: Value = answer.body_mut().read_json().expect("JSON");
        answer["value"].clone()
    }

    /// Closes the window, then the driver.
    pub(crate) async fn close(mut self) {
        self.page.clone().close().await.expect("the browser closes");
        self.driver.kill();
    }
}

fn violation(found: &Value) -> String {
    let nodes = found["nodes"].as_array().map(Vec::as_slice).unwrap_or_default();
    let places: Vec<String> =
        nodes.iter().map(|n| format!("{} {}", n["target"], n["failureSummary"])).collect();
    format!("{}: {} ({})", found["id"], found["help"], places.join("; "))
}

/// The scanner's script, fetched once into the build folder.
fn axe() -> &'static Path {
    static SCRIPT: OnceLock<PathBuf> = OnceLock::new();
    SCRIPT.get_or_init(|| {
        let folder = root().join("target/tools/axe");
        let script = folder.join("node_modules/axe-core/axe.min.js");
        if !script.is_file() {
            std::fs::create_dir_all(&folder).expect("a folder for the scanner");
            let status = Command::new(program("npm"))
                .args(["install", "--no-save", "--no-audit", "--no-fund", "--silent", "--prefix"])
                .arg(&folder)
                .arg(AXE)
                .status()
                .expect("npm runs");
            assert!(status.success(), "npm install {AXE}: {status}");
        }
        script
    })
}

#[tokio::test]
async fn the_scan_and_the_log_find_what_is_wrong() {
    let browser = Browser::open(800, 600).await;
    let page = "data:text/html,<html lang=en><title>t</title><main><h1>t</h1><img src=x:></main>\
                <script>console.error('seen')</script>";
    browser.page.goto(page).await.expect("the page opens");
    let violations = browser.violations().await;
    assert!(violations.iter().any(|v| v.contains("image-alt")), "{violations:?}");
    let complaints = browser.complaints().await;
    assert!(complaints.iter().any(|c| c.contains("seen")), "{complaints:?}");
    browser.close().await;
}
