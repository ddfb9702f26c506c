//! The shape of the tree, as data: which crate may import which, what a source file looks like, what lies where.
//!
//! Reads manifests and sources as text. Refuses opinions that a lint already holds.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use crate::support::root;

/// Crates of ours that a crate may name in its dependencies. A crate that is not here has no place yet: give it one,
/// here and in DEVELOPERS.md.
const ARROWS: &[(&str, &[&str])] = &[
    ("model", &[]),
    ("wire", &["model"]),
    ("detect", &["model"]),
    ("findings", &["model"]),
    ("store", &["model"]),
    ("ingest", &["model", "wire", "store"]),
    ("evaluate", &["model", "wire", "detect", "findings", "store"]),
    ("desk", &["model", "findings", "store"]),
    ("web", &["model", "store", "desk"]),
    (
        "daemon",
        &["model", "wire", "detect", "findings", "store", "ingest", "evaluate", "desk", "web", "demo-feed"],
    ),
    ("demo-feed", &[]),
    ("tests", &[]),
];

/// What a crate never names, whatever its version or features: the *never* of the crate map.
const NEVER: &[(&str, &[&str])] = &[
    ("model", &["tokio", "futures", "axum", "sqlx", "rumqttc"]),
    ("wire", &["tokio", "futures", "axum", "sqlx", "rumqttc"]),
    ("detect", &["tokio", "futures", "axum", "sqlx", "rumqttc", "rand", "getrandom"]),
    ("findings", &["tokio", "futures", "axum", "sqlx", "rumqttc", "rand", "getrandom"]),
    ("store", &["axum", "rumqttc"]),
    ("ingest", &["axum", "sqlx"]),
    ("evaluate", &["axum", "rumqttc", "sqlx"]),
    ("desk", &["axum", "sqlx", "rumqttc"]),
    ("web", &["sqlx", "rumqttc"]),
    ("daemon", &["sqlx"]),
    ("demo-feed", &["sqlx", "axum"]),
];

/// Names at the top of the tree, and what only appears there on a machine that built or ran something.
const TOP: &[&str] = &[
    ".ci",
    ".gitattributes",
    ".gitignore",
    "CHANGELOG.md",
    "Cargo.lock",
    "Cargo.toml",
    "DEVELOPERS.md",
    "LICENSE",
    "README.md",
    "clippy.toml",
    "crates",
    "demo-feed",
    "deny.toml",
    "deploy",
    "migrations",
    "rustfmt.toml",
    "tests",
];
const TOP_UNTRACKED: &[&str] = &[".git", "target", "node_modules"];

/// Marks of unfinished work, written apart so that this file does not hold them.
const MARKS: &[&str] = &[
    concat!("TO", "DO"),
    concat!("FIX", "ME"),
    concat!("XX", "X:"),
    concat!("-PEND", "ING"),
    concat!("todo", "!("),
    concat!("unimplemented", "!("),
    concat!("dbg", "!("),
    concat!("#[ign", "ore"),
    concat!("#[all", "ow("),
    concat!("#![all", "ow("),
];

/// Dependencies by crate of ours, `dependencies` and `build-dependencies` together, and `dev-dependencies` apart.
struct Manifest {
    name: String,
    built: BTreeSet<String>,
    tested: BTreeSet<String>,
}

impl Manifest {
    fn parse(name: &str, text: &str) -> Self {
        let table: toml::Table = text.parse().expect("a manifest is TOML");
        let mut built = names(&table, &["dependencies", "build-dependencies"]);
        if let Some(targets) = table.get("target").and_then(toml::Value::as_table) {
            for target in targets.values().filter_map(toml::Value::as_table) {
                built.extend(names(target, &["dependencies", "build-dependencies"]));
            }
        }
        Self { name: name.to_owned(), built, tested: names(&table, &["dev-dependencies"]) }
    }

