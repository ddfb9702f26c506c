//! What a message holds beside samples: texts, and units of measure other than the stored ones.

use notchwatch_model::{ChannelIx, TextSample, Time, Uom, UomUse};

use super::Broken;
use super::bytes::{Put, Take};

/// Packs texts and units of measure; nothing when there are none.
pub(crate) fn pack(texts: &[TextSample], uoms: &[UomUse]) -> Option<Vec<u8>> {
    if texts.is_empty() && uoms.is_empty() {
        return None;
    }
    let mut out = Put::default();
    put_texts(&mut out, texts);
    put_uoms(&mut out, uoms);
    Some(out.0)
}

/// The reverse of [`pack`].
pub(crate) fn unpack(bytes: Option<&[u8]>) -> Result<(Vec<TextSample>, Vec<UomUse>), Broken> {
    let Some(bytes) = bytes else { return Ok((Vec::new(), Vec::new())) };
    let mut from = Take(bytes);
    let texts = take_texts(&mut from)?;
    let uoms = take_uoms(&mut from)?;
    from.end()?;
    Ok((texts, uoms))
}

pub(crate) fn put_text(out: &mut Put, text: &TextSample) {
    out.signed(text.time.micros());
    out.number(u64::from(text.channel.0));
    out.part(text.text.as_bytes());
}

pub(crate) fn take_text(from: &mut Take<'_>) -> Result<TextSample, Broken> {
    let time = Time::from_micros(from.signed()?).map_err(|_| Broken("time out of range"))?;
    let channel = take_channel(from)?;
    Ok(TextSample { time, channel, text: from.text()?.to_owned() })
}

pub(crate) fn put_uoms(out: &mut Put, uoms: &[UomUse]) {
    out.count(uoms.len());
    for uom in uoms {
        out.number(u64::from(uom.channel.0));
        out.part(uom.sent.name().as_bytes());
    }
}

pub(crate) fn take_uoms(from: &mut Take<'_>) -> Result<Vec<UomUse>, Broken> {
    let count = from.count()?;
    (0..count)
        .map(|_| {
            let channel = take_channel(from)?;
            let sent = Uom::parse(from.text()?).map_err(|_| Broken("unit of measure is not known"))?;
            Ok(UomUse { channel, sent })
        })
        .collect()
}

pub(crate) fn take_channel(from: &mut Take<'_>) -> Result<ChannelIx, Broken> {
    u16::try_from(from.number()?).map(ChannelIx).map_err(|_| Broken("channel out of range"))
}

fn put_texts(out: &mut Put, texts: &[TextSample]) {
    out.count(texts.len());
    for text in texts {
        put_text(out, text);
    }
}

fn take_texts(from: &mut Take<'_>) -> Result<Vec<TextSample>, Broken> {
    let count = from.count()?;
    (0..count).map(|_| take_text(from)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn texts_and_units_of_measure_come_back() {
        let texts =
            [TextSample { time: Time::EPOCH, channel: ChannelIx(44), text: "rev. B \u{fffd} öl".into() }];
        let uoms = [UomUse { channel: ChannelIx(3), sent: Uom::parse("psi").unwrap() }];
        let bytes = pack(&texts, &uoms).unwrap();
        assert_eq!(unpack(Some(&bytes)).unwrap(), (texts.to_vec(), uoms.to_vec()));
        assert_eq!(pack(&[], &[]), None);
        for cut in 0..bytes.len() {
            assert!(unpack(Some(&bytes[..cut])).is_err(), "{cut}");
        }
    }
}
