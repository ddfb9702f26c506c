//! Links: the comms fold beside the units' folds, over the journal and the recorded clock ticks in one order.
//!
//! Owns that order: a tick comes after every message up to its journal position and before all later ones, and after
//! the decisions up to its own. So a start from a snapshot gives what never stopping gives.

use std::sync::atomic::Ordering;

use notchwatch_findings::{CommsFleet, Receipt};
use notchwatch_model::{
    Act, ClockTick, CommsState, DecisionId, FindingId, RECEIPT_ID, RailwayFilter, Seq, Span, Time, UnitKey,
};
use notchwatch_store::{CommsSnapshot, FindingUpsert, JournalMessage, LogPart};

use super::{Evaluator, Round};
use crate::EvaluateError;
use crate::fold::SnapshotError;

/// Form of a snapshot's bytes; moves when the state's shape or the meaning of a number in it changes.
const FORM: u32 = 1;
/// Ticks read at one time: a week of minutes.
pub(super) const TICKS_A_PAGE: usize = 10_080;
/// Messages read at one time while coming back.
const MESSAGES_A_PAGE: usize = 5_000;
/// Time of ticks between snapshots. A start folds at most this much anew.
const SNAPSHOT_EVERY: Span = Span::from_mins(15);

/// What a snapshot's bytes hold: the fold, and the newest decision that it took.
type State = (CommsFleet, DecisionId);

/// The comms fold and where it stands.
#[derive(Debug, Default)]
pub(super) struct Links {
    fleet: CommsFleet,
    /// Newest tick folded.
    pub(super) ticked: i64,
    decided: DecisionId,
    /// Findings of this fold that people closed, in order.
    closes: Vec<(DecisionId, UnitKey, FindingId)>,
    /// Newest tick recorded: its time and its trouble.
    recorded: Option<(Time, Vec<String>)>,
    snapshot_at: Option<Time>,
    snapshot_due: bool,
}

impl Links {
    /// Notes a decision, for the tick that comes after it.
    pub(super) fn decide(&mut self, decision: &notchwatch_model::Decision) {
        if matches!(decision.act, Act::Close { .. }) && decision.finding.as_str().starts_with(RECEIPT_ID) {
            self.closes.push((decision.id, decision.unit.clone(), decision.finding.clone()));
        }
    }
}

/// A state of the fold as committed, with its position and tick; `None` of another form.
fn read(held: CommsSnapshot) -> Result<Option<(Seq, i64, State)>, String> {
    if held.form != FORM {
        return Ok(None);
    }
    let state = postcard::from_bytes(&held.state).map_err(|e| SnapshotError::of("links", e).to_string())?;
    Ok(Some((held.seq, held.tick, state)))
}

impl Evaluator {
    /// Brings the fold back to the position and tick committed last. A state that cannot be read counts as none.
    pub(super) async fn load_links(&mut self) -> Result<(), EvaluateError> {
        let closes = std::mem::take(&mut self.links.closes);
        let ticked = self.store.ticked().await?;
        self.committed_tick = ticked;
        let recorded = self.store.newest_tick().await?.map(|tick| (tick.at, tick.trouble));
        self.links = Links { closes, recorded, ..Links::default() };
        let Some((seq, tick, state)) = self.store.comms_state(read).await?.flatten() else {
            self.links.ticked = ticked;
            self.links.snapshot_due = true;
            for progress in self.store.progress(&RailwayFilter::All).await? {
                if let Some(received) = progress.received {
                    self.links.fleet.seed(&progress.unit, received);
                }
            }
            return Ok(());
        };
        (self.links.fleet, self.links.decided) = state;
        self.links.ticked = tick;
        self.catch_up(seq, ticked).await
    }

    /// Folds what is committed after the snapshot. What it finds is committed already.
    async fn catch_up(&mut self, from: Seq, ticked: i64) -> Result<(), EvaluateError> {
        let mut ticks = self.store.ticks_after(self.links.ticked, TICKS_A_PAGE).await?.items;
        ticks.retain(|tick| tick.id <= ticked);
        let mut ticks = ticks.into_iter().peekable();
        let mut after = from;
        let mut again = Round::default();
        while after < self.position {
            let mut page = self.store.journal_after(after, MESSAGES_A_PAGE).await?.items;
            page.retain(|message| message.seq <= self.position);
            let Some(last) = page.last() else { break };
            after = last.seq;
            for message in &page {
                while let Some(tick) = ticks.next_if(|tick| tick.seq < message.seq) {
                    self.pass(&tick, &mut again);
                }
                self.hear(message);
            }
        }
        for tick in ticks {
            self.pass(&tick, &mut again);
        }
        Ok(())
    }

