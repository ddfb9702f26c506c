//! Oil samples: what they say alone makes one finding, joins one that it explains, and ends with a normal result.

use notchwatch_model::{Fact, FindingKind, OilResult, Verdict};

use super::*;

const SAMPLED: &str = "2026-11-01T08:00:00Z";
const KNOWN: &str = "2026-11-03T10:00:00Z";

impl Bench {
    /// A sample drawn at one time and known at another, each result as high or as usual.
    fn oil(&mut self, sampled: &str, known: &str, results: &[(&str, f64)]) -> Vec<MachinePart> {
        let results = results
            .iter()
            .map(|(quantity, value)| OilResult {
                quantity: (*quantity).to_owned(),
                value: *value,
                uom: if *value < 10.0 { "%" } else { "mg/kg" }.to_owned(),
                verdict: None,
            })
            .collect();
        self.fact(sampled, known, &Fact::OilSample { sample: String::new(), results })
    }

    fn fact(&mut self, held: &str, known: &str, fact: &Fact) -> Vec<MachinePart> {
        self.background.learn(time(held), fact);
        self.with(|findings, context| findings.learn(context, time(held), time(known), fact))
    }

    fn open(&self) -> Vec<MachinePart> {
        self.findings.open().collect()
    }
}

#[test]
fn wear_metals_alone_make_one_finding_explained_by_the_oil() {
    let mut bench = Bench::new();
    bench.oil(SAMPLED, KNOWN, &[("copper", 90.0), ("lead", 80.0), ("iron", 20.0), ("tin", 30.0)]);
    let open = bench.open();
    let [part] = open.as_slice() else { panic!("{open:#?}") };
    assert_eq!((part.kind, part.onset, part.opened), (FindingKind::Machine, time(SAMPLED), time(KNOWN)));
    assert_eq!(part.title, "Copper high in the oil sample of 2026-11-01 (90 mg/kg), and 2 more results");
    let first = &part.faults[0];
    assert_eq!(first.id.as_str(), "bearing-distress", "{:#?}", part.faults);
    let said = "lead high in the oil sample of 2026-11-01 (80 mg/kg)";
    assert!(first.supports.iter().any(|e| e.evidence == said), "{first:#?}");
    assert!(part.faults.iter().all(|f| f.id.as_str() != "sensor"), "no sensor has a part in it");
    assert!(part.priority <= Priority::High, "{}", part.priority);
    assert_eq!(part.time_to_limit_reason.as_deref(), Some("an oil sample alone tells no trend of a channel"));
}

#[test]
fn what_the_sample_does_not_condemn_makes_none() {
    let mut bench = Bench::new();
    bench.oil(SAMPLED, KNOWN, &[("iron", 30.0), ("fuel-dilution", 1.0), ("viscosity-100c", 14.0)]);
    let unnamed = OilResult {
        quantity: "zinc".to_owned(),
        value: 900.0,
        uom: "mg/kg".to_owned(),
        verdict: Some(Verdict::High),
    };
    bench.fact(SAMPLED, KNOWN, &Fact::OilSample { sample: String::new(), results: vec![unnamed] });
    bench.oil("2026-07-01T08:00:00Z", KNOWN, &[("fuel-dilution", 6.0)]);
    bench.oil("2026-10-20T08:00:00Z", KNOWN, &[("iron", 120.0)]);
    assert_eq!(bench.open(), [], "within limits, named by no fault, of last season, or older than one known");
}

#[test]
fn a_channel_that_moves_later_joins_what_the_oil_said() {
    let mut bench = Bench::new();
    bench.oil(SAMPLED, KNOWN, &[("iron", 120.0), ("chromium", 30.0)]);
    bench.raise("crankcase_pressure", SymptomKind::Drift, 90.0, "2026-11-20T05:00:00Z");
    let open = bench.open();
    let [part] = open.as_slice() else { panic!("{open:#?}") };
    assert_eq!(part.faults[0].id.as_str(), "ring-wear", "{:#?}", part.faults);
    assert!(part.title.starts_with("Crankcase pressure"), "{}", part.title);
}

#[test]
fn a_result_joins_the_finding_that_it_explains_and_opens_none() {
    let mut bench = Bench::new();
    bench.raise("oil_pressure", SymptomKind::Drift, -40_000.0, "2026-11-02T05:00:00Z");
    let changed = bench.oil(SAMPLED, KNOWN, &[("fuel-dilution", 6.0)]);
    let open = bench.open();
    let [part] = open.as_slice() else { panic!("{open:#?}") };
    assert!(changed.iter().all(|f| f.id == part.id));
    assert_eq!(part.faults[0].id.as_str(), "fuel-dilution", "{:#?}", part.faults);
}

#[test]
fn a_later_sample_tells_the_same_finding_on_or_ends_it() {
    let mut bench = Bench::new();
    bench.oil(SAMPLED, KNOWN, &[("water", 0.5)]);
    bench.oil("2026-11-10T08:00:00Z", "2026-11-12T08:00:00Z", &[("water", 0.7)]);
    let open = bench.open();
    let [part] = open.as_slice() else { panic!("{open:#?}") };
    assert_eq!((part.occurrence, part.onset), (1, time(SAMPLED)));
    assert_eq!(part.title, "Water high in the oil sample of 2026-11-10 (0.7 %)");
    bench.oil("2026-11-20T08:00:00Z", "2026-11-21T08:00:00Z", &[("water", 0.05)]);
    let ended = bench.tick("2026-11-22T09:00:00Z");
    assert_eq!(ended.last().and_then(|f| f.ended).map(|(_, how)| how), Some(Outcome::ReturnedToNormal));
}

#[test]
fn the_next_bad_sample_after_a_closed_finding_is_one_again_and_says_so() {
    let mut bench = Bench::new();
    let first = bench.oil(SAMPLED, KNOWN, &[("water", 0.5)]).pop().unwrap();
    bench.act(&first.id, Act::Close { outcome: Outcome::NoFaultFound, note: None });
    assert_eq!(bench.open(), []);
    bench.oil("2026-11-20T08:00:00Z", "2026-11-21T08:00:00Z", &[("water", 0.6)]);
    let open = bench.open();
    let [part] = open.as_slice() else { panic!("{open:#?}") };
    assert_eq!(part.again.as_ref().map(|earlier| &earlier.finding), Some(&first.id));
}
