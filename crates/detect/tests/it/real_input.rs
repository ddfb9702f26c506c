//! The chain on public data: a pump rig's experiments and engines run to failure.
//!
//! The data folder is named by the environment variable `NOTCHWATCH_DATA`; without it these checks say so and pass.
//! Sources: Skoltech Anomaly Benchmark (pump rig, 1 Hz, labelled), NASA C-MAPSS FD001 (run to failure, hourly here).

use std::path::{Path, PathBuf};

use notchwatch_detect::Settings;
use notchwatch_detect::examine::{Examined, Examiner};
use notchwatch_model::{Change, FindingKind, Row, Span, Time};

#[expect(
    clippy::disallowed_methods,
    reason = "tests find their data by this variable; nothing else reads it"
)]
pub(crate) fn data() -> Option<PathBuf> {
    let folder = std::env::var("NOTCHWATCH_DATA").ok().map(PathBuf::from).filter(|p| p.is_dir());
    if folder.is_none() {
        println!("skipped: NOTCHWATCH_DATA names no folder with public data");
    }
    folder
}

fn epoch() -> Time {
    Time::from_secs_f64(1_767_225_600.0).unwrap()
}

/// Raised machine symptoms by row, and for each row whether a symptom lasted.
fn examine(headers: &[&str], rows: &[Vec<f64>], interval: Span) -> (Vec<usize>, Vec<bool>) {
    let mut examiner = Examiner::generic(headers, &Settings::default()).unwrap();
    let (mut raised, mut on) = (Vec::new(), Vec::new());
    let mut time = epoch();
    for (i, values) in rows.iter().enumerate() {
        let row = Row { time, values: values.iter().map(|v| Some(*v)).collect() };
        let Examined { changes, all, .. } = examiner.row(&row);
        assert!(all.is_finite());
        let machine = |c: &&notchwatch_model::SymptomChange| {
            c.change == Change::Raised && c.symptom.kind.about() == FindingKind::Machine
        };
        for change in changes.iter().filter(machine) {
            raised.push(i);
            if detail() {
                let s = &change.symptom;
                println!(
                    "  row {i}: {} {} {:.1} spreads {:?}",
                    s.channel,
                    s.kind.word(),
                    s.spreads,
                    s.numbers
                );
            }
        }
        on.push(all >= 0.5);
        time = time + interval;
    }
    (raised, on)
}

#[expect(clippy::disallowed_methods, reason = "a switch for people who look at a run")]
fn detail() -> bool {
    std::env::var("NOTCHWATCH_DETAIL").is_ok()
}

struct Experiment {
    headers: Vec<String>,
    rows: Vec<Vec<f64>>,
    anomaly: Vec<bool>,
}

fn experiment(path: &Path) -> Experiment {
    let text = std::fs::read_to_string(path).unwrap();
    let mut lines = text.lines();
    let headers: Vec<String> = lines.next().unwrap().split(';').skip(1).take(8).map(str::to_owned).collect();
    let (mut rows, mut anomaly) = (Vec::new(), Vec::new());
    for line in lines.filter(|l| !l.is_empty()) {
        let cells: Vec<&str> = line.split(';').collect();
        rows.push(cells.iter().skip(1).take(8).map(|c| c.parse().unwrap()).collect());
        anomaly.push(cells.get(9).is_some_and(|c| c.parse::<f64>().unwrap() > 0.5));
    }
    Experiment { headers, rows, anomaly }
}

fn files(folder: &Path, suffix: &str) -> Vec<PathBuf> {
    let mut found: Vec<PathBuf> = std::fs::read_dir(folder)
        .unwrap()
        .map(|e| e.unwrap().path())
        .filter(|p| p.to_string_lossy().ends_with(suffix))
        .collect();
    found.sort();
    found
}

#[test]
fn pump_rig_changes_are_met() {
    let Some(data) = data() else { return };
    let (mut met, mut outside, mut count) = (0, 0, 0);
    let (mut hit, mut false_rows, mut missed, mut calm) = (0_u32, 0_u32, 0_u32, 0_u32);
    for group in ["valve1", "valve2", "other"] {
        for path in files(&data.join("skab/data").join(group), ".csv") {
            let e = experiment(&path);
            let headers: Vec<&str> = e.headers.iter().map(String::as_str).collect();
            let (raised, on) = examine(&headers, &e.rows, Span::from_secs(1));
            count += 1;
            let inside = raised.iter().filter(|i| e.anomaly[**i]).count();
            met += u32::from(inside > 0);
            outside += raised.len() - inside;
            for (on, label) in on.iter().zip(&e.anomaly).skip(400) {
                match (on, label) {
                    (true, true) => hit += 1,
                    (true, false) => false_rows += 1,
                    (false, true) => missed += 1,
                    (false, false) => calm += 1,
                }
            }
            println!("{}: {inside} inside, {} outside", path.display(), raised.len() - inside);
        }
    }
    let f1 = f64::from(2 * hit) / f64::from(2 * hit + false_rows + missed);
    println!("pump rig: {met} of {count} changes met, {outside} symptoms outside");
    println!(
        "rows from 400 on: F1 {f1:.3}, false {:.3}",
        f64::from(false_rows) / f64::from(false_rows + calm)
    );
    assert!(met * 10 >= count * 7, "{met} of {count}");
}

#[test]
fn engines_are_warned_before_they_fail() {
    let Some(data) = data() else { return };
    let text = std::fs::read_to_string(data.join("cmapss/train_FD001_engines_1_50.txt")).unwrap();
    let mut engines: std::collections::BTreeMap<u32, Vec<Vec<f64>>> = std::collections::BTreeMap::new();
    for line in text.lines().filter(|l| !l.trim().is_empty()) {
        let cells: Vec<f64> = line.split_whitespace().map(|c| c.parse().unwrap()).collect();
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a small whole number")]
        engines.entry(cells[0] as u32).or_default().push(cells[5..26].to_vec());
    }
    let headers: Vec<String> = (1..=21).map(|i| format!("s{i}")).collect();
    let headers: Vec<&str> = headers.iter().map(String::as_str).collect();
    let mut leads = Vec::new();
    let mut early = 0;
    for (engine, rows) in &engines {
        let (raised, _) = examine(&headers, rows, Span::from_hours(1));
        let first = raised.first().copied();
        println!("engine {engine}: life {}, first symptom at {first:?}, {} in all", rows.len(), raised.len());
        if let Some(first) = first {
            leads.push(rows.len() - first);
            early += u32::from(first * 10 < rows.len() * 4);
        }
    }
    leads.sort_unstable();
    println!(
        "engines: {} of {} warned, median lead {:?} cycles, {early} alarmed in the first 40 % of life",
        leads.len(),
        engines.len(),
        leads.get(leads.len() / 2)
    );
    assert!(leads.len() * 10 >= engines.len() * 9);
    assert!(early * 10 <= u32::try_from(engines.len()).unwrap());
}
