//! Acts that change which findings a matter is told in: merge, split, reopen.
//!
//! Owns when they make sense and how the findings are linked. What becomes of the symptoms is the fold's: it reads the
//! same decisions.

use notchwatch_model::{
    AccountName, Finding, FindingId, FindingKind, OperatorPart, Outcome, Span, SymptomName, Time,
};
use sha2::{Digest, Sha256};

use super::{MAX_REASON_CHARS, Ruling, checked, closed, refuse};

/// A finding that closed longer ago than this is not opened again: a new one is made, and linked when its cause is the
/// same (common practice: a repair that held for a month was a repair).
pub const REOPEN_WITHIN: Span = Span::from_days(30);
/// Bytes of the hash in an id, as for other findings.
const ID_BYTES: usize = 8;

/// Both become one matter: this finding closes, the other carries on.
pub(super) fn merge(
    finding: &Finding,
    other: Option<&Finding>,
    into: &FindingId,
    by: &AccountName,
    at: Time,
) -> Ruling {
    let (machine, id) = (&finding.machine, &finding.machine.id);
    let Some(other) = other else { return refuse(format!("there is no finding {into}")) };
    if into == id {
        return refuse("a finding cannot be merged into itself".to_owned());
    }
    if other.machine.unit != machine.unit {
        return refuse(format!("{into} is of another unit, {}", other.machine.unit.unit));
    }
    if !other.open() {
        return refuse(format!("{into} is closed"));
    }
    if machine.from_receipt() || other.machine.from_receipt() {
        return refuse(NOT_OF_RECEIPTS.to_owned());
    }
    if data(machine.kind) != data(other.machine.kind) {
        return refuse("a change of the data and a change of what was measured are two matters".to_owned());
    }
    let mut gone = closed(finding, Outcome::Merged, by, at);
    gone.merged_into = Some(into.clone());
    let mut stays = other.operator.clone();
    stays.merged.push(id.clone());
    Ruling::Both(Box::new((gone, stays)))
}

/// Some symptoms get a finding of their own, whose id is known before it is there.
pub(super) fn split(finding: &Finding, symptoms: &[SymptomName]) -> Ruling {
    let machine = &finding.machine;
    if machine.from_receipt() {
        return refuse(NOT_OF_RECEIPTS.to_owned());
    }
    let has = |name: &SymptomName| {
        machine.symptoms.iter().any(|s| s.channel == name.channel && s.kind == name.kind)
    };
    if let Some(name) = symptoms.iter().find(|name| !has(name)) {
        return refuse(format!("the finding has no symptom {} on {}", name.kind.word(), name.channel));
    }
    let stay = machine
        .symptoms
        .iter()
        .filter(|s| !symptoms.iter().any(|name| s.channel == name.channel && s.kind == name.kind));
    match (symptoms.is_empty(), stay.count()) {
        (true, _) => refuse("no symptom was chosen".to_owned()),
        (false, 0) => refuse("one symptom at least has to stay".to_owned()),
        (false, _) => match split_id(&machine.id, finding.version) {
            Some(id) => {
                let mut operator = finding.operator.clone();
                operator.split_off.push(id);
                Ruling::Apply(operator)
            }
            None => refuse("no id could be made".to_owned()),
        },
    }
}

/// It is not done after all: who says so works on it.
pub(super) fn reopen(finding: &Finding, reason: &str, by: &AccountName, at: Time) -> Ruling {
    let Some((since, outcome)) = finding.closed() else {
        return refuse("the finding is open".to_owned());
    };
    if finding.machine.from_receipt() {
        return refuse(NOT_OF_RECEIPTS.to_owned());
    }
    match (outcome, &finding.operator.merged_into) {
        (Outcome::Merged, Some(into)) => {
            return refuse(format!("the finding was merged into {into}: split it off there"));
        }
        (Outcome::Withdrawn, _) => {
            return refuse("later data took its evidence away: nothing is left to work on".to_owned());
        }
        _ => {}
    }
    if since > at || at - since > REOPEN_WITHIN {
        let days = REOPEN_WITHIN.micros() / Span::from_days(1).micros();
        return refuse(format!("it closed at {since}; a finding is opened again within {days} days"));
    }
    checked(reason, "the reason", MAX_REASON_CHARS, || OperatorPart {
        taken_by: Some(by.clone()),
        closed: None,
        reopened: Some((by.clone(), at)),
        ..finding.operator.clone()
    })
}

/// Id of the finding that a decision on this version splits off.
pub(crate) fn split_id(from: &FindingId, seen: u32) -> Option<FindingId> {
    let digest = Sha256::digest(format!("{from}\nsplit\n{seen}").as_bytes());
    let number = digest.iter().take(ID_BYTES).fold(0u64, |all, byte| all << 8 | u64::from(*byte));
    FindingId::new(&format!("f-{number:016x}")).ok()
}

const NOT_OF_RECEIPTS: &str = "it follows from how messages come, and opens and ends by itself";

fn data(kind: FindingKind) -> bool {
    kind == FindingKind::Data
}
