//! Spans, bounds and thinning of what is read for a picture.

use super::*;
use crate::{DeskError, MAX_TRACE_POINTS, MAX_TRACE_SPAN};

#[tokio::test]
async fn a_trace_begins_a_week_before_the_onset_is_folded_in_steps_and_thinned() {
    let office = Office::new().await;
    let who = administrator();
    let trace = office.desk.trace(&who, &id("f-northmoor"), &channel("oil_temp"), None).await.unwrap();
    let onset = time("2026-11-03T00:00:00Z");
    assert_eq!((trace.from, trace.to, trace.onset), (onset - Span::from_days(7), start(), Some(onset)));
    let spans = office.spans_asked();
    assert!(spans.iter().all(|(from, to)| *to - *from <= Span::from_days(7)), "{spans:?}");
    assert!(spans.is_sorted_by(|a, b| a.1 == b.0), "{spans:?}");
    assert_eq!(i64::try_from(trace.rows).unwrap(), (trace.to - trace.from).micros() / 60_000_000);
    assert!(trace.points.len() <= MAX_TRACE_POINTS);
    assert_eq!((trace.symptoms.len(), trace.channel.name.as_str()), (1, "oil_temp"));
}

#[tokio::test]
async fn a_trace_has_bounds_and_only_channels_of_the_class() {
    let office = Office::new().await;
    let who = administrator();
    let ask =
        async |name: &str, window| office.desk.trace(&who, &id("f-northmoor"), &channel(name), window).await;
    assert!(matches!(ask("no_such", None).await, Err(DeskError::NotFound)));
    for window in [(start(), start()), (start() - MAX_TRACE_SPAN - Span::from_secs(1), start())] {
        assert!(matches!(ask("oil_temp", Some(window)).await, Err(DeskError::Refused(_))));
    }
    office.set_time(start() + Span::from_days(400));
    let long = ask("oil_temp", None).await.unwrap();
    assert_eq!(long.to - long.from, MAX_TRACE_SPAN);
}

#[tokio::test]
async fn samples_and_rollups_have_bounds() {
    let office = Office::new().await;
    let (who, key, oil) = (administrator(), unit("northmoor"), channel("oil_temp"));
    let day = (start() - Span::from_days(1), start());
    let series = office.desk.samples(&who, &key, std::slice::from_ref(&oil), day.0, day.1).await.unwrap();
    assert_eq!((series.len(), series[0].uom.name(), series[0].points.len()), (1, "Cel", 0));
    let long =
        office.desk.samples(&who, &key, std::slice::from_ref(&oil), start() - Span::from_days(8), start());
    assert!(matches!(long.await, Err(DeskError::Refused(_))));
    let rollup = async |bucket| office.desk.rollup(&who, &key, &oil, day, bucket).await;
    assert_eq!(rollup(Span::from_mins(10)).await.unwrap(), vec![]);
    for bucket in [Span::ZERO, Span::from_secs(10)] {
        assert!(matches!(rollup(bucket).await, Err(DeskError::Refused(_))));
    }
}
