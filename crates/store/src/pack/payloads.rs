//! Payloads of neighbouring journal rows, compressed together: what units send differs little from message to message,
//! so a frame over many is a fraction of as many frames, in bytes and in time.

use super::Broken;
use super::bytes::{self, Put, Take};

/// Form byte of payloads held together in a zstd frame. Forms 0 and 1 hold one payload, see [`bytes::keep_raw`].
const TOGETHER: u8 = 2;
/// Form byte of payloads held together as they are.
const PLAIN: u8 = 3;

/// Packs the payloads of some rows into one value, for the first of them; each with its distance from that row in
/// journal positions.
pub(crate) fn pack<'a>(payloads: impl Iterator<Item = (u64, &'a [u8])>) -> Vec<u8> {
    let mut out = Put::default();
    for (distance, payload) in payloads {
        out.number(distance);
        out.part(payload);
    }
    bytes::fast(TOGETHER, &out.0).unwrap_or_else(|| [&[PLAIN][..], &out.0].concat())
}

/// The reverse of [`pack`], and of [`bytes::keep_raw`] for rows of before: payloads by distance from the row. Nothing
/// for a row whose payload is held by one before it.
pub(crate) fn unpack(raw: &[u8]) -> Result<Vec<(u64, Vec<u8>)>, Broken> {
    match raw.split_first() {
        None => Ok(Vec::new()),
        Some((&TOGETHER, frame)) => each(&bytes::decompress(frame)?),
        Some((&PLAIN, held)) => each(held),
        Some(_) => Ok(vec![(0, bytes::kept_raw(raw)?)]),
    }
}

fn each(held: &[u8]) -> Result<Vec<(u64, Vec<u8>)>, Broken> {
    let (mut from, mut payloads) = (Take(held), Vec::new());
    while from.end().is_err() {
        payloads.push((from.number()?, from.part()?.to_vec()));
    }
    Ok(payloads)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn payloads_come_back_with_their_distances() {
        let sent = [(0, b"[{\"n\":\"a\",\"v\":1}]".to_vec()), (1, Vec::new()), (70, vec![0xff; 3000])];
        let packed = pack(sent.iter().map(|(distance, payload)| (*distance, &payload[..])));
        assert_eq!(unpack(&packed).unwrap(), sent);
        assert!(packed.len() < 100, "{}", packed.len());
        assert_eq!(unpack(&[]).unwrap(), []);
    }

    #[test]
    fn a_payload_alone_is_read_as_it_was_written_before() {
        for payload in [b"short".to_vec(), vec![b'a'; 5000]] {
            assert_eq!(unpack(&bytes::keep_raw(&payload)).unwrap(), [(0, payload)]);
        }
    }

    #[test]
    fn every_changed_bit_is_found_and_none_makes_it_panic() {
        let payloads: Vec<Vec<u8>> = (0..20).map(|n| format!("payload number {n}").into_bytes()).collect();
        let good = pack((0..).zip(payloads.iter().map(|p| &p[..])));
        let wanted = unpack(&good).unwrap();
        for at in 1..good.len() {
            for bit in 0..8 {
                let mut bytes = good.clone();
                bytes[at] ^= 1 << bit;
                assert!(unpack(&bytes).is_err() || unpack(&bytes).unwrap() == wanted, "byte {at}, bit {bit}");
            }
        }
    }
}
