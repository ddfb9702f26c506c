//! Text form of the fault library: TOML in, checked faults out, messages with the path of what is wrong.
//!
//! Owns the wire types and every check at load. The files of the built-in library are part of the program.

use std::collections::BTreeSet;

use notchwatch_model::{
    Consequence, Direction, FaultId, FindingKind, Rationale, Regime, SymptomKind, System, Urgency, Verdict,
};
use serde::Deserialize;

use super::{
    Check, Confusion, Course, Expected, Expects, Fault, Library, Named, NamedWhat, Often, Profile, Rarity,
    Share,
};

/// Why a library file cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{path}: {what}")]
pub struct LibraryError {
    /// File and place in it.
    pub path: String,
    /// What is wrong and what would be right.
    pub what: String,
}

/// The files of the built-in library, one a system.
const FILES: &[(&str, &str)] = &[
    ("lubrication.toml", include_str!("../../faults/lubrication.toml")),
    ("cooling.toml", include_str!("../../faults/cooling.toml")),
    ("air.toml", include_str!("../../faults/air.toml")),
    ("fuel.toml", include_str!("../../faults/fuel.toml")),
    ("cylinders.toml", include_str!("../../faults/cylinders.toml")),
    ("crankcase.toml", include_str!("../../faults/crankcase.toml")),
    ("electrical.toml", include_str!("../../faults/electrical.toml")),
    ("traction.toml", include_str!("../../faults/traction.toml")),
    ("air-supply.toml", include_str!("../../faults/air-supply.toml")),
    ("sensors.toml", include_str!("../../faults/sensors.toml")),
    ("work.toml", include_str!("../../faults/work.toml")),
];

