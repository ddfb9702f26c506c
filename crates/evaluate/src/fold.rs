//! The fold of one unit: rows and decisions in, findings out. The one place where detection and findings meet.
//!
//! Owns the order in which a row, a decision and a snapshot boundary take effect. Pure: live evaluation, replay,
//! traces and tests all call this. Refuses I/O and clocks.

use std::collections::BTreeSet;
use std::sync::Arc;

use notchwatch_detect::{Plan, UnitModel};
use notchwatch_findings::{Background, Context, Library, UnitFindings, renewed};
use notchwatch_model::{
    ChannelName, Class, Decision, DecisionId, Fact, MachinePart, Row, TextSample, TextState, Time, Unit,
};
use serde::{Deserialize, Serialize};

/// Form of a snapshot's bytes; moves when the state's shape or the meaning of a number in it changes.
const FORM: u32 = 12;

/// What a unit's fold needs to know besides its data. Shared by the units of a class where it can be.
#[derive(Debug, Clone)]
pub struct FoldContext {
    /// The unit as registered.
    pub unit: Unit,
    /// Its class.
    pub class: Arc<Class>,
    /// The class, compiled for detection.
    pub plan: Arc<Plan>,
    /// The fault library.
    pub library: Arc<Library>,
    /// Version of the settings that judge.
    pub settings_version: u32,
    /// Tells snapshots made with another class, settings or program apart.
    pub form: u32,
}

/// State of one unit's fold. Equal samples, decisions and timelines give equal states, bit for bit, with the same build.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Fold {
    model: UnitModel,
    findings: UnitFindings,
    /// What the unit's timeline says.
    background: Background,
    /// What its text channels said last.
    said: TextState,
    held: BTreeSet<ChannelName>,
    last: Option<Time>,
    samples: u64,
    /// Newest decision on the unit that was known: those up to it are folded when their time has come.
    known: DecisionId,
}

/// Why the bytes of a snapshot are no state.
#[derive(Debug, thiserror::Error)]
#[error("snapshot of {unit} does not decode: {source}")]
pub struct SnapshotError {
    unit: String,
    source: postcard::Error,
}

impl SnapshotError {
    pub(crate) fn of(what: &str, source: postcard::Error) -> Self {
        Self { unit: what.to_owned(), source }
    }
}

impl FoldContext {
    /// Puts together what the fold of a unit needs.
    pub fn new(
        unit: Unit,
        class: Arc<Class>,
        plan: Arc<Plan>,
        library: Arc<Library>,
        settings_version: u32,
    ) -> Self {
        let form = form_of(&class, settings_version);
        Self { unit, class, plan, library, settings_version, form }
    }

    fn findings<'a>(&'a self, background: &'a Background) -> Context<'a> {
        Context {
            background,
            unit: &self.unit,
            class: &self.class,
            library: &self.library,
            settings_version: self.settings_version,
        }
    }
}

impl Fold {
    /// A unit of which nothing is known yet.
    pub fn new(context: &FoldContext) -> Self {
        Self {
            model: UnitModel::new(&context.plan),
            findings: UnitFindings::default(),
            background: Background::default(),
            said: TextState::default(),
            held: BTreeSet::new(),
            last: None,
            samples: 0,
            known: DecisionId(0),
        }
    }

    /// Reads a snapshot's bytes back.
    pub fn restore(context: &FoldContext, bytes: &[u8]) -> Result<Self, SnapshotError> {
        postcard::from_bytes(bytes)
            .map_err(|source| SnapshotError { unit: context.unit.key().to_string(), source })
    }

    /// The bytes of a snapshot.
    pub fn save(&self, context: &FoldContext) -> Result<Vec<u8>, SnapshotError> {
        postcard::to_allocvec(self)
            .map_err(|source| SnapshotError { unit: context.unit.key().to_string(), source })
    }

    /// Event time of the newest row folded.
    pub fn last(&self) -> Option<Time> {
        self.last
    }

    /// Newest decision on the unit that was known.
    pub fn known(&self) -> DecisionId {
        self.known
    }

    /// Takes note that a decision is known.
    pub fn know(&mut self, decision: DecisionId) {
        self.known = self.known.max(decision);
    }

    /// Samples folded, each once.
    pub fn samples(&self) -> u64 {
        self.samples
    }

    /// The model, to ask what it expected of the last row.
    pub fn model(&self) -> &UnitModel {
        &self.model
    }

    /// What the unit's timeline says.
    pub fn background(&self) -> &Background {
        &self.background
    }

    /// The findings as they stand.
    pub fn findings(&self) -> &UnitFindings {
        &self.findings
    }

    /// Folds one row, later than every row before. Returns the findings that it changed.
    pub fn row(&mut self, context: &FoldContext, row: &Row) -> Vec<MachinePart> {
        debug_assert!(self.last.is_none_or(|last| last < row.time), "rows come in order of event time");
        self.last = Some(row.time);
        self.samples += row.values.iter().flatten().count() as u64;
        let symptoms = self.model.step(&context.plan, row);
        let mut changed = Vec::new();
        if !symptoms.is_empty() {
            changed = self.findings.apply(&context.findings(&self.background), &symptoms);
        }
        changed.extend(self.findings.tick(&context.findings(&self.background), row.time));
        if !changed.is_empty() {
            self.rehold(context);
        }
        changed
    }

    /// Folds one decision. Returns the findings that it changed.
    pub fn decision(&mut self, context: &FoldContext, decision: &Decision) -> Vec<MachinePart> {
        let accepted = self.findings.decide(&context.findings(&self.background), decision);
        if !accepted.channels.is_empty() {
            self.model.accept_level(&context.plan, &accepted.channels);
        }
        self.rehold(context);
        accepted.changed
    }

    /// Takes a text of one of the unit's channels. Returns the facts that it tells, which the caller folds in turn.
    pub fn told(&mut self, context: &FoldContext, text: &TextSample) -> Vec<Fact> {
        let channel = context.class.channel(text.channel);
        channel.map_or_else(Vec::new, |channel| self.said.take(channel.name.as_str(), &text.text))
    }

    /// Folds one fact of the unit's timeline, at the time it takes effect; `at` is when it held. Returns the findings that
    /// it changed.
    pub fn fact(&mut self, context: &FoldContext, at: Time, now: Time, fact: &Fact) -> Vec<MachinePart> {
        if let Fact::Software { version } = fact {
            self.said.hold(version);
        }
        self.background.learn(at, fact);
        let changed = self.findings.learn(&context.findings(&self.background), at, now, fact);
        let renewed: Vec<ChannelName> = renewed(fact).into_iter().collect();
        if !renewed.is_empty() {
            self.model.accept_level(&context.plan, &renewed);
        }
        if let Fact::AsBuilt { levels, .. } = fact {
            self.model.seed(&context.plan, now, levels);
        }
        self.rehold(context);
        changed
    }

    /// Channels with an open finding keep their data out of the baseline.
    fn rehold(&mut self, context: &FoldContext) {
        let held = self.findings.held();
        if held != self.held {
            self.model.hold(&context.plan, &held);
            self.held = held;
        }
    }
}

/// A stable number for (class, settings, form of the state): FNV-1a over the class's text form.
fn form_of(class: &Class, settings_version: u32) -> u32 {
    let text = format!("{FORM} {settings_version} {class:?}");
    text.bytes().fold(0x811c_9dc5, |hash: u32, byte| (hash ^ u32::from(byte)).wrapping_mul(0x0100_0193))
}
