//! Turing Change Point Dataset (van den Burg and Williams 2020): segmentation with hindsight against five people.
//!
//! F1 with a margin of five rows, precision against the union of all annotators, recall as their mean; and covering.
//! Row 0 counts as a change for everybody. The mean is over the univariate series without the quality controls.

use std::collections::{BTreeMap, BTreeSet};
use std::io;
use std::path::Path;

use super::figure::{Board, Figure, choose, real};
use super::run::{fail, files, text};

const MARGIN: usize = 5;
/// Prices of a change that cross-validation chooses from, one series left out; the default is 1.
const PRICES: [f64; 7] = [0.5, 0.7, 0.85, 1.0, 1.2, 1.5, 2.0];
const DEFAULT: usize = 3;

#[derive(serde::Deserialize)]
struct File {
    name: String,
    n_obs: usize,
    series: Vec<Series>,
}

#[derive(serde::Deserialize)]
struct Series {
    raw: Vec<Option<f64>>,
}

pub(crate) fn board(data: &Path) -> io::Result<Board> {
    let root = data.join("tcpd");
    let people: BTreeMap<String, BTreeMap<String, Vec<usize>>> =
        serde_json::from_str(&text(&root.join("annotations.json"))?)?;
    let mut notes =
        vec!["| series | F1 | cover | change points |".to_owned(), "| --- | --- | --- | --- |".to_owned()];
    // F1 and cover of each series at each price.
    let mut judged: Vec<[(f64, f64); PRICES.len()]> = Vec::new();
    for path in files(&root.join("datasets"), "json")? {
        let file: File = serde_json::from_str(&text(&path)?)?;
        let [series] = file.series.as_slice() else { continue };
        let truth: Vec<Vec<usize>> =
            people.get(&file.name).ok_or_else(|| fail(&file.name))?.values().cloned().collect();
        let n = file.n_obs;
        let at = |price: f64| -> (Vec<usize>, f64, f64) {
            let found = notchwatch_detect::segment_at(&series.raw, price);
            let kept: BTreeSet<usize> = found.iter().copied().filter(|c| (1..n - 1).contains(c)).collect();
            (found, f1(&truth, &kept), cover(&truth, &kept, n))
        };
        let (found, f1, cover) = at(1.0);
        notes.push(format!("| {} | {f1:.2} | {cover:.2} | {found:?} |", file.name));
        if !file.name.starts_with("quality_control") {
            judged.push(PRICES.map(|price| {
                let (_, f1, cover) = at(price);
                (f1, cover)
            }));
        }
    }
    let of = |series: usize, price: f64| {
        let at = PRICES.iter().position(|p| *p >= price).unwrap_or(DEFAULT);
        judged.get(series).and_then(|s| s.get(at)).copied().unwrap_or_default()
    };
    let chosen = choose(judged.len(), &PRICES, 1.0, |others, price| {
        others.iter().map(|s| of(*s, price).0).sum::<f64>()
    });
    let crossed: Vec<(f64, f64)> = chosen.iter().enumerate().map(|(s, price)| of(s, *price)).collect();
    let ours: Vec<(f64, f64)> = (0..judged.len()).map(|s| of(s, 1.0)).collect();
    let mean = |v: &[(f64, f64)], which: fn(&(f64, f64)) -> f64| {
        v.iter().map(which).sum::<f64>() / real(v.len().max(1))
    };
    let name = |what: &str| format!("Turing change points, {} series, {what}", ours.len());
    let figures = vec![
        Figure::high(&name("mean F1"), mean(&ours, |s| s.0), 0.83, "binseg .690, pelt .684; people .818")
            .crossed(mean(&crossed, |s| s.0)),
        Figure::high(&name("mean cover"), mean(&ours, |s| s.1), 0.75, "binseg .661, pelt .660; people .724")
            .crossed(mean(&crossed, |s| s.1)),
    ];
    Ok(Board { title: "Turing Change Point Dataset", figures, notes })
}

fn f1(people: &[Vec<usize>], found: &BTreeSet<usize>) -> f64 {
    let with_start = |set: &[usize]| set.iter().copied().chain([0]).collect::<BTreeSet<usize>>();
    let found: BTreeSet<usize> = found.iter().copied().chain([0]).collect();
    let union: BTreeSet<usize> = people.iter().flat_map(|p| with_start(p)).collect();
    let precision = real(matched(&union, &found)) / real(found.len());
    let recall =
        people.iter().map(|p| with_start(p)).map(|p| real(matched(&p, &found)) / real(p.len())).sum::<f64>()
            / real(people.len());
    if precision + recall > 0.0 { 2.0 * precision * recall / (precision + recall) } else { 0.0 }
}

/// True points that have an unused found point near, walked in order, each taking the nearest.
fn matched(truth: &BTreeSet<usize>, found: &BTreeSet<usize>) -> usize {
    let mut left = found.clone();
    let mut hit = 0;
    for point in truth {
        let near =
            left.iter().filter(|f| f.abs_diff(*point) <= MARGIN).min_by_key(|f| f.abs_diff(*point)).copied();
        if let Some(near) = near {
            left.remove(&near);
            hit += 1;
        }
    }
    hit
}

fn segments(changes: impl Iterator<Item = usize>, n: usize) -> Vec<(usize, usize)> {
    let inner: BTreeSet<usize> = changes.filter(|c| (1..n).contains(c)).collect();
    let bounds: Vec<usize> = [0].into_iter().chain(inner).chain([n]).collect();
    bounds.iter().copied().zip(bounds.iter().copied().skip(1)).collect()
}

fn cover(people: &[Vec<usize>], found: &BTreeSet<usize>, n: usize) -> f64 {
    let ours = segments(found.iter().copied(), n);
    let overlap = |(a, b): (usize, usize), (c, d): (usize, usize)| {
        let both = b.min(d).saturating_sub(a.max(c));
        real(both) / real(b.max(d) - a.min(c))
    };
    let of = |person: &Vec<usize>| {
        segments(person.iter().copied(), n)
            .into_iter()
            .map(|s| real(s.1 - s.0) * ours.iter().map(|o| overlap(s, *o)).fold(0.0, f64::max))
            .sum::<f64>()
            / real(n)
    };
    people.iter().map(of).sum::<f64>() / real(people.len())
}