/// Word that stands in `system` for faults of sensors and of the way of the data.
const SENSORS: &str = "sensors";

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct FileText {
    system: String,
    faults: Vec<FaultText>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct FaultText {
    id: String,
    #[serde(rename = "ref")]
    reference: String,
    about: Option<FindingKind>,
    name: String,
    rarity: Rarity,
    course: Course,
    urgency: String,
    cause: String,
    consequence: Consequence,
    otherwise: String,
    response: String,
    hours: f64,
    source: String,
    status: String,
    shows: Vec<ExpectedText>,
    #[serde(default)]
    evidence: Vec<NamedText>,
    #[serde(rename = "for")]
    supports: Vec<String>,
    against: Vec<String>,
    apart: Vec<ConfusionText>,
    checks: Vec<CheckText>,
    parts: Vec<String>,
    skills: Vec<String>,
    cautions: Vec<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ExpectedText {
    channel: String,
    expects: Option<ExpectsText>,
    #[serde(default)]
    kinds: Vec<SymptomKind>,
    share: Option<Share>,
    often: Often,
    #[serde(default)]
    states: Vec<Regime>,
    profile: Option<Profile>,
    within: Option<f64>,
}

#[derive(Clone, Copy, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum ExpectsText {
    Up,
    Down,
    Either,
    Offset,
    Same,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct NamedText {
    oil: Option<String>,
    is: Option<Verdict>,
    code: Option<Vec<String>>,
    after: Option<System>,
    #[serde(default)]
    standing: bool,
    often: Often,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ConfusionText {
    with: String,
    by: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct CheckText {
    act: String,
    stop: String,
}

pub(super) fn builtin() -> Result<Library, LibraryError> {
    parse(FILES.iter().copied())
}

pub(super) fn parse<'a>(
    files: impl IntoIterator<Item = (&'a str, &'a str)>,
) -> Result<Library, LibraryError> {
    let mut faults = Vec::new();
    for (name, text) in files {
        let file: FileText =
            toml::from_str(text).map_err(|e| wrong(name, e.to_string().trim_end().to_owned()))?;
        let system = system_of(name, &file.system)?;
        for fault in file.faults {
            let path = format!("{name}: faults.{}", fault.id);
            faults.push(convert(&path, system, fault)?);
        }
    }
    cross_check(&faults)?;
    Ok(Library { faults })
}

fn wrong(path: &str, what: impl Into<String>) -> LibraryError {
    LibraryError { path: path.to_owned(), what: what.into() }
}

fn system_of(file: &str, word: &str) -> Result<Option<System>, LibraryError> {
    if word == SENSORS {
        return Ok(None);
    }
    System::ALL.iter().copied().find(|s| s.word() == word).map(Some).ok_or_else(|| {
        let known: Vec<&str> = System::ALL.iter().map(|s| s.word()).collect();
        wrong(&format!("{file}: system"), format!("{word:?} is none of {SENSORS}, {}", known.join(", ")))
    })
}

/// What a fault is about: the machine where it belongs to a system of it, else a sensor unless it says the data.
fn about(path: &str, system: Option<System>, said: Option<FindingKind>) -> Result<FindingKind, LibraryError> {
    match (system, said) {
        (Some(_), None) => Ok(FindingKind::Machine),
        (None, None) => Ok(FindingKind::Sensor),
        (None, Some(FindingKind::Data)) => Ok(FindingKind::Data),
        _ => Err(wrong(&format!("{path}.about"), "only \"data\", and only under sensors".to_owned())),
    }
}

fn convert(path: &str, system: Option<System>, text: FaultText) -> Result<Fault, LibraryError> {
    let id = fault_id(&format!("{path}.id"), &text.id)?;
    check_reference(&format!("{path}.ref"), &text.reference)?;
    let texts = [
        ("name", &text.name),
        ("cause", &text.cause),
        ("otherwise", &text.otherwise),
        ("response", &text.response),
        ("source", &text.source),
        ("status", &text.status),
    ];
    for (field, value) in texts {
        filled(&format!("{path}.{field}"), value)?;
    }
    for (field, list) in [("for", &text.supports), ("against", &text.against), ("skills", &text.skills)] {
        if list.is_empty() {
            return Err(wrong(&format!("{path}.{field}"), "is empty: name one entry or more"));
        }
    }
    for (field, empty) in [("shows", text.shows.is_empty()), ("checks", text.checks.is_empty())] {
        if empty {
            return Err(wrong(&format!("{path}.{field}"), "is empty: name one entry or more"));
        }
    }
    let lists = [&text.supports, &text.against, &text.parts, &text.skills, &text.cautions];
    for entry in lists.into_iter().flatten() {
        filled(path, entry)?;
    }
    if !(text.hours.is_finite() && text.hours > 0.0) {
        return Err(wrong(&format!("{path}.hours"), "is a number above 0"));
    }
    let urgency: Urgency = text.urgency.parse().map_err(|e: String| wrong(&format!("{path}.urgency"), e))?;
    Ok(Fault {
        id,
        reference: text.reference,
        name: text.name,
        system,
        about: about(path, system, text.about)?,
        rarity: text.rarity,
        course: text.course,
        shows: each(path, "shows", text.shows, expected)?,
        evidence: each(path, "evidence", text.evidence, named)?,
        supports: text.supports,
        against: text.against,
        confusions: each(path, "apart", text.apart, confusion)?,
        checks: each(path, "checks", text.checks, check)?,
        urgency,
        rationale: Rationale {
            cause: text.cause,
            consequence: text.consequence,
            otherwise: text.otherwise,
            response: text.response,
            parts: text.parts,
            skills: text.skills,
            hours: text.hours,
        },
        cautions: text.cautions,
        source: text.source,
        status: text.status,
    })
}

fn each<T, U>(
    path: &str,
    field: &str,
    list: Vec<T>,
    convert: impl Fn(&str, T) -> Result<U, LibraryError>,
) -> Result<Vec<U>, LibraryError> {
    list.into_iter().enumerate().map(|(i, item)| convert(&format!("{path}.{field}[{i}]"), item)).collect()
}

fn fault_id(path: &str, text: &str) -> Result<FaultId, LibraryError> {
    let lower = text.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-');
    FaultId::new(text)
        .ok()
        .filter(|_| lower)
        .ok_or_else(|| wrong(path, format!("{text:?} is not short lower-case words joined by hyphens")))
}

fn check_reference(path: &str, text: &str) -> Result<(), LibraryError> {
    let mut letters = text.chars();
    let fits = letters.next().is_some_and(|c| c.is_ascii_uppercase())
        && !letters.as_str().is_empty()
        && letters.all(|c| c.is_ascii_digit());
    if fits { Ok(()) } else { Err(wrong(path, format!("{text:?} is not a key such as L1"))) }
}

fn filled(path: &str, text: &str) -> Result<(), LibraryError> {
    if text.trim().is_empty() || text.chars().any(char::is_control) {
        return Err(wrong(path, "holds a text that is empty or has control characters"));
    }
    Ok(())
}

fn expected(path: &str, text: ExpectedText) -> Result<Expected, LibraryError> {
    let stars = text.channel.matches('*').count();
    let rest = text.channel.bytes().all(|b| b.is_ascii_alphanumeric() || b"-._*".contains(&b));
    if stars > 1 || text.channel.is_empty() || !rest {
        return Err(wrong(
            &format!("{path}.channel"),
            format!("{:?} is not a channel name with at most one *", text.channel),
        ));
    }
    let expects = match (text.expects, text.kinds.is_empty()) {
        (Some(ExpectsText::Up), true) => Expects::Moves(Direction::Up),
        (Some(ExpectsText::Down), true) => Expects::Moves(Direction::Down),
        (Some(ExpectsText::Either), true) => Expects::Changes,
        (Some(ExpectsText::Offset), true) => Expects::Offset,
        (Some(ExpectsText::Same), true) => Expects::Same,
        (None, false) => Expects::Kinds(text.kinds),
        _ => {
            return Err(wrong(
                path,
                "names either expects (up, down, either, offset, same) or kinds, not both",
            ));
        }
    };
    let share = match (text.share, stars) {
        (Some(share), 1) => share,
        (None, 0) => Share::One,
        (None, _) => return Err(wrong(&format!("{path}.share"), "a pattern says one or most")),
        (Some(_), _) => return Err(wrong(&format!("{path}.share"), "a single channel has no share")),
    };
    if text.profile.is_some() && !matches!(expects, Expects::Moves(_) | Expects::Changes) {
        return Err(wrong(&format!("{path}.profile"), "only a level that moves has a profile"));
    }
    let moves = matches!(expects, Expects::Moves(_) | Expects::Changes);
    if text.within.is_some_and(|within| !(moves && within > 0.0 && within < 1.0)) {
        let what = "is a share of the range, above 0 and below 1, of a level that moves";
        return Err(wrong(&format!("{path}.within"), what));
    }
    let (often, profile, within) = (text.often, text.profile, text.within);
    Ok(Expected { channel: text.channel, expects, share, often, regimes: text.states, profile, within })
}

fn named(path: &str, text: NamedText) -> Result<Named, LibraryError> {
    let what = match (text.oil, text.code, text.after) {
        (None, None, None) if text.standing && text.is.is_none() => NamedWhat::Standing,
        _ if text.standing => return Err(wrong(path, "names standing beside something else")),
        (Some(quantity), None, None) => {
            let lower = |b: u8| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-';
            if quantity.is_empty() || !quantity.bytes().all(lower) {
                let what = format!("{quantity:?} is not lower-case words joined by hyphens");
                return Err(wrong(&format!("{path}.oil"), what));
            }
            let verdict = text.is.filter(|is| *is != Verdict::Normal);
            let verdict = verdict.ok_or_else(|| wrong(&format!("{path}.is"), "is high or low"))?;
            NamedWhat::Oil { quantity, verdict }
        }
        (None, Some(codes), None) if text.is.is_none() && !codes.is_empty() => NamedWhat::Code(codes),
        (None, None, Some(system)) if text.is.is_none() => NamedWhat::After(system),
        _ => return Err(wrong(path, "names exactly one of oil (with is), code, after and standing")),
    };
    Ok(Named { what, often: text.often })
}

fn confusion(path: &str, text: ConfusionText) -> Result<Confusion, LibraryError> {
    filled(&format!("{path}.by"), &text.by)?;
    Ok(Confusion { with: fault_id(&format!("{path}.with"), &text.with)?, by: text.by })
}

fn check(path: &str, text: CheckText) -> Result<Check, LibraryError> {
    filled(&format!("{path}.act"), &text.act)?;
    filled(&format!("{path}.stop"), &text.stop)?;
    Ok(Check { act: text.act, stop: text.stop })
}

/// What no fault can be checked for alone: ids used twice or for the ranking's own explanations, confusions with
/// faults that are not there.
fn cross_check(faults: &[Fault]) -> Result<(), LibraryError> {
    let mut known: BTreeSet<&str> = crate::rank::OWN_IDS.into_iter().collect();
    for fault in faults {
        if !known.insert(fault.id.as_str()) {
            return Err(wrong(&format!("faults.{}.id", fault.id), "is used twice or reserved"));
        }
    }
    for fault in faults {
        for other in &fault.confusions {
            if other.with == fault.id || !known.contains(other.with.as_str()) {
                let what = format!("{} is not another fault of the library", other.with);
                return Err(wrong(&format!("faults.{}.apart", fault.id), what));
            }
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests;
