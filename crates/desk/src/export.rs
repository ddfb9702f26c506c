//! Samples of a unit as they leave in a file: one channel after the other would need all of them at once, so they come
//! by time, a stretch at a time.
//!
//! Owns the bound of a span and the length of a stretch. Refuses to write a format.

use notchwatch_model::{ChannelDef, ChannelIx, ChannelName, ChannelValue, Principal, Span, Time, UnitKey};
use notchwatch_store::ToldSample;

use crate::Desk;
use crate::error::Result;
use crate::trace::{MAX_TRACE_SPAN, channel_of, checked_window};

/// Length of a stretch: what is held in memory for one caller.
const STRETCH: Span = Span::from_hours(6);

/// What is to be exported, checked, and how far it is.
#[derive(Debug, Clone)]
pub struct Export {
    /// The unit.
    pub unit: UnitKey,
    /// Channels by position, texts left out.
    pub channels: Vec<(ChannelIx, ChannelDef)>,
    /// Event time from here.
    pub from: Time,
    /// To before here.
    pub to: Time,
    next: Time,
}

impl Desk {
    /// Begins an export of some channels, or of all when none is named. Refuses spans beyond 92 days.
    pub async fn export(
        &self,
        who: &Principal,
        unit: &UnitKey,
        named: &[ChannelName],
        span: (Time, Time),
    ) -> Result<Export> {
        let (_, class) = self.unit(who, unit).await?;
        let (from, to) = checked_window(span, MAX_TRACE_SPAN)?;
        let mut channels: Vec<(ChannelIx, ChannelDef)> = Vec::new();
        for name in named {
            let (ix, def) = channel_of(&class, name)?;
            channels.push((ix, def.clone()));
        }
        if named.is_empty() {
            let each = (0..).map(ChannelIx).zip(&class.channels);
            channels.extend(each.map(|(ix, def)| (ix, def.clone())));
        }
        channels.retain(|(_, def)| def.value != ChannelValue::Text);
        Ok(Export { unit: unit.clone(), channels, from, to, next: from })
    }

    /// The next samples, by time and channel; `None` at the end. A stretch may be empty.
    pub async fn export_more(&self, export: &mut Export) -> Result<Option<Vec<ToldSample>>> {
        if export.next >= export.to {
            return Ok(None);
        }
        let ixs: Vec<ChannelIx> = export.channels.iter().map(|(ix, _)| *ix).collect();
        let end = (export.next + STRETCH).min(export.to);
        let found = self.store().samples_told(&export.unit, &ixs, export.next, end).await?;
        export.next = end;
        Ok(Some(found))
    }
}
