//! What an oil result means where the laboratory gives no verdict: condemning limits by quantity.
//!
//! The limits are common practice for medium-speed diesel engines, not of any maker; a laboratory that knows the oil and
//! the engine says better, so its verdict comes first.

use notchwatch_model::{OilResult, Verdict};

/// Quantity, unit of measure as laboratories write it, and the value from which it is high.
const HIGH_FROM: &[(&str, &str, f64)] = &[
    // Wear metals. Iron: liners, gears; copper, lead, tin: bearings; aluminium: pistons; chromium: rings.
    ("iron", "mg/kg", 75.0),
    ("copper", "mg/kg", 50.0),
    ("lead", "mg/kg", 50.0),
    ("tin", "mg/kg", 20.0),
    ("aluminium", "mg/kg", 20.0),
    ("chromium", "mg/kg", 15.0),
    // Dirt, and coolant's additives.
    ("silicon", "mg/kg", 20.0),
    ("sodium", "mg/kg", 75.0),
    ("water", "%", 0.2),
    ("glycol", "%", 0.05),
    ("fuel-dilution", "%", 4.0),
    ("soot", "%", 3.0),
];
/// Parts per million by mass, as other laboratories write it.
const SAME_AS_MG_KG: [&str; 2] = ["ppm", "mg/kg"];

/// The laboratory's verdict, or that of the limits; normal where neither says anything.
pub(crate) fn verdict(result: &OilResult) -> Verdict {
    let uom = |uom: &str| {
        uom == result.uom || (SAME_AS_MG_KG.contains(&uom) && SAME_AS_MG_KG.contains(&result.uom.as_str()))
    };
    let high = || {
        HIGH_FROM.iter().any(|(quantity, in_uom, from)| {
            *quantity == result.quantity && uom(in_uom) && result.value >= *from
        })
    };
    result.verdict.unwrap_or_else(|| if high() { Verdict::High } else { Verdict::Normal })
}

/// Whether a quantity may be judged without a laboratory's verdict.
#[cfg(test)]
pub(super) fn has_limit(quantity: &str) -> bool {
    HIGH_FROM.iter().any(|(of, _, _)| *of == quantity)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_laboratory_comes_before_the_limits() {
        let result = |value, uom: &str, verdict| OilResult {
            quantity: "iron".into(),
            value,
            uom: uom.into(),
            verdict,
        };
        assert_eq!(verdict(&result(80.0, "mg/kg", None)), Verdict::High);
        assert_eq!(verdict(&result(80.0, "ppm", None)), Verdict::High);
        assert_eq!(verdict(&result(80.0, "mg/kg", Some(Verdict::Normal))), Verdict::Normal);
        assert_eq!(
            verdict(&result(80.0, "%", None)),
            Verdict::Normal,
            "another unit of measure says nothing"
        );
        assert!(has_limit("water") && !has_limit("viscosity-100c"));
    }
}
