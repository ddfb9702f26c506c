//! The timeline in the ranking: what it says moves faults that name it, and nothing else.

use notchwatch_model::{Activity, Fact, FindingKind, OilResult, RankedFault, SymptomKind, Verdict};

use super::super::tests::explained;
use super::*;
use crate::testing::{class, symptom, time};

const AT: &str = "2026-11-03T05:00:00Z";

fn oil(quantity: &str, verdict: Verdict) -> Fact {
    let result = OilResult { quantity: quantity.into(), value: 6.0, uom: "%".into(), verdict: Some(verdict) };
    Fact::OilSample { sample: String::new(), results: vec![result] }
}

fn work(system: System) -> Fact {
    Fact::Maintenance {
        activity: Activity::Replace,
        system: Some(system),
        item: "injector 4".into(),
        channels: vec![],
        text: String::new(),
    }
}

/// Explanations of a slow fall of oil pressure, with one fact on the timeline.
fn ranked(fact: Option<(&str, Fact)>) -> Vec<RankedFault> {
    let mut background = Background::default();
    if let Some((at, fact)) = fact {
        background.learn(time(at), &fact);
    }
    let fall = symptom("oil_pressure", SymptomKind::Drift, -40_000.0, AT);
    explained(&class(), &background, FindingKind::Machine, &[fall])
}

fn share(found: &[RankedFault], id: &str) -> f64 {
    found.iter().find(|f| f.id.as_str() == id).map_or(0.0, |f| f.probability)
}

#[test]
fn fuel_in_the_oil_puts_dilution_first_and_says_why() {
    let before = ranked(None);
    assert_eq!(before[0].id.as_str(), "oil-pump-wear");
    let found = ranked(Some(("2026-11-01T00:00:00Z", oil("fuel-dilution", Verdict::High))));
    assert_eq!(found[0].id.as_str(), "fuel-dilution", "{found:#?}");
    let said = "fuel dilution high in the oil sample of 2026-11-01 (6 %)";
    assert!(
        found[0].supports.iter().any(|e| e.evidence == said && e.weight > 2.0),
        "{:#?}",
        found[0].supports
    );
}

#[test]
fn a_normal_result_speaks_against_and_a_missing_one_would_decide() {
    let (before, after) =
        (ranked(None), ranked(Some(("2026-11-01T00:00:00Z", oil("fuel-dilution", Verdict::Normal)))));
    assert!(share(&after, "fuel-dilution") < share(&before, "fuel-dilution"));
    let dilution = before.iter().find(|f| f.id.as_str() == "fuel-dilution").unwrap();
    let wanted = "fuel dilution high in an oil sample would speak for it";
    assert!(dilution.decides.iter().any(|d| d == wanted), "{:?}", dilution.decides);
}

#[test]
fn what_is_old_or_on_another_system_says_nothing() {
    let before = ranked(None);
    for (at, fact) in [
        ("2026-08-20T00:00:00Z", oil("fuel-dilution", Verdict::High)),
        ("2026-11-02T00:00:00Z", work(System::Traction)),
        ("2026-10-20T00:00:00Z", work(System::Fuel)),
        ("2026-11-20T00:00:00Z", work(System::Fuel)),
        ("2026-11-02T00:00:00Z", Fact::Software { version: "4.1".into() }),
    ] {
        let said = format!("{fact:?}");
        assert_eq!(ranked(Some((at, fact))), before, "{said}");
    }
    let after = ranked(Some(("2026-11-02T00:00:00Z", work(System::Fuel))));
    assert!(share(&after, "fuel-dilution") > share(&before, "fuel-dilution"));
}
