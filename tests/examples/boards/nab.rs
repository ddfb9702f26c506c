//! Numenta Anomaly Benchmark (Lavin and Ahmad 2015): streaming scores of single channels against labelled windows.
//!
//! A detection in a window earns more the earlier it comes, only the best of a window counts; one outside costs more
//! the farther it is behind a window. One threshold for all files, chosen to make the raw score largest, as the
//! benchmark does; beside it the score at the line of 0.6 from which a score is an event. The first 15 % of a file (750 rows at most) are not
//! scored.

use std::collections::BTreeMap;
use std::io;
use std::path::Path;

use super::figure::{Board, Figure};
use super::run::{fail, scores, table, text};

/// What a hit, a miss and a false row are worth.
#[derive(Clone, Copy)]
struct Profile {
    name: &'static str,
    miss: f64,
    false_row: f64,
    /// Best published on the whole corpus, and what is wanted.
    anchor: &'static str,
    want: f64,
}

const PROFILES: [Profile; 3] = [
    Profile { name: "standard", miss: 1.0, false_row: 0.11, anchor: "best on the board 74.85", want: 74.9 },
    Profile {
        name: "reward low FP",
        miss: 1.0,
        false_row: 0.22,
        anchor: "best on the board 66.98",
        want: 67.0,
    },
    Profile {
        name: "reward low FN",
        miss: 2.0,
        false_row: 0.11,
        anchor: "best on the board 80.36",
        want: 80.4,
    },
];
const PROBATION: f64 = 0.15;
const PROBATION_ROWS: f64 = 750.0;
/// A score from which a row begins an event, by the chain's own scale.
const EVENT: f64 = 0.6;

/// One row that counts: its score, its window if it lies in one, and its place's worth.
#[derive(Clone, Copy)]
struct Scored {
    score: f64,
    window: Option<(usize, usize)>,
    worth: f64,
}

/// The corpus scored: rows of each file, and how many windows lie in it.
struct Corpus {
    files: Vec<(String, Vec<Scored>, usize)>,
    /// Generated series with an event each, behind the files: a wider ground to choose on. Never counted in a score.
    generated: std::ops::Range<usize>,
}

/// Outcome at one threshold.
#[derive(Clone, Copy)]
struct Outcome {
    raw: f64,
    threshold: f64,
    hit: usize,
    false_rows: usize,
}

pub(crate) fn board(data: &Path) -> io::Result<Board> {
    let corpus = Corpus::read(&data.join("nab"), super::injected::scored(2)?)?;
    let all = corpus.all();
    let windows = corpus.windows(&all);
    let mut figures = Vec::new();
    let mut thresholds = Vec::new();
    for profile in PROFILES {
        let best = corpus.best(&all, profile);
        thresholds.push(best.threshold);
        let detail = format!(
            "threshold {:.3}; {} of {windows} windows hit, {} false rows",
            best.threshold, best.hit, best.false_rows
        );
        let name = format!("NAB, {} files, {}", all.len(), profile.name);
        let value = corpus.norm(best.raw, windows, profile);
        let crossed = corpus.left_out(profile);
        figures
            .push(Figure::high(&name, value, profile.want, profile.anchor).detail(detail).crossed(crossed));
    }
    for profile in PROFILES {
        let at = corpus.at(&all, profile, EVENT);
        let detail = format!("{} of {windows} windows hit, {} false rows", at.hit, at.false_rows);
        let value = corpus.norm(at.raw, windows, profile);
        let name = format!("... at the event line 0.6, {}", profile.name);
        figures.push(Figure::high(&name, value, profile.want, profile.anchor).detail(detail));
    }
    let mut notes = vec![
        "| file | score | windows hit | false rows |".to_owned(),
        "| --- | --- | --- | --- |".to_owned(),
    ];
    for (i, (name, _, windows)) in corpus.files.iter().enumerate().take(all.len()) {
        let threshold = thresholds.first().copied().unwrap_or(0.5);
        let [profile, ..] = PROFILES;
        let at = corpus.at(&[i], profile, threshold);
        let value = corpus.norm(at.raw, *windows, profile);
        let value = if *windows == 0 { "-".to_owned() } else { format!("{value:.1}") };
        notes.push(format!("| {name} | {value} | {}/{windows} | {} |", at.hit, at.false_rows));
        for (file, want, anchor) in [("machine_temp", 85.0, "82.0"), ("ambient_temp", 94.0, "94.1")] {
            if name.contains(file) {
                let best = corpus.best(&[i], profile);
                let detail = format!("{} of {windows} windows, {} false rows", best.hit, best.false_rows);
                let name = format!("NAB, {file}erature file alone");
                let value = corpus.norm(best.raw, *windows, profile);
                figures.push(Figure::high(&name, value, want, anchor).detail(detail));
            }
        }
    }
    Ok(Board { title: "Numenta Anomaly Benchmark", figures, notes })
}

