//! The table of times to a limit: how often the crossing lay within what was told, and why none was told.

use std::collections::BTreeMap;

use crate::calibration::{Calibration, Told, calibration, told};
use crate::fleet::chain::Outcome;

/// Seconds in an hour.
const HOUR_S: f64 = 3600.0;

/// Prints it; with every fault's tellings when `each` is set.
pub(crate) fn print(outcome: &Outcome, each: bool) {
    let told = told(outcome);
    println!("\ntime to limit: {} faults crossed a limit", told.len());
    if each {
        told.iter().for_each(line);
    }
    match calibration(&told) {
        Some(figures) => print_figures(&figures),
        None => println!("  none of them had a time told before"),
    }
    let mut none: BTreeMap<&str, usize> = BTreeMap::new();
    for reason in told.iter().filter_map(|t| t.none.as_deref()) {
        *none.entry(reason).or_insert(0) += 1;
    }
    for (reason, count) in none {
        println!("  not told: {count}: {reason}");
    }
}

fn print_figures(c: &Calibration) {
    println!(
        "  told for {} of them ({} times, each fault weighs the same): within p10 to p90 {:.0} % (sooner {:.0} %, later {:.0} %), \
         before p50 {:.0} %, median relative error {:.0} %",
        c.faults,
        c.tellings,
        100.0 * c.within,
        100.0 * c.sooner,
        100.0 * c.later,
        100.0 * c.before_median,
        100.0 * c.error
    );
}

fn line(told: &Told<'_>) {
    let Some(limit) = &told.truth.limit else { return };
    let told_h: Vec<String> = told
        .tellings
        .iter()
        .map(|t| {
            format!(
                "{:.0} in {:.0}/{:.0}/{:.0}",
                t.truth / HOUR_S,
                t.p10 / HOUR_S,
                t.p50 / HOUR_S,
                t.p90 / HOUR_S
            )
        })
        .collect();
    let none = told.none.as_deref().unwrap_or_default();
    println!(
        "  {} {:?} {:.0} h, {} {}: {}{none}",
        told.truth.kind,
        told.truth.course,
        told.truth.over_h,
        limit.channel,
        limit.limit,
        told_h.join("; ")
    );
}
