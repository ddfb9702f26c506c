//! Skoltech Anomaly Benchmark: a pump rig, eight channels at 1 Hz, with labelled anomalies and change points.
//!
//! Rows after the first 400 of an experiment count. F1 of rows, with the share of false and of missed ones; and the
//! benchmark's change-point score, where a detection is the row at which the alarm of all channels together turns on or
//! off. That score alone can be gamed (an alarm a minute earns 61), so false detections stand beside it.

use std::io;
use std::path::Path;

use super::figure::{Board, Figure, LINES, choose, real};
use super::run::{ALARM, Scored, alarm, column, files, scores, table};

const LEARN: usize = 400;
/// Rows (seconds) after a change point in which it may be detected.
const WIDTH: usize = 60;
const FALSE: f64 = 0.11;
const GROUPS: [&str; 3] = ["valve1", "valve2", "other"];
const LABELS: [&str; 2] = ["anomaly", "changepoint"];

/// One experiment: what was labelled, and what the chain said.
struct Experiment {
    name: String,
    anomaly: Vec<bool>,
    change: Vec<bool>,
    scores: Vec<f64>,
    /// Its folder in the set.
    group: usize,
}

#[derive(Default)]
struct Count {
    hit: usize,
    false_rows: usize,
    missed: usize,
    calm: usize,
}

#[derive(Default)]
struct Changes {
    raw: f64,
    windows: usize,
    missed: usize,
    false_count: usize,
}

pub(crate) fn board(data: &Path) -> io::Result<Board> {
    let root = data.join("skab/data");
    let mut experiments = Vec::new();
    for (group, folder) in GROUPS.iter().enumerate() {
        for path in files(&root.join(folder), "csv")? {
            experiments.push(experiment(&path, group)?);
        }
    }
    let mut notes = vec![
        "| experiment | F1 | false rows % | change points missed | false |".to_owned(),
        "| --- | --- | --- | --- | --- |".to_owned(),
    ];
    let (mut rows, mut changes) = (Count::default(), Changes::default());
    for e in &experiments {
        let (mut own_rows, mut own_changes) = (Count::default(), Changes::default());
        own_rows.add(e, ALARM);
        rows.add(e, ALARM);
        own_changes.add(e, ALARM);
        changes.add(e, ALARM);
        notes.push(format!(
            "| {} | {:.2} | {:.1} | {} of {} | {} |",
            e.name,
            own_rows.f1(),
            own_rows.false_share(),
            own_changes.missed,
            own_changes.windows,
            own_changes.false_count
        ));
    }
    let (crossed_rows, crossed_changes) = crossed(&experiments);
    let n = experiments.len();
    let fair = 30.0 * real(n) / 34.0;
    let name = |what: &str| format!("SKAB, {n} experiments, {what}");
    let missed = format!("missed rows {:.1} %", rows.missed_share());
    let windows = format!("{} of {} change points missed", changes.missed, changes.windows);
    let mut figures = vec![
        Figure::high(&name("F1"), rows.f1(), 0.83, "best .78").detail(missed).crossed(crossed_rows.f1()),
        Figure::low(&name("false rows, %"), rows.false_share(), 14.0, "13.6 beside the best F1")
            .crossed(crossed_rows.false_share()),
        Figure::high(&name("change-point score"), changes.score(), 38.0, "best 32.4, with 173 false")
            .detail(windows)
            .crossed(crossed_changes.score()),
        Figure::low(&name("false change points"), real(changes.false_count), fair, "173 on 34")
            .crossed(real(crossed_changes.false_count)),
    ];
    if let Ok([path]) = files(&root.join("anomaly-free"), "csv").as_deref() {
        let calm = calm(&scores(&table(path, None)?, &LABELS)?);
        figures.push(Figure::low("SKAB without anomaly, rows in alarm, %", calm, 6.0, "none"));
    }
    Ok(Board { title: "Skoltech Anomaly Benchmark (pump rig)", figures, notes })
}

