//! Levels of one channel over units of a class, by operating state, from stored samples.
//!
//! Owns what is read for it: the channel, and the channels that tell the operating state. No fold, no expectation.

use futures::{StreamExt, TryStreamExt};
use notchwatch_detect::{Level, Plan, levels};
use notchwatch_model::{ChannelIx, Class, ClassId, Span, Time, UnitKey};

use crate::EvaluateError;
use crate::rows::Rows;
use crate::trace::{TraceError, Tracer};

/// Read before the span, so that its first rows have their operating state.
const LEAD: Span = Span::from_hours(1);
/// Units read at one time: a few fill the waits for the store, more would keep its readers from others.
const AT_ONE_TIME: usize = 2;

impl Tracer {
    /// What a channel measured in each operating state within `from <= time < to`, of units of one class, in their
    /// order. The caller bounds units and span.
    pub async fn levels(
        &self,
        class: &ClassId,
        units: Vec<UnitKey>,
        channel: ChannelIx,
        (from, to): (Time, Time),
    ) -> Result<Vec<Vec<Level>>, TraceError> {
        let class = self.register.borrow().class(class).cloned();
        let class = class.ok_or(TraceError::UnknownClass)?;
        let plan = Plan::new(&class, &self.settings);
        let wanted = wanted(&class, channel);
        let (plan, wanted, width) = (&plan, &wanted, class.channels.len());
        let of_unit = |unit: UnitKey| async move {
            let mut rows = Rows::new(width);
            for sample in self.store.samples_of(&unit, wanted, from - LEAD, to).await? {
                rows.add(sample);
            }
            Ok::<_, EvaluateError>(levels(plan, &rows.take_all(), channel, from))
        };
        Ok(futures::stream::iter(units).map(of_unit).buffered(AT_ONE_TIME).try_collect().await?)
    }
}

/// The channel and those that tell the operating state.
fn wanted(class: &Class, channel: ChannelIx) -> Vec<ChannelIx> {
    let rule = &class.operation;
    let names = [&rule.notch, &rule.dynamic_brake, &rule.engine_running];
    let mut wanted: Vec<ChannelIx> =
        names.into_iter().flatten().filter_map(|name| class.channel_ix(name.as_str())).collect();
    wanted.push(channel);
    wanted
}