    /// Every edge that the picture does not hold.
    fn forbidden(&self) -> Vec<String> {
        let Some((_, allowed)) = ARROWS.iter().find(|(name, _)| *name == self.name) else {
            return vec![format!("{} has no place in the crate map", self.name)];
        };
        let never = NEVER.iter().find(|(name, _)| *name == self.name).map_or(&[][..], |(_, list)| list);
        let mut found = Vec::new();
        for edge in &self.built {
            if let Some(ours) = ours(edge)
                && !allowed.contains(&ours)
            {
                found.push(format!("{} must not import {ours}", self.name));
            }
            if never.contains(&edge.as_str()) {
                found.push(format!("{} must never import {edge}", self.name));
            }
        }
        if self.tested.contains("notchwatch-daemon") {
            found.push(format!("{} imports the daemon in its tests", self.name));
        }
        if self.name == "demo-feed" && self.tested.iter().any(|edge| ours(edge).is_some()) {
            found.push(
                "demo-feed shares nothing with the crates it tests, in its own tests neither".to_owned(),
            );
        }
        found
    }
}

fn ours(dependency: &str) -> Option<&str> {
    dependency.strip_prefix("notchwatch-").or((dependency == "demo-feed").then_some(dependency))
}

/// Names of the packages in the tables, a rename's package rather than its alias.
fn names(table: &toml::Table, keys: &[&str]) -> BTreeSet<String> {
    keys.iter()
        .filter_map(|key| table.get(*key)?.as_table())
        .flatten()
        .map(|(alias, value)| value.get("package").and_then(toml::Value::as_str).unwrap_or(alias).to_owned())
        .collect()
}

fn manifests() -> Vec<Manifest> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(root().join("crates")).expect("crates/ is there") {
        let path = entry.expect("an entry").path();
        let name = path.file_name().and_then(|n| n.to_str()).expect("a crate's folder").to_owned();
        found.push((name, path.join("Cargo.toml")));
    }
    found.push(("demo-feed".to_owned(), root().join("demo-feed/Cargo.toml")));
    found.push(("tests".to_owned(), root().join("tests/Cargo.toml")));
    found.iter().map(|(name, path)| Manifest::parse(name, &read(path))).collect()
}

fn read(path: &Path) -> String {
    std::fs::read_to_string(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

/// Files below the folders that hold our own text, build output and packages left out.
fn files(extensions: &[&str]) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut open: Vec<PathBuf> = ["crates", "demo-feed", "deploy", "migrations", "tests", ".ci"]
        .iter()
        .map(|d| root().join(d))
        .collect();
    while let Some(folder) = open.pop() {
        for entry in std::fs::read_dir(&folder).unwrap_or_else(|e| panic!("{}: {e}", folder.display())) {
            let path = entry.expect("an entry").path();
            let name = path.file_name().and_then(|n| n.to_str()).unwrap_or_default();
            if path.is_dir() {
                if !["target", "corpus", "artifacts", "artefacts", "node_modules"].contains(&name) {
                    open.push(path);
                }
            } else if extensions.iter().any(|e| path.extension().is_some_and(|x| x == *e)) {
                found.push(path);
            }
        }
    }
    found.sort();
    found
}

fn shown(path: &Path) -> String {
    path.strip_prefix(root()).unwrap_or(path).display().to_string()
}

#[test]
fn crates_import_along_the_arrows_only() {
    let forbidden: Vec<String> = manifests().iter().flat_map(Manifest::forbidden).collect();
    assert!(forbidden.is_empty(), "{forbidden:#?}");
}

#[test]
fn a_forbidden_edge_is_found() {
    let cases = [
        ("store", "[dependencies]\naxum = '0.8'", "store must never import axum"),
        ("detect", "[dependencies]\nnotchwatch-findings.workspace = true", "detect must not import findings"),
        ("web", "[target.'cfg(unix)'.dependencies]\nsqlx.workspace = true", "web must never import sqlx"),
        ("desk", "[dependencies]\nx = { package = 'sqlx', version = '0.9' }", "desk must never import sqlx"),
        (
            "web",
            "[dev-dependencies]\nnotchwatch-daemon.workspace = true",
            "web imports the daemon in its tests",
        ),
        ("gateway", "", "gateway has no place in the crate map"),
    ];
    for (name, text, expected) in cases {
        assert_eq!(Manifest::parse(name, text).forbidden(), [expected], "{name}: {text}");
    }
}

#[test]
fn the_arrows_have_no_circle() {
    let mut rest: BTreeMap<&str, &[&str]> = ARROWS.iter().copied().collect();
    while !rest.is_empty() {
        let leaves: Vec<&str> = rest
            .iter()
            .filter(|(_, edges)| edges.iter().all(|e| !rest.contains_key(e)))
            .map(|(name, _)| *name)
            .collect();
        assert!(!leaves.is_empty(), "a circle among {rest:?}");
        rest.retain(|name, _| !leaves.contains(name));
    }
}

#[test]
fn every_source_file_says_first_what_it_owns() {
    let silent: Vec<String> =
        files(&["rs"]).iter().filter(|f| !read(f).starts_with("//!")).map(|f| shown(f)).collect();
    assert!(silent.is_empty(), "these files do not open with a module comment: {silent:#?}");
}

#[test]
fn no_unfinished_work_is_left() {
    let mut found = Vec::new();
    for file in files(&["rs", "toml", "sql", "sh", "py", "js", "css", "html", "md"]) {
        for (line, text) in read(&file).lines().enumerate() {
            for mark in MARKS.iter().filter(|mark| text.contains(**mark)) {
                found.push(format!("{}:{}: {mark}", shown(&file), line + 1));
            }
        }
    }
    assert!(found.is_empty(), "{found:#?}");
}

#[test]
fn the_top_of_the_tree_holds_only_what_belongs_there() {
    let names: BTreeSet<String> = std::fs::read_dir(root())
        .expect("the tree")
        .map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned())
        .filter(|name| !TOP_UNTRACKED.contains(&name.as_str()))
        .collect();
    let expected: BTreeSet<String> = TOP.iter().map(|name| (*name).to_owned()).collect();
    let strange: Vec<&String> = names.difference(&expected).collect();
    let missing: Vec<&String> = expected.difference(&names).collect();
    assert!(strange.is_empty() && missing.is_empty(), "strange: {strange:?}, missing: {missing:?}");
}

