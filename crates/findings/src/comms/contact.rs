//! One unit's link: what was heard of it, its habit, its state, and the findings it has now.
//!
//! Owns the rule of each state. A late message shows that the link lives; only fresh data end a silence.

use std::collections::BTreeSet;

use notchwatch_model::{
    CommsState, FindingKind, MachinePart, Priority, Reason, RefusedOfUnit, ServiceStatus, Span, Time, Unit,
};
use serde::{Deserialize, Serialize};

use super::habit::Habit;
use super::part::{end, length, minute, of_unit};
use super::{CommsPolicy, Receipt};

/// Two receipts nearer than this are one contact.
const ONE_CONTACT: Span = Span::from_secs(1);
/// Messages refused within the memory for which a clock is called wrong although others were accepted: one may be a
/// glitch (ours).
const CLOCK_MESSAGES: u32 = 3;
/// A silence this long asks for more than a look (ours: a day without data is a day without protection).
const LONG: Span = Span::from_hours(24);
/// A data event is shown this long.
const DATA_LASTS: Span = Span::from_hours(24);
/// Units of measure remembered of one unit: every channel of a large class in one other form.
const MOST_FORMS: usize = 512;
/// Entries of a refusal's memory: newer ones push older out.
const MOST_REFUSED: usize = 16;

/// A receipt, by the wall clock and by the time in which we could hear.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Mark {
    pub(super) at: Time,
    pub(super) heard: Span,
}

/// A finding, and whether a person closed it.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) struct Held {
    pub(super) part: MachinePart,
    pub(super) closed: bool,
}

/// What was refused lately for one cause.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub(super) struct Refused {
    recent: Vec<(Time, u32)>,
    pub(super) offset: Option<Span>,
    detail: String,
    held: Option<Held>,
}

/// The instant of a tick.
#[derive(Debug, Clone, Copy)]
pub(super) struct Now {
    pub(super) at: Time,
    /// Time in which we could hear, so far.
    pub(super) heard: Span,
}

#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub(super) struct Contact {
    pub(super) habit: Habit,
    pub(super) fresh: Option<Mark>,
    pub(super) arrived: Option<Mark>,
    returned: Option<Time>,
    pub(super) clock: Refused,
    identity: Refused,
    forms: BTreeSet<(String, String)>,
    forms_known: bool,
    data: Vec<Held>,
    pub(super) silence: Option<Held>,
    /// Time of hearing before which it is not called silent by itself: it was in a common cause until lately.
    pub(super) alone_from: Span,
    /// State, since when, and the limit as last told.
    pub(super) told: Option<(CommsState, Time, Span)>,
}

impl Contact {
    /// Takes a receipt that the broker had not kept. Returns units of measure that it used for the first time.
    pub(super) fn hear(
        &mut self,
        policy: &CommsPolicy,
        receipt: &Receipt,
        heard: Span,
    ) -> Vec<(String, String)> {
        let mark = Mark { at: receipt.received, heard };
        if self.arrived.is_none_or(|before| before.at < mark.at) {
            self.arrived = Some(mark);
        }
        if receipt.received - receipt.newest <= policy.fresh {
            self.hear_fresh(policy, mark);
        }
        let known = std::mem::replace(&mut self.forms_known, true);
        let room = self.forms.len() < MOST_FORMS;
        let uses = receipt.uoms.iter().filter(|_| room);
        let new: Vec<_> = uses.filter(|form| self.forms.insert((*form).clone())).cloned().collect();
        if known { new } else { Vec::new() }
    }

    fn hear_fresh(&mut self, policy: &CommsPolicy, mark: Mark) {
        if let Some(before) = self.fresh {
            if mark.at <= before.at {
                return;
            }
            let gap = mark.at - before.at;
            let deaf = gap.micros() - (mark.heard.micros() - before.heard.micros());
            if gap >= ONE_CONTACT && deaf <= 2 * policy.tick.micros() {
                self.habit.learn(gap, mark.at.day());
            }
        }
        self.fresh = Some(mark);
        if self.silence.as_ref().is_some_and(|held| held.part.active) {
            self.returned.get_or_insert(mark.at);
        }
    }

    /// Quiet for longer is silence.
    pub(super) fn limit(&self, policy: &CommsPolicy) -> Span {
        self.habit.limit(policy.floor)
    }

