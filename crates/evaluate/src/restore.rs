//! Bringing a unit's line back from the store: newest valid snapshot, then the samples after it.
//!
//! Owns what a valid snapshot is. The same steps serve a restart, late data and a trace of the past.

use std::sync::Arc;

use notchwatch_detect::Plan;
use notchwatch_findings::Library;
use notchwatch_model::{
    ClassId, Decision, RailwayId, Register, Sample, Seq, ServiceStatus, Time, TimelineEntry, TimelineId,
    Unit, UnitKey,
};
use notchwatch_store::{Snapshot, Store, Unjudged};
use std::collections::HashMap;

use crate::EvaluateError;
use crate::fold::{Fold, FoldContext};
use crate::line::{Folded, Line};
use crate::rows::Rows;
use crate::texts::{Texts, any_told, told};

/// What all folds share: the register's classes compiled, the library and the settings.
#[derive(Debug, Clone)]
pub(crate) struct Shared {
    classes: HashMap<ClassId, (Arc<notchwatch_model::Class>, Arc<Plan>)>,
    units: HashMap<UnitKey, Unit>,
    /// Those in service, with their regions.
    in_service: HashMap<RailwayId, HashMap<ClassId, Vec<(UnitKey, String)>>>,
    library: Arc<Library>,
    settings: Arc<notchwatch_detect::Settings>,
}

impl Shared {
    pub(crate) fn new(
        register: &Register,
        library: Arc<Library>,
        settings: Arc<notchwatch_detect::Settings>,
    ) -> Self {
        let classes = register
            .classes
            .iter()
            .map(|class| (class.id.clone(), (Arc::new(class.clone()), Arc::new(Plan::new(class, &settings)))))
            .collect();
        let units = register.units.iter().map(|unit| (unit.key(), unit.clone())).collect();
        let mut in_service: HashMap<RailwayId, HashMap<ClassId, Vec<_>>> = HashMap::new();
        for unit in register.units.iter().filter(|unit| unit.status == ServiceStatus::InService) {
            let of_railway = in_service.entry(unit.railway.clone()).or_default();
            of_railway.entry(unit.class.clone()).or_default().push((unit.key(), unit.region.clone()));
        }
        Self { classes, units, in_service, library, settings }
    }

    /// What the fold of a unit needs; `None` when the unit or its class is not registered.
    pub(crate) fn context(&self, key: &UnitKey) -> Option<FoldContext> {
        let unit = self.units.get(key)?;
        let (class, plan) = self.classes.get(&unit.class)?;
        let version = self.settings.version;
        Some(FoldContext::new(unit.clone(), class.clone(), plan.clone(), self.library.clone(), version))
    }

    /// A unit with its class.
    pub(crate) fn unit(&self, key: &UnitKey) -> Option<(&Unit, &notchwatch_model::Class)> {
        let unit = self.units.get(key)?;
        Some((unit, &self.classes.get(&unit.class)?.0))
    }

    /// Units of a railway and class that are in service, with their regions.
    pub(crate) fn in_service(&self, railway: &RailwayId, class: &ClassId) -> &[(UnitKey, String)] {
        self.in_service.get(railway).and_then(|of| of.get(class)).map_or(&[], Vec::as_slice)
    }

    pub(crate) fn all_units(&self) -> &HashMap<UnitKey, Unit> {
        &self.units
    }
}

/// A fold as it stood at a snapshot, or an empty one.
pub(crate) struct Base {
    pub(crate) fold: Fold,
    pub(crate) at: Option<Time>,
}

/// Newest state of a unit at or before an event time that this program, class and settings made. One that cannot be read
/// is left out for the one before it: what it held more is folded again from what is kept, which every older state needs
/// as well when data come late.
pub(crate) async fn base(
    store: &Store,
    context: &FoldContext,
    at_or_before: Option<Time>,
) -> Result<Base, EvaluateError> {
    let read = |snapshot: Snapshot| {
        if snapshot.form != context.form {
            return Ok(None);
        }
        let fold = Fold::restore(context, &snapshot.state).map_err(|error| error.to_string())?;
        Ok(Some(Base { fold, at: Some(snapshot.at) }))
    };
    let found = store.snapshot_with(&context.unit.key(), at_or_before, read).await?.flatten();
    Ok(found.unwrap_or_else(|| Base { fold: Fold::new(context), at: None }))
}

/// What a unit measured and told.
#[derive(Debug)]
pub(crate) struct Record {
    pub(crate) rows: Rows,
    pub(crate) texts: Texts,
}