    /// Records a tick when it is time for one, or when what troubles us changed.
    pub(super) async fn make_tick(&mut self) -> Result<(), EvaluateError> {
        let now = (self.clock)();
        let trouble: Vec<String> = self
            .trouble
            .as_ref()
            .map_or_else(Vec::new, |now| now.borrow().iter().map(ToString::to_string).collect());
        let due = self.links.recorded.as_ref().is_none_or(|(at, before)| {
            now < *at || now - *at >= self.options.comms.tick || *before != trouble
        });
        if due {
            self.store.put_tick(now, &trouble).await?;
            self.links.recorded = Some((now, trouble));
        }
        Ok(())
    }

    /// Folds messages and the ticks among them. A page of messages that is full says nothing of what comes after it.
    pub(super) fn fold_links(
        &mut self,
        messages: &[JournalMessage],
        ticks: LogPart<ClockTick, i64>,
        full: bool,
        round: &mut Round,
    ) {
        let to = ticks.to;
        let mut ticks = ticks.items.into_iter().peekable();
        for message in messages {
            while let Some(tick) = ticks.next_if(|tick| tick.seq < message.seq) {
                self.pass(&tick, round);
            }
            self.hear(message);
        }
        let reached = messages.last().filter(|_| full).map(|message| message.seq);
        while let Some(tick) = ticks.next_if(|tick| reached.is_none_or(|seq| tick.seq <= seq)) {
            self.pass(&tick, round);
        }
        if ticks.peek().is_none() {
            // Past those that could not be read as well.
            self.links.ticked = to;
        }
    }

    fn hear(&mut self, message: &JournalMessage) {
        let Some((unit, class)) = self.shared.unit(&message.unit) else { return };
        let samples = message.samples.iter().map(|sample| sample.time);
        let Some(newest) = samples.chain(message.texts.iter().map(|text| text.time)).max() else { return };
        let uoms = message.uoms.iter().filter_map(|form| {
            let channel = class.channel(form.channel)?;
            Some((channel.name.to_string(), form.sent.to_string()))
        });
        let (received, retained) = (message.received, message.retained);
        let receipt = Receipt { received, newest, retained, uoms: uoms.collect() };
        self.links.fleet.hear(&self.options.comms, unit, &receipt);
    }

    fn pass(&mut self, tick: &ClockTick, round: &mut Round) {
        let links = &mut self.links;
        let due = links.closes.iter().filter(|(id, _, _)| links.decided < *id && *id <= tick.decided);
        due.for_each(|(_, unit, finding)| links.fleet.close(unit, finding));
        links.closes.retain(|(id, _, _)| *id > tick.decided);
        links.decided = tick.decided;
        links.ticked = tick.id;
        let result = links.fleet.tick(&self.options.comms, self.shared.all_units(), tick);
        for machine in result.findings {
            let late = false;
            round.findings.insert(machine.id.to_string(), FindingUpsert { machine, late });
        }
        round.commit.comms.extend(result.states);
        links.snapshot_due |= links.snapshot_at.is_none_or(|at| tick.at - at >= SNAPSHOT_EVERY);
        if links.snapshot_due {
            links.snapshot_at = Some(tick.at);
        }
        for (state, count) in links.fleet.counts() {
            if let Some(held) =
                CommsState::ALL.iter().position(|s| *s == state).and_then(|ix| self.counters.comms.get(ix))
            {
                held.store(count, Ordering::Relaxed);
            }
        }
    }

    /// The state to commit with a position, when it is time for one or when asked for.
    pub(super) fn links_snapshot(
        &mut self,
        at: Seq,
        now: bool,
    ) -> Result<Option<CommsSnapshot>, EvaluateError> {
        if !std::mem::take(&mut self.links.snapshot_due) && !now {
            return Ok(None);
        }
        let state = postcard::to_allocvec(&(&self.links.fleet, self.links.decided))
            .map_err(|source| SnapshotError::of("links", source))?;
        Ok(Some(CommsSnapshot { seq: at, tick: self.links.ticked, form: FORM, state }))
    }
}
