//! The table of changes that are no faults: what was made of each.

use std::error::Error;

use demo_feed::Scenario;
use notchwatch_model::FindingKind;

use crate::fleet::benign::made;

/// Plays every change and prints what was made of it.
pub(crate) fn print(seed: u64, start: jiff::Timestamp) -> Result<(), Box<dyn Error>> {
    println!(
        "change: machine / sensor / data findings on a healthy unit (told as machine for a while); fault beside it"
    );
    let (mut machine, mut missed, mut played) = (0, 0, 0);
    for (change, seed) in Scenario::changes().into_iter().zip(seed..) {
        let made = made(change, seed, start)?;
        let by = |kind| made.count(kind);
        let fault = made.fault_after_h.map_or("MISSED".to_owned(), |h| format!("found after {h:.1} h"));
        println!(
            "  {}: {} / {} / {} ({}); {fault}; {} before it",
            made.name,
            by(FindingKind::Machine),
            by(FindingKind::Sensor),
            by(FindingKind::Data),
            made.told_machine,
            made.before
        );
        println!("      {}", made.played);
        for finding in &made.healthy {
            println!("      {}", crate::words(finding));
        }
        machine += by(FindingKind::Machine);
        missed += usize::from(made.fault_after_h.is_none());
        played += 1;
    }
    println!(
        "\n{played} changes, seeds from {seed}: {machine} machine findings; {missed} faults beside them missed"
    );
    Ok(())
}
