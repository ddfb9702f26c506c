//! A week of made-up samples of one unit, with a gap of a day, so that its page shows something.

use std::error::Error;

use notchwatch_model::{ChannelIx, Decoded, Envelope, RailwayId, Sample, Span, Time, UnitId, UnitKey};
use notchwatch_store::{NewMessage, Store};

/// Every channel of the class every ten minutes, up to `now`.
pub(crate) async fn fill(store: &Store, now: Time) -> Result<(), Box<dyn Error>> {
    let unit = UnitKey { railway: RailwayId::new("northmoor")?, unit: UnitId::new("4021")? };
    let middle = [4.0, 312_000.0, 84.0, 430.0, 180.0];
    let mut batch = Vec::new();
    for step in (0..7 * 144_u32).rev() {
        if (300..440).contains(&step) {
            continue;
        }
        let time = now - Span::from_mins(i64::from(step) * 10 + 2);
        let turn = f64::from(step) / 23.0;
        let samples = middle.iter().enumerate().map(|(place, value)| Sample {
            time,
            channel: ChannelIx(u16::try_from(place).unwrap_or_default()),
            value: if place == 0 {
                (4.0 + 4.0 * turn.sin()).round()
            } else {
                value * (1.0 + 0.06 * turn.sin() + 0.01 * (turn * 7.0).cos())
            },
        });
        let decoded = Decoded {
            unit: Some(unit.clone()),
            samples: samples.collect(),
            records: 5,
            ..Decoded::default()
        };
        let envelope = Envelope {
            received: time,
            topic: "units/northmoor/4021/senml".into(),
            content_type: None,
            retained: false,
            payload: step.to_string().into_bytes(),
        };
        batch.push(NewMessage { envelope, decoded });
    }
    store.append(&batch).await?;
    Ok(())
}