/// Rows and texts of a unit after `after` (from the beginning without it) and before `to`, counting messages up to `up_to`.
///
/// Samples that came later than the horizon are left out, those of `pending` (found in the round that is not committed
/// yet) as those of earlier commits. Were they judged here, the same journal would give other findings after a restart
/// or a fold from an older snapshot than it gave live, when nothing was folded for them.
pub(crate) async fn record(
    store: &Store,
    context: &FoldContext,
    after: Option<Time>,
    to: Time,
    up_to: Option<Seq>,
    pending: &[Unjudged],
) -> Result<Record, EvaluateError> {
    let from = after.map_or(EARLIEST, |after| after + TICK);
    let mut rows = Rows::new(context.class.channels.len());
    let key = context.unit.key();
    let (samples, said) = if any_told(&context.class) {
        store.unit_record(&key, from, to, up_to).await?
    } else {
        (store.unit_samples(&key, from, to, up_to).await?, vec![])
    };
    let mut left_out = HashMap::new();
    for late in store.unjudged(&key, from, to).await?.iter().chain(pending) {
        // The first of a key tells what was judged: later ones found a value in its place that was not judged either.
        left_out.entry((late.time.micros(), late.channel)).or_insert(late.instead);
    }
    for sample in samples {
        match left_out.get(&(sample.time.micros(), sample.channel)) {
            None => rows.add(sample),
            Some(Some(judged)) => rows.add(Sample { value: *judged, ..sample }),
            Some(None) => continue,
        };
    }
    let mut texts = Texts::default();
    for text in said.into_iter().filter(|text| told(&context.class, text.channel)) {
        let judged = match left_out.get(&(text.time.micros(), text.channel)) {
            None => vec![text],
            Some(Some(judged)) => {
                let (time, up_to) = (text.time, Some(position(*judged)));
                store.unit_texts(&key, time, time + TICK, up_to).await?
            }
            Some(None) => vec![],
        };
        for text in &judged {
            texts.add(text);
        }
    }
    Ok(Record { rows, texts })
}

/// Texts have no number that could be judged instead: they are told by the journal position up to which they count.
#[expect(clippy::cast_precision_loss, reason = "positions are far below 2^53")]
pub(crate) fn up_to(position: Seq) -> f64 {
    position.0 as f64
}

#[expect(clippy::cast_possible_truncation, reason = "it was a whole number")]
fn position(up_to: f64) -> Seq {
    Seq(up_to as i64)
}

/// Entries on a unit's timeline that take effect after `after`, as the log had it at `up_to`; none without that.
pub(crate) async fn entries(
    store: &Store,
    unit: &UnitKey,
    after: Option<Time>,
    up_to: Option<TimelineId>,
) -> Result<Vec<TimelineEntry>, EvaluateError> {
    match up_to {
        Some(up_to) => Ok(store.timeline_of(unit, after, up_to).await?),
        None => Ok(vec![]),
    }
}

/// What a line is folded with beside its rows.
#[derive(Debug)]
pub(crate) struct Beside {
    pub(crate) decisions: Vec<Decision>,
    /// Position in the log of timelines; `None` when nothing is on the unit's.
    pub(crate) timelined: Option<TimelineId>,
}

/// The line of a unit folded up to `through`, from the newest state at or before `base_at`.
///
/// Rows after `through` are the caller's.
pub(crate) async fn refold(
    store: &Store,
    context: FoldContext,
    beside: Beside,
    base_at: Option<Time>,
    through: Time,
    up_to: Option<Seq>,
    pending: &[Unjudged],
) -> Result<(Line, Folded, Option<Time>), EvaluateError> {
    let Base { fold, at } = base(store, &context, base_at).await?;
    let Record { mut rows, texts } = record(store, &context, at, through + TICK, up_to, pending).await?;
    let entries = entries(store, &context.unit.key(), at, beside.timelined).await?;
    let (line, folded) = tokio::task::spawn_blocking(move || {
        let line = Line::new(context, fold, at, beside.decisions);
        let mut line = line.with_entries(entries).with_texts(texts);
        line.run(&rows.take_all()).map(|folded| (line, folded))
    })
    .await
    .map_err(|e| EvaluateError::Worker(e.to_string()))??;
    Ok((line, folded, at))
}

/// One microsecond: the resolution of time, turns "after" into "from".
pub(crate) const TICK: notchwatch_model::Span = notchwatch_model::Span::from_micros(1);

/// Before anything that can be measured.
const EARLIEST: Time = Time::EPOCH;