#[test]
fn api_and_console_do_not_import_each_other() {
    let web = root().join("crates/web/src");
    let crossing: Vec<String> = files(&["rs"])
        .iter()
        .filter_map(|file| {
            let place = file.strip_prefix(&web).ok()?.to_string_lossy().into_owned();
            let (own, other) = if place.starts_with("api") { ("api", "console") } else { ("console", "api") };
            let text = read(file);
            let names_it =
                text.contains(&format!("crate::{other}")) || text.contains(&format!("super::{other}"));
            (place.starts_with(own) && names_it).then_some(place)
        })
        .collect();
    assert!(crossing.is_empty(), "{crossing:?}");
}

#[test]
fn both_engines_have_the_same_migrations() {
    let of = |engine: &str| -> BTreeSet<String> {
        std::fs::read_dir(root().join("migrations").join(engine))
            .unwrap_or_else(|e| panic!("migrations/{engine}: {e}"))
            .map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned())
            .collect()
    };
    let sqlite = of("sqlite");
    assert!(!sqlite.is_empty());
    assert_eq!(sqlite, of("postgres"));
}

/// The table of cases from the field promises a test for each; one that is renamed or gone must be renamed there.
#[test]
fn every_test_that_the_field_cases_name_is_there() {
    let table = read(&root().join("tests/doc/field-cases.md"));
    let sources = files(&["rs"]);
    let modules: BTreeSet<&str> = sources.iter().filter_map(|file| file.file_stem()?.to_str()).collect();
    let texts: Vec<String> = sources.iter().map(|file| read(file)).collect();
    let named: Vec<&str> = table
        .split('`')
        .skip(1)
        .step_by(2)
        .filter(|name| !name.contains('/') && (name.contains("::") || name.contains('_')))
        .filter_map(|name| name.rsplit("::").next().filter(|last| !last.is_empty()))
        .collect();
    let there =
        |name: &str| modules.contains(name) || texts.iter().any(|t| t.contains(&format!("fn {name}(")));
    let missing: Vec<&&str> = named.iter().filter(|name| !there(name)).collect();
    assert!(named.len() > 40 && missing.is_empty(), "of {} names: {missing:?}", named.len());
}
