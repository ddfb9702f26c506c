//! Results of oil samples as symptoms: what a fault of the library names is evidence enough for a finding.
//!
//! Owns which results count and their form as a symptom, whose channel no class has. Refuses to say what a result means
//! without a laboratory: `background` does.

use std::collections::BTreeMap;

use notchwatch_model::{
    ChannelName, Class, Direction, OilResult, Span, Symptom, SymptomKind, System, Time, Uom, Verdict,
};

use crate::Context;
use crate::background::oil::verdict;
use crate::group::system_of;
use crate::library::{Fault, Library, NamedWhat};

/// A result counts this long before it is known: laboratories take days, and what was in the oil a season ago says nothing
/// of now.
const COUNTS: Span = Span::from_days(60);
/// Begin of the name that a quantity has as a symptom's channel.
const CHANNEL: &str = "oil-sample.";

/// What a result does to findings.
pub(crate) enum Says {
    /// It is out of the ordinary as some fault of the library names it.
    Raises(Symptom),
    /// It is normal: what an earlier sample said is over.
    Clears(Symptom),
}

/// Reads a result of a sample drawn at `sampled` that is known at `at`. `None` when it is old, when a later one is known, or
/// when no fault names it.
pub(crate) fn says(context: &Context<'_>, sampled: Time, at: Time, result: &OilResult) -> Option<Says> {
    let newest = context.background.oil(&result.quantity, sampled).is_none_or(|known| known.at <= sampled);
    if !newest || sampled < at - COUNTS {
        return None;
    }
    let direction = match verdict(result) {
        Verdict::High => Direction::Up,
        Verdict::Low => Direction::Down,
        Verdict::Normal => Direction::None,
    };
    let symptom = Symptom {
        channel: ChannelName::new(&format!("{CHANNEL}{}", result.quantity)).ok()?,
        kind: SymptomKind::OilSample,
        direction,
        size: 0.0,
        uom: Uom::NONE,
        spreads: 0.0,
        onset: sampled,
        detected: at,
        probability: 1.0,
        states: vec![],
        model: "oil sample".to_owned(),
        numbers: BTreeMap::from([("result".to_owned(), result.value)]),
    };
    if direction == Direction::None {
        return Some(Says::Clears(symptom));
    }
    let known = context.library.faults().iter().any(|fault| named(fault, &symptom).is_some());
    known.then_some(Says::Raises(symptom))
}

/// Quantity of a symptom that an oil sample gave.
pub(crate) fn quantity(symptom: &Symptom) -> Option<&str> {
    let of_oil = symptom.kind == SymptomKind::OilSample;
    of_oil.then(|| symptom.channel.as_str().strip_prefix(CHANNEL)).flatten()
}

/// Place among a fault's evidence of the entry that names what the symptom says.
pub(crate) fn named(fault: &Fault, symptom: &Symptom) -> Option<usize> {
    let of = quantity(symptom)?;
    let wanted = match symptom.direction {
        Direction::Up => Verdict::High,
        Direction::Down => Verdict::Low,
        Direction::None => return None,
    };
    fault.evidence.iter().position(
        |e| matches!(&e.what, NamedWhat::Oil { quantity, verdict } if quantity == of && *verdict == wanted),
    )
}

/// Whether one fault names what the oil says and explains another symptom too, of the oil or of a channel.
pub(crate) fn tied(library: &Library, oil: &Symptom, other: &Symptom) -> bool {
    library.faults().iter().any(|fault| {
        let explains = || match quantity(other) {
            Some(_) => named(fault, other).is_some(),
            None => crate::rank::moves_as(fault, other),
        };
        named(fault, oil).is_some() && explains()
    })
}

/// System that a symptom belongs to: a sample of oil is lubrication's.
pub(crate) fn system(class: &Class, symptom: &Symptom) -> System {
    match quantity(symptom) {
        Some(_) => System::Lubrication,
        None => system_of(class, &symptom.channel),
    }
}

/// The symptom in words, such as `Iron high in the oil sample of 2026-11-01 (80 mg/kg)`.
pub(crate) fn words(context: &Context<'_>, symptom: &Symptom) -> Option<String> {
    let of = quantity(symptom)?;
    let known = context.background.oil(of, symptom.onset).map(crate::background::Known::words);
    let text =
        known.unwrap_or_else(|| format!("{} out of the ordinary in an oil sample", of.replace('-', " ")));
    let mut letters = text.chars();
    letters.next().map(|first| first.to_uppercase().chain(letters).collect())
}
