//! What the machine said anew with each version of a finding, in words.
//!
//! Owns the comparison of one version with the one told before it. A history without it only says that something moved.

use notchwatch_model::{Direction, MachinePart, Span, Symptom, Time};
use notchwatch_store::HistoryEntry;

use crate::console::format;

/// A shift of the onset that is worth a word (ours: what a person would look up differs by a quarter of an hour).
const ONSET_TOLERANCE: Span = Span::from_mins(15);
/// Most symptoms of one version that are named (ours: a line of a history holds as many).
const MOST_NAMED: usize = 3;

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
    news.extend(shows(before, now));
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

/// Symptoms that were not there before, the strongest first.
fn shows(before: &MachinePart, now: &MachinePart) -> Option<String> {
    let new = |symptom: &&Symptom| before.symptoms.iter().all(|known| known.id() != symptom.id());
    let all: Vec<String> = now.symptoms.iter().filter(new).map(|symptom| name(before, symptom)).collect();
    let (named, others) = all.split_at(all.len().min(MOST_NAMED));
    let others = match others.len() {
        0 => String::new(),
        1 => " and 1 other".to_owned(),
        number => format!(" and {number} others"),
    };
    (!named.is_empty()).then(|| format!("now shows {}{others}", named.join(", ")))
}

/// Channel, kind and way of a new symptom. One like it had ended before this one began, or it is the same, whose detection was
/// moved by what came late.
fn name(before: &MachinePart, symptom: &Symptom) -> String {
    let same = |known: &&Symptom| {
        (&known.channel, known.kind, known.direction) == (&symptom.channel, symptom.kind, symptom.direction)
    };
    let way = match symptom.direction {
        Direction::None => String::new(),
        way => format!(" {}", way.word()),
    };
    let ended = |known: &Symptom| !before.lasting.contains(&known.id()) || known.detected < symptom.onset;
    let known = match before.symptoms.iter().find(same) {
        None => String::new(),
        Some(known) if ended(known) => " again".to_owned(),
        Some(_) => format!(" (detected {})", symptom.detected),
    };
    format!("{} {}{way}{known}", symptom.channel, symptom.kind.word())
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
    use notchwatch_model::{FindingKind, Outcome, Priority, SymptomKind};
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

    fn symptom(channel: &str, kind: SymptomKind, detected: Time) -> Symptom {
        let like = sample::machine("northmoor", "4021", 1).symptoms[0].clone();
        Symptom { channel: channel.parse().unwrap(), kind, onset: detected, detected, ..like }
    }

    fn later(before: &MachinePart, news: &[Symptom]) -> Option<String> {
        let mut now = before.clone();
        now.symptoms
            .retain(|known| news.iter().all(|s| (&s.channel, s.kind) != (&known.channel, known.kind)));
        now.symptoms.extend_from_slice(news);
        now.lasting = now.symptoms.iter().map(Symptom::id).collect();
        told(&[entry(before), entry(&now)]).pop().unwrap().news
    }

    #[test]
    fn symptoms_that_a_version_shows_anew_are_named() {
        let first = sample::machine("northmoor", "4021", 1);
        let at = first.changed;
        assert_eq!(later(&first, &[]), None);
        let drift = symptom("oil_temp", SymptomKind::Drift, at);
        let stuck = Symptom { direction: Direction::None, ..symptom("oil_temp", SymptomKind::Stuck, at) };
        assert_eq!(
            later(&first, &[drift.clone(), stuck.clone()]).as_deref(),
            Some("now shows oil_temp drift down, oil_temp stuck")
        );
        let all = |count: usize| {
            let limits = ["a", "b", "c"].map(|name| symptom(name, SymptomKind::Limit, at));
            let all: Vec<Symptom> =
                [drift.clone(), stuck.clone()].into_iter().chain(limits).take(count).collect();
            later(&first, &all).unwrap()
        };
        let three = "now shows oil_temp drift down, oil_temp stuck, a limit down";
        assert_eq!(
            [all(3), all(4), all(5)],
            ["", " and 1 other", " and 2 others"].map(|rest| format!("{three}{rest}"))
        );
    }

    #[test]
    fn a_symptom_is_there_again_when_one_like_it_had_ended() {
        let lasts = sample::machine("northmoor", "4021", 1);
        let mut ended = lasts.clone();
        ended.lasting.clear();
        let known = lasts.symptoms[0].clone();
        let anew = symptom("oil_pressure", SymptomKind::LevelShift, lasts.changed);
        let again = Some("now shows oil_pressure level-shift down again");
        assert_eq!(later(&ended, std::slice::from_ref(&anew)).as_deref(), again);
        assert_eq!(
            later(&lasts, std::slice::from_ref(&anew)).as_deref(),
            again,
            "its end was no event of its own"
        );
        let up = Symptom { direction: Direction::Up, ..anew.clone() };
        assert_eq!(later(&ended, &[up]).as_deref(), Some("now shows oil_pressure level-shift up"));
        let moved = Symptom { onset: known.onset, ..anew };
        let detected = format!("now shows oil_pressure level-shift down (detected {})", lasts.changed);
        assert_eq!(later(&lasts, &[moved]), Some(detected));
    }
}