/// Each group of experiments at the alarm line whose F1 is best on the other groups.
fn crossed(experiments: &[Experiment]) -> (Count, Changes) {
    let lines = choose(GROUPS.len(), &LINES, ALARM, |others, line| {
        let mut rows = Count::default();
        experiments.iter().filter(|e| others.contains(&e.group)).for_each(|e| rows.add(e, line));
        rows.f1()
    });
    let (mut rows, mut changes) = (Count::default(), Changes::default());
    for e in experiments {
        let line = lines.get(e.group).copied().unwrap_or(ALARM);
        rows.add(e, line);
        changes.add(e, line);
    }
    (rows, changes)
}

fn calm(scored: &Scored) -> f64 {
    let on = scored.all.iter().filter(|s| alarm(**s)).count();
    100.0 * real(on) / real(scored.all.len().max(1))
}

fn experiment(path: &Path, group: usize) -> io::Result<Experiment> {
    let table = table(path, None)?;
    let labels = |name: &str| -> io::Result<Vec<bool>> {
        Ok(column(&table, name)?.iter().skip(LEARN).map(|v| v.is_some_and(|v| v > 0.5)).collect())
    };
    let scored = scores(&table, &LABELS)?;
    let parent = path.parent().and_then(Path::file_name).unwrap_or_default();
    let stem = path.file_stem().unwrap_or_default();
    Ok(Experiment {
        name: format!("{}/{}", parent.display(), stem.display()),
        anomaly: labels("anomaly")?,
        change: labels("changepoint")?,
        scores: scored.all.iter().skip(LEARN).copied().collect(),
        group,
    })
}

impl Count {
    fn add(&mut self, e: &Experiment, line: f64) {
        for (score, label) in e.scores.iter().zip(&e.anomaly) {
            let slot = match (*score >= line, *label) {
                (true, true) => &mut self.hit,
                (true, false) => &mut self.false_rows,
                (false, true) => &mut self.missed,
                (false, false) => &mut self.calm,
            };
            *slot += 1;
        }
    }

    fn f1(&self) -> f64 {
        let wrong = real(self.false_rows + self.missed) / 2.0;
        if self.hit == 0 { 0.0 } else { real(self.hit) / (real(self.hit) + wrong) }
    }

    fn false_share(&self) -> f64 {
        100.0 * real(self.false_rows) / real((self.false_rows + self.calm).max(1))
    }

    fn missed_share(&self) -> f64 {
        100.0 * real(self.missed) / real((self.missed + self.hit).max(1))
    }
}

impl Changes {
    fn add(&mut self, e: &Experiment, line: f64) {
        let at: Vec<usize> = e.change.iter().enumerate().filter_map(|(i, c)| c.then_some(i)).collect();
        let windows: Vec<(usize, usize)> = at
            .iter()
            .enumerate()
            .map(|(k, i)| {
                // Of two that overlap the later one starts where the earlier ends.
                let before = k.checked_sub(1).and_then(|j| at.get(j)).map_or(0, |j| j + WIDTH);
                let from = if k > 0 && before >= *i { before } else { *i };
                (from, i + WIDTH)
            })
            .collect();
        let alarm: Vec<bool> = e.scores.iter().map(|s| *s >= line).collect();
        let on = std::iter::once(false).chain(alarm.iter().copied());
        let flips: Vec<usize> =
            on.zip(&alarm).enumerate().filter_map(|(i, (a, b))| (a != *b).then_some(i)).collect();
        self.windows += windows.len();
        for flip in &flips {
            if !windows.iter().any(|(a, b)| (*a..=*b).contains(flip)) {
                self.raw -= FALSE;
                self.false_count += 1;
            }
        }
        for (from, to) in windows {
            if let Some(flip) = flips.iter().find(|f| (from..=to).contains(*f)) {
                self.raw += worth(real(flip - from) / real((to - from).max(1)));
            } else {
                self.raw -= 1.0;
                self.missed += 1;
            }
        }
    }

    fn score(&self) -> f64 {
        100.0 * (self.raw + real(self.windows)) / (2.0 * real(self.windows.max(1)))
    }
}

/// What a detection at this share of its window earns: 1 at once, the price of a false one at the end.
fn worth(share: f64) -> f64 {
    let step = (share * 1000.0).floor().min(999.0);
    let x = std::f64::consts::PI * (step / 999.0 - 0.5);
    let half = f64::midpoint(1.0, FALSE);
    half * (1.0 - x.tanh() / std::f64::consts::FRAC_PI_2.tanh()) - FALSE
}