    /// How long it was quiet while we could hear; `None` when it never said anything.
    pub(super) fn quiet(&self, now: Now) -> Option<Span> {
        self.arrived.map(|mark| Span::from_micros(now.heard.micros() - mark.heard.micros()))
    }

    /// Quiet for more than half of what its habit allows.
    pub(super) fn overdue(&self, policy: &CommsPolicy, now: Now) -> bool {
        self.quiet(now).is_some_and(|quiet| quiet.micros() * 2 > self.limit(policy).micros())
    }

    pub(super) fn state(&self, policy: &CommsPolicy, unit: &Unit, now: Now) -> CommsState {
        if self.clock_wrong(policy, now) {
            return CommsState::ClockWrong;
        }
        let Some(quiet) = self.quiet(now) else { return CommsState::NeverHeard };
        let limit = self.limit(policy);
        if quiet > limit {
            return match unit.status {
                ServiceStatus::InService => CommsState::Silent,
                _ => CommsState::NotExpected,
            };
        }
        let fresh = self.fresh.map(|mark| now.heard.micros() - mark.heard.micros());
        match fresh {
            Some(since) if since * 2 <= limit.micros() || self.fresh == self.arrived => CommsState::Reporting,
            _ => CommsState::Late,
        }
    }

    fn clock_wrong(&self, policy: &CommsPolicy, now: Now) -> bool {
        self.clock.recent(policy, now).is_some_and(|(last, messages)| {
            messages >= CLOCK_MESSAGES || self.arrived.is_none_or(|mark| mark.at < last)
        })
    }

    /// Takes what a tick saw refused.
    pub(super) fn refuse(&mut self, refused: &RefusedOfUnit) {
        match refused.reason {
            Reason::ClockAhead | Reason::ClockBehind => {
                self.clock.offset = claimed(&refused.detail).map(|at| at - refused.received);
                self.clock.take(refused);
            }
            Reason::WrongUnit => self.identity.take(refused),
            _ => {}
        }
    }

    /// A person closed a finding of this unit.
    pub(super) fn close(&mut self, id: &notchwatch_model::FindingId) {
        let refused = [&mut self.clock.held, &mut self.identity.held].into_iter().flatten();
        let all = self.silence.iter_mut().chain(refused).chain(&mut self.data);
        all.filter(|held| held.part.id == *id).for_each(|held| held.closed = true);
    }

    /// Opens the silence, or opens it again.
    pub(super) fn fall_silent(&mut self, policy: &CommsPolicy, unit: &Unit, now: Now) -> Option<MachinePart> {
        let onset = self.arrived?.at;
        self.returned = None;
        let usual = self.habit.usual().map_or_else(
            || "its habit is not learned yet".to_owned(),
            |usual| format!("usually heard every {}", length(usual)),
        );
        let title = format!("Not heard since {}; {usual}", minute(onset));
        let again = self.silence.take().filter(|held| {
            !held.closed && held.part.ended.is_some_and(|(ended, _)| now.at - ended <= policy.reopen)
        });
        let mut part = match again {
            Some(held) => held.part,
            None => of_unit(unit, FindingKind::Comms, "silent", onset).open(now.at)?,
        };
        part.occurrence += u32::from(part.ended.is_some());
        (part.active, part.ended, part.changed, part.title) = (true, None, now.at, title);
        self.silence = Some(Held { part: part.clone(), closed: false });
        Some(part)
    }

    /// Ends a silence that is over and raises one that lasts. Returns what changed.
    pub(super) fn settle_silence(&mut self, unit: &Unit, now: Now) -> Option<MachinePart> {
        let held = self.silence.as_mut().filter(|held| held.part.active)?;
        let onset = held.part.onset;
        if let Some(at) = self.returned.take() {
            end(
                &mut held.part,
                at,
                format!("Not heard for {}, heard again {}", length(at - onset), minute(at)),
            );
        } else if unit.status != ServiceStatus::InService {
            let title = format!("Not heard for {}, until taken out of service", length(now.at - onset));
            end(&mut held.part, now.at, title);
        } else if held.part.priority == Priority::Low && now.at - onset > LONG {
            held.part.priority = Priority::Medium;
            held.part.changed = now.at;
        } else {
            return None;
        }
        Some(held.part.clone()).filter(|_| !held.closed)
    }

