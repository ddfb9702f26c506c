//! How a grade went: recorded grades as a stepped line from 0 to 1.
//!
//! Owns its geometry. A grade holds until the next is recorded; while it was not known nothing is drawn.

use notchwatch_model::Time;
use notchwatch_store::HealthRecord;

/// Width and height of the drawing, and the room above and below.
const WIDTH: f64 = 160.0;
const HEIGHT: f64 = 24.0;
const MARGIN: f64 = 2.0;
/// Shortest run drawn: what was recorded a moment ago is a short stroke, so that it can be seen at all.
const SHORTEST: f64 = 3.0;

/// What is drawn.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(crate) struct GradeLine {
    /// One line for each run in which the grade was known.
    pub(crate) lines: Vec<String>,
    /// Least and last recorded, in words.
    pub(crate) words: String,
}

/// The line of one part between two times; `None` when it was not recorded with a grade.
pub(crate) fn grade_line(
    records: &[HealthRecord],
    part: &str,
    (from, to): (Time, Time),
) -> Option<GradeLine> {
    let whole = (to - from).secs_f64();
    let x = |time: Time| ((time - from).secs_f64() / whole).clamp(0.0, 1.0) * WIDTH;
    let y = |grade: u16| HEIGHT - MARGIN - f64::from(grade) / 1000.0 * (HEIGHT - 2.0 * MARGIN);
    let grade = |r: &HealthRecord| r.parts.get(part).and_then(|mark| mark.grade);
    let ends = records.iter().skip(1).map(|r| r.at).chain([to]);
    let steps: Vec<(Time, Time, Option<u16>)> =
        records.iter().zip(ends).map(|(r, end)| (r.at, end, grade(r))).collect();
    let known = || steps.iter().filter_map(|s| s.2);
    let (least, newest) = (known().min()?, known().next_back()?);
    let lines = steps.chunk_by(|a, b| a.2.is_some() == b.2.is_some()).filter_map(|run| {
        let until = run.last().map_or(0.0, |(_, end, _)| x(*end));
        let corners: Vec<String> = run
            .iter()
            .enumerate()
            .filter_map(|(place, (begin, end, grade))| Some((place, x(*begin), x(*end), y((*grade)?))))
            .map(|(place, begin, end, y)| {
                let begin = if place == 0 { begin.min((until - SHORTEST).max(0.0)) } else { begin };
                format!("{begin:.1},{y:.1} {end:.1},{y:.1}")
            })
            .collect();
        (!corners.is_empty()).then(|| corners.join(" "))
    });
    let part = |grade: u16| f64::from(grade) / 1000.0;
    let words = format!("least {:.2}, last {:.2}", part(least), part(newest));
    Some(GradeLine { lines: lines.collect(), words })
}

#[cfg(test)]
mod tests {
    use notchwatch_model::{Span, UnitKey};
    use notchwatch_store::HealthMark;

    use super::*;

    fn record(day: i64, grade: Option<u16>) -> HealthRecord {
        let mark = HealthMark { grade, confidence: 1000, at_most: false, why: String::new() };
        HealthRecord {
            unit: UnitKey { railway: "northmoor".parse().unwrap(), unit: "1".parse().unwrap() },
            at: Time::EPOCH + Span::from_days(day),
            engine: None,
            parts: [("unit".to_owned(), mark)].into(),
        }
    }

    #[test]
    fn a_grade_holds_until_the_next_and_what_was_not_known_is_not_drawn() {
        let records = [record(0, Some(1000)), record(2, None), record(4, Some(500)), record(6, Some(0))];
        let span = (Time::EPOCH, Time::EPOCH + Span::from_days(8));
        let drawn = grade_line(&records, "unit", span).unwrap();
        assert_eq!(drawn.lines, ["0.0,2.0 40.0,2.0", "80.0,12.0 120.0,12.0 120.0,22.0 160.0,22.0"]);
        assert_eq!(drawn.words, "least 0.00, last 0.00");
        let new = (Time::EPOCH, Time::EPOCH + Span::from_micros(records[3].at.micros() + 1));
        let fresh = grade_line(&records[3..], "unit", new).unwrap();
        assert_eq!(fresh.lines, ["157.0,22.0 160.0,22.0"], "recorded a moment ago");
        assert_eq!(grade_line(&records, "engine", span), None);
        assert_eq!(grade_line(&[], "unit", span), None);
    }
}