impl Corpus {
    fn read(root: &Path, injected: Vec<super::injected::Injected>) -> io::Result<Self> {
        let labels: BTreeMap<String, Vec<(String, String)>> =
            serde_json::from_str(&text(&root.join("labels/combined_windows.json"))?)?;
        let mut files = Vec::new();
        for (number, (name, windows)) in labels.iter().enumerate() {
            let table = table(&root.join("data").join(name), Some(vec!["value".to_owned()]))?;
            let row_of = |label: &str| {
                let second = label.get(..19).unwrap_or(label);
                table.labels.iter().position(|l| l.starts_with(second)).ok_or_else(|| fail(label))
            };
            let mut ranges = Vec::new();
            for (from, to) in windows {
                ranges.push((row_of(from)?, row_of(to)?));
            }
            ranges.sort_unstable();
            let given = scores(&table, &[])?.all;
            files.push((name.clone(), place(&given, &ranges, number), 0));
        }
        let generated = files.len()..files.len() + injected.len();
        for one in injected {
            // As the benchmark makes its windows: a tenth of the rows, about the event.
            let half = one.scores.len() / 20;
            let window = (one.onset - half, (one.onset + half).min(one.scores.len() - 1));
            files.push((one.kind.to_owned(), place(&one.scores, &[window], files.len()), 0));
        }
        for (_, rows, windows) in &mut files {
            let seen: std::collections::BTreeSet<_> = rows.iter().filter_map(|r| r.window).collect();
            *windows = seen.len();
        }
        Ok(Self { files, generated })
    }

    /// The set's own files.
    fn all(&self) -> Vec<usize> {
        (0..self.generated.start).collect()
    }

    fn windows(&self, only: &[usize]) -> usize {
        only.iter().filter_map(|i| self.files.get(*i)).map(|f| f.2).sum()
    }

    /// Outcomes at every threshold, highest first.
    fn sweep(&self, only: &[usize], profile: Profile) -> Vec<Outcome> {
        let mut rows: Vec<Scored> =
            only.iter().filter_map(|i| self.files.get(*i)).flat_map(|f| f.1.iter().copied()).collect();
        rows.sort_by(|a, b| b.score.total_cmp(&a.score));
        let mut best_in: BTreeMap<(usize, usize), f64> = BTreeMap::new();
        let mut now =
            Outcome { raw: -profile.miss * count(self.windows(only)), threshold: 1.1, hit: 0, false_rows: 0 };
        let mut outcomes = vec![now];
        for row in rows {
            if row.score < now.threshold {
                outcomes.push(now);
                now.threshold = row.score;
            }
            match row.window {
                None => {
                    now.raw += profile.false_row * row.worth;
                    now.false_rows += 1;
                }
                Some(window) => {
                    let before = best_in.get(&window).copied().unwrap_or(-profile.miss);
                    if row.worth > before {
                        now.raw += row.worth - before;
                        best_in.insert(window, row.worth);
                    }
                    now.hit = best_in.len();
                }
            }
        }
        outcomes.push(now);
        outcomes
    }

    fn best(&self, only: &[usize], profile: Profile) -> Outcome {
        let all = self.sweep(only, profile);
        let first =
            all.first().copied().unwrap_or(Outcome { raw: 0.0, threshold: 1.1, hit: 0, false_rows: 0 });
        all.into_iter().fold(first, |best, o| if o.raw > best.raw { o } else { best })
    }

    fn at(&self, only: &[usize], profile: Profile, threshold: f64) -> Outcome {
        let all = self.sweep(only, profile);
        let none = Outcome { raw: 0.0, threshold: 1.1, hit: 0, false_rows: 0 };
        all.into_iter().rfind(|o| o.threshold >= threshold).unwrap_or(none)
    }

    /// Each group of files (a folder of the set) at the threshold that is best on all other groups and the generated
    /// series.
    fn left_out(&self, profile: Profile) -> f64 {
        let all = self.all();
        let group = |i: &usize| self.files.get(*i).and_then(|f| f.0.split('/').next()).unwrap_or_default();
        let groups: std::collections::BTreeSet<&str> = all.iter().map(group).collect();
        let raw: f64 = groups
            .iter()
            .map(|g| {
                let (inside, mut others): (Vec<usize>, Vec<usize>) = all.iter().partition(|i| group(i) == *g);
                others.extend(self.generated.clone());
                self.at(&inside, profile, self.best(&others, profile).threshold).raw
            })
            .sum();
        self.norm(raw, self.windows(&all), profile)
    }

    #[expect(clippy::unused_self, reason = "reads as a property of the corpus")]
    fn norm(&self, raw: f64, windows: usize, profile: Profile) -> f64 {
        100.0 * (raw + profile.miss * count(windows)) / ((1.0 + profile.miss) * count(windows))
    }
}

/// Rows after the probation with their place's worth.
fn place(scores: &[f64], ranges: &[(usize, usize)], file: usize) -> Vec<Scored> {
    let skip = (PROBATION * count(scores.len())).floor().min(PROBATION_ROWS);
    let rows = scores.iter().enumerate().map(|(i, score)| {
        let inside = ranges.iter().position(|(from, to)| (*from..=*to).contains(&i));
        let worth = match inside.and_then(|k| ranges.get(k)) {
            Some((from, to)) => sigmoid(-count(to - i + 1) / count(to - from + 1)) / sigmoid(-1.0),
            None => match ranges.iter().rfind(|(_, to)| *to < i) {
                Some((from, to)) => sigmoid(count(i - to) / count(to - from)),
                None => -1.0,
            },
        };
        Scored { score: *score, window: inside.map(|k| (file, k)), worth }
    });
    rows.enumerate().filter(|(i, _)| count(*i) >= skip).map(|(_, row)| row).collect()
}

/// The benchmark's scaled sigmoid, in widths of the window from its end.
fn sigmoid(position: f64) -> f64 {
    if position > 3.0 { -1.0 } else { 2.0 / (1.0 + (5.0 * position).exp()) - 1.0 }
}

fn count(n: usize) -> f64 {
    super::figure::real(n)
}
