//! What the machine said anew with each version of a finding, in words.
//!
//! Owns the comparison of one version with the one told before it. A history without it only says that something moved.

use notchwatch_model::{MachinePart, Span, Time};
use notchwatch_store::HistoryEntry;

use crate::console::format;

/// A shift of the onset that is worth a word (ours: what a person would look up differs by a quarter of an hour).
const ONSET_TOLERANCE: Span = Span::from_mins(15);

/// What a line of a history adds when the machine spoke.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Told {
    /// Event time up to which it had judged.
    pub(crate) judged: Option<Time>,
    /// What is new, joined by semicolons; `None` when it is nothing that has a word.
    pub(crate) news: Option<String>,
}

/// For each entry of a history, oldest first, what the machine told anew with it.
pub(crate) fn told(history: &[HistoryEntry]) -> Vec<Told> {
    let mut before: Option<&MachinePart> = None;
    let each = history.iter().map(|entry| match entry {
        HistoryEntry::Decision(_) | HistoryEntry::Machine { machine: None, .. } => Told::default(),
        HistoryEntry::Machine { machine: Some(machine), .. } => {
            let news = news(before.replace(machine), machine);
            Told { judged: Some(machine.changed), news: (!news.is_empty()).then(|| news.join("; ")) }
        }
    });
    each.collect()
}

fn news(before: Option<&MachinePart>, now: &MachinePart) -> Vec<String> {
    let Some(before) = before else {
        return [
            Some(now.title.clone()),
            Some(format!("priority {}", now.priority.word())),
            fault(now),
            time(now),
        ]
        .into_iter()
        .flatten()
        .collect();
    };
    let mut news = Vec::new();
    if before.title != now.title {
        news.push(now.title.clone());
    }
    if before.kind != now.kind {
        news.push(format!("about {}, before about {}", now.kind.word(), before.kind.word()));
    }
    if before.priority != now.priority {
        news.push(format!("priority {}, before {}", now.priority.word(), before.priority.word()));
    }
    if now.occurrence > before.occurrence {
        news.push(format!("there again, occurrence {}", now.occurrence));
    } else if before.active && !now.active {
        news.push("no symptom lasts".to_owned());
    }
    let first = |part: &MachinePart| part.faults.first().map(|f| f.id.clone());
    if first(before) != first(now) {
        news.extend(fault(now));
    }
    let moved = (now.onset - before.onset).micros().abs();
    if moved > ONSET_TOLERANCE.micros() {
        news.push(format!("began {}", now.onset));
    }
    if time(before) != time(now) {
        let gone = || now.time_to_limit_reason.as_ref().map(|reason| format!("no time to a limit: {reason}"));
        news.extend(time(now).or_else(gone));
    }
    if let Some((_, outcome)) = now.ended.filter(|_| before.ended.is_none()) {
        news.push(format!("ended: {}", outcome.word()));
    }
    news
}

/// The explanation named first.
fn fault(part: &MachinePart) -> Option<String> {
    let first = part.faults.first()?;
    Some(format!("likeliest {}, {}", first.name, format::percent(first.probability)))
}

/// The time to a limit, counted from when it was foretold.
fn time(part: &MachinePart) -> Option<String> {
    let time = part.time_to_limit.as_ref()?;
    Some(format!(
        "{} in {} ({} to {}) from {}",
        time.limit,
        format::seconds(time.p50),
        format::seconds(time.p10),
        format::seconds(time.p90),
        time.from
    ))
}

#[cfg(test)]
mod tests {
    use notchwatch_model::{FindingKind, Outcome, Priority};
    use notchwatch_store::EventKind;

    use super::*;
    use crate::sample;

    fn entry(part: &MachinePart) -> HistoryEntry {
        let (at, kind) = (part.changed, EventKind::Revised);
        HistoryEntry::Machine { at, kind, version: 1, machine: Some(Box::new(part.clone())) }
    }

    #[test]
    fn each_version_says_what_the_one_before_did_not() {
        let first = sample::machine("northmoor", "4021", 1);
        let mut raised = first.clone();
        raised.priority = Priority::Critical;
        raised.faults.reverse();
        let mut doubted = raised.clone();
        doubted.kind = FindingKind::Sensor;
        doubted.time_to_limit = None;
        doubted.time_to_limit_reason = Some("what is measured is in doubt".into());
        let mut over = doubted.clone();
        over.active = false;
        over.ended = Some((over.changed, Outcome::ReturnedToNormal));
        let parts = [&first, &raised, &raised, &doubted, &over];
        let said: Vec<Option<String>> = told(&parts.map(entry)).into_iter().map(|t| t.news).collect();
        let opened = said[0].clone().unwrap();
        for word in [
            &first.title[..],
            "priority high",
            "likeliest Oil pump worn, 62 %",
            "oil_pressure low-idle in 9 d",
        ] {
            assert!(opened.contains(word), "{word}: {opened}");
        }
        let later: Vec<Option<&str>> = said.iter().skip(1).map(Option::as_deref).collect();
        assert_eq!(
            later,
            [
                Some("priority critical, before high; likeliest Fuel in the oil, 21 %"),
                None,
                Some("about sensor, before about machine; no time to a limit: what is measured is in doubt"),
                Some("no symptom lasts; ended: returned-to-normal"),
            ]
        );
    }
}