    /// Opens and ends what follows from refusals. Returns what changed.
    pub(super) fn settle_refused(&mut self, policy: &CommsPolicy, unit: &Unit, now: Now) -> Vec<MachinePart> {
        let wrong = self.clock_wrong(policy, now);
        let clock = match self.clock.offset {
            Some(offset) if offset.micros() >= 0 => format!("is {} ahead", length(offset)),
            Some(offset) => format!("is {} behind", length(Span::from_micros(-offset.micros()))),
            None => "claims no possible time".to_owned(),
        };
        let title = format!("Clock {clock}: its samples are refused, have the unit's clock set");
        let nothing_accepted = self
            .clock
            .recent(policy, now)
            .is_some_and(|(last, _)| self.arrived.is_none_or(|mark| mark.at < last));
        let priority = if nothing_accepted { Priority::Medium } else { Priority::Low };
        let mut changed = Vec::new();
        let about = of_unit(unit, FindingKind::Data, "clock", now.at);
        changed.extend(self.clock.settle(wrong, now, about, title, priority));
        let named = self.identity.recent(policy, now).is_some();
        let title = format!("Messages name another unit than their topic: {}", self.identity.detail);
        let about = of_unit(unit, FindingKind::Data, "identity", now.at);
        changed.extend(self.identity.settle(named, now, about, title, Priority::Medium));
        changed
    }

    /// Says that a channel came in another unit of measure.
    pub(super) fn note_form(
        &mut self,
        unit: &Unit,
        form: &(String, String),
        at: Time,
    ) -> Option<MachinePart> {
        let (channel, uom) = form;
        let cause = format!("uom {channel} {uom}");
        let mut about = of_unit(unit, FindingKind::Data, &cause, at);
        about.title = format!("{channel} comes in {uom} for the first time; it is converted");
        let part = about.open(at)?;
        self.data.push(Held { part: part.clone(), closed: false });
        Some(part)
    }

    /// Ends data events whose time is over. Returns what changed.
    pub(super) fn settle_data(&mut self, now: Now) -> Vec<MachinePart> {
        let (over, stay): (Vec<Held>, _) = std::mem::take(&mut self.data)
            .into_iter()
            .partition(|held| now.at - held.part.opened >= DATA_LASTS);
        self.data = stay;
        over.into_iter()
            .filter(|held| !held.closed)
            .map(|mut held| {
                let title = held.part.title.clone();
                end(&mut held.part, now.at, title);
                held.part
            })
            .collect()
    }
}

impl Refused {
    fn take(&mut self, refused: &RefusedOfUnit) {
        self.recent.push((refused.received, refused.messages));
        let surplus = self.recent.len().saturating_sub(MOST_REFUSED);
        self.recent.drain(..surplus);
        self.detail.clone_from(&refused.detail);
    }

    /// When it was refused last within the memory, and how many messages in it.
    fn recent(&self, policy: &CommsPolicy, now: Now) -> Option<(Time, u32)> {
        let within = || self.recent.iter().filter(|(at, _)| now.at - *at <= policy.clock_memory);
        Some((within().map(|(at, _)| *at).max()?, within().map(|(_, messages)| messages).sum()))
    }

    fn settle(
        &mut self,
        wrong: bool,
        now: Now,
        about: super::part::About<'_>,
        title: String,
        priority: Priority,
    ) -> Option<MachinePart> {
        match (&mut self.held, wrong) {
            (None, true) => {
                let part = super::part::About { title, priority, ..about }.open(now.at)?;
                self.held = Some(Held { part: part.clone(), closed: false });
                Some(part)
            }
            (Some(held), false) => {
                let title = held.part.title.clone();
                end(&mut held.part, now.at, title);
                let told = Some(held.part.clone()).filter(|_| !held.closed);
                self.held = None;
                self.recent.clear();
                told
            }
            (Some(held), true) if held.part.priority > priority => {
                (held.part.priority, held.part.changed) = (priority, now.at);
                Some(held.part.clone()).filter(|_| !held.closed)
            }
            _ => None,
        }
    }
}

/// The time that a refusal's detail says was claimed: the word after "event time".
fn claimed(detail: &str) -> Option<Time> {
    detail.strip_prefix("event time ")?.split(' ').next()?.parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_claimed_time_is_read_from_the_refusal() {
        let at = claimed("event time 2029-03-01T00:00:00Z lies after receipt at 2026-03-01T00:00:00Z");
        assert_eq!(at, "2029-03-01T00:00:00Z".parse().ok());
        assert_eq!(claimed("event time 1e18 s since 1970 lies after receipt"), None);
    }
}
