//! What happened to a unit, on one timeline: findings, engine fits, and the entries of other sources.

use jiff::tz::TimeZone;
use notchwatch_desk::{DeskError, TimelineSpan};
use notchwatch_model::{Finding, Outcome, Span, Time, Unit};

use crate::app::App;
use crate::console::format::{Stamp, stamp};
use crate::console::page::Visitor;

/// How far back it goes, in days.
pub(crate) const DAYS: i64 = 92;
/// Lines shown, the newest.
const MOST: usize = 200;

/// One line.
#[derive(Debug)]
pub(crate) struct Line {
    pub(crate) at: Stamp,
    pub(crate) kind: &'static str,
    pub(crate) what: String,
    /// The finding, when it is one.
    pub(crate) finding: String,
    pub(crate) by: String,
    pub(crate) withdrawn: bool,
}

/// Lines of the last [`DAYS`], the newest first.
pub(crate) async fn of(
    app: &App,
    visitor: &Visitor,
    unit: &Unit,
    findings: &[Finding],
    zone: &TimeZone,
) -> Result<Vec<Line>, DeskError> {
    let now = app.desk.now();
    let from = now - Span::from_days(DAYS);
    let line = |at: Time, kind, what: String, finding: String, by: String, withdrawn| {
        (at, Line { at: stamp(at, zone, now), kind, what, finding, by, withdrawn })
    };
    let none = String::new;
    let mut lines = Vec::new();
    for finding in findings {
        let (machine, id) = (&finding.machine, finding.machine.id.to_string());
        lines.push(line(machine.opened, "finding opened", machine.title.clone(), id.clone(), none(), false));
        if let Some((by, at, outcome)) = &finding.operator.closed {
            let what = format!("{}: {}", outcome.word(), machine.title);
            lines.push(line(*at, "finding closed", what, id, by.to_string(), false));
        } else if let Some((at, outcome)) = machine.ended {
            let what = format!("{}: {}", Outcome::word(outcome), machine.title);
            lines.push(line(at, "finding ended", what, id, none(), false));
        }
    }
    for fit in &unit.engines {
        lines.push(line(fit.from, "engine fitted", fit.serial.to_string(), none(), none(), false));
        lines.extend(
            fit.to.map(|at| line(at, "engine removed", fit.serial.to_string(), none(), none(), false)),
        );
    }
    let span = TimelineSpan { from, to: now + Span::from_mins(5), kind: None, withdrawn: true };
    let span = TimelineSpan { from: span.to - Span::from_days(DAYS), ..span };
    for entry in app.desk.unit_timeline(&visitor.who, &unit.key(), &span).await? {
        let by = entry.by.as_ref().map(ToString::to_string).unwrap_or_default();
        let word = entry.fact.kind().word();
        lines.push(line(entry.at, word, entry.fact.line(), none(), by, entry.withdrawn.is_some()));
    }
    lines.retain(|(at, _)| *at >= from);
    lines.sort_by_key(|(at, _)| std::cmp::Reverse(*at));
    lines.truncate(MOST);
    Ok(lines.into_iter().map(|(_, line)| line).collect())
}
