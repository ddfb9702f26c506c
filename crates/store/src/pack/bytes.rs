//! Bytes in and out: whole numbers of variable length (LEB128), length-prefixed parts, a checksum, compression.
//!
//! Refuses lengths that the bytes at hand cannot hold, before anything is allocated.

use std::cell::RefCell;

use crc::{CRC_32_ISO_HDLC, Crc, Table};

use zstd::bulk::Compressor;

use super::Broken;

/// Sixteen bytes a step: it stands on the way to an acknowledgement.
static CRC: Crc<u32, Table<16>> = Crc::<u32, Table<16>>::new(&CRC_32_ISO_HDLC);
/// Most bytes that a compressed part may become: a day of every channel at one sample a second stays below.
const MOST_BYTES: usize = 256 << 20;
/// Compression of what is written once and read often.
const LEVEL: i32 = 3;
/// Compression of what is written once, is short and is kept for years.
const WELL_LEVEL: i32 = 19;
/// Compression of payloads, on the way to an acknowledgement.
const FAST_LEVEL: i32 = 1;
/// Room for compression that a thread keeps: what a group of usual payloads takes.
const KEPT_ROOM: usize = 1 << 20;
/// Payloads below this many bytes gain nothing (common practice).
const WORTH_COMPRESSING: usize = 256;

/// Writes packed bytes.
#[derive(Debug, Default)]
pub(crate) struct Put(pub(crate) Vec<u8>);

/// Reads packed bytes.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Take<'a>(pub(crate) &'a [u8]);

impl Put {
    pub(crate) fn byte(&mut self, value: u8) {
        self.0.push(value);
    }

    /// Seven bits a byte, the low ones first.
    pub(crate) fn number(&mut self, mut value: u64) {
        while value >= 0x80 {
            self.0.push(value.to_le_bytes()[0] | 0x80);
            value >>= 7;
        }
        self.0.push(value.to_le_bytes()[0]);
    }

    pub(crate) fn count(&mut self, value: usize) {
        self.number(value as u64);
    }

    /// Signed: 0, -1, 1, -2, 2, … become 0, 1, 2, 3, 4, …
    pub(crate) fn signed(&mut self, value: i64) {
        self.number(((value << 1) ^ (value >> 63)).cast_unsigned());
    }

    pub(crate) fn float(&mut self, value: f64) {
        self.0.extend_from_slice(&value.to_bits().to_le_bytes());
    }

    /// Length, then the bytes.
    pub(crate) fn part(&mut self, bytes: &[u8]) {
        self.count(bytes.len());
        self.0.extend_from_slice(bytes);
    }

    /// Ends with a CRC-32 (ISO-HDLC, as in zip) over everything before it, low byte first.
    pub(crate) fn sealed(mut self) -> Vec<u8> {
        let sum = CRC.checksum(&self.0);
        self.0.extend_from_slice(&sum.to_le_bytes());
        self.0
    }
}

impl<'a> Take<'a> {
    /// Checks the CRC at the end and reads what is before it.
    pub(crate) fn sealed(bytes: &'a [u8]) -> Result<Self, Broken> {
        let (body, sum) = bytes.split_last_chunk::<4>().ok_or(Broken("too short"))?;
        if CRC.checksum(body) == u32::from_le_bytes(*sum) {
            Ok(Self(body))
        } else {
            Err(Broken("checksum does not match"))
        }
    }

    pub(crate) fn byte(&mut self) -> Result<u8, Broken> {
        let (first, rest) = self.0.split_first().ok_or(Broken("ends early"))?;
        self.0 = rest;
        Ok(*first)
    }

    pub(crate) fn number(&mut self) -> Result<u64, Broken> {
        let mut value = 0_u64;
        for shift in (0..64).step_by(7) {
            let byte = self.byte()?;
            value |= u64::from(byte & 0x7f) << shift;
            if byte & 0x80 == 0 {
                return Ok(value);
            }
        }
        Err(Broken("number too long"))
    }

    /// A count of things of which each takes at least one byte of what is left.
    pub(crate) fn count(&mut self) -> Result<usize, Broken> {
        self.count_of(self.0.len())
    }

    /// A count of at most `most` things.
    pub(crate) fn count_of(&mut self, most: usize) -> Result<usize, Broken> {
        match usize::try_from(self.number()?) {
            Ok(count) if count <= most => Ok(count),
            _ => Err(Broken("count too large")),
        }
    }

    pub(crate) fn signed(&mut self) -> Result<i64, Broken> {
        let value = self.number()?;
        Ok((value >> 1).cast_signed() ^ -(value & 1).cast_signed())
    }

    pub(crate) fn float(&mut self) -> Result<f64, Broken> {
        let (bits, rest) = self.0.split_first_chunk::<8>().ok_or(Broken("ends early"))?;
        self.0 = rest;
        Ok(f64::from_bits(u64::from_le_bytes(*bits)))
    }

    pub(crate) fn part(&mut self) -> Result<&'a [u8], Broken> {
        let length = self.count()?;
        let (part, rest) = self.0.split_at_checked(length).ok_or(Broken("ends early"))?;
        self.0 = rest;
        Ok(part)
    }

    pub(crate) fn text(&mut self) -> Result<&'a str, Broken> {
        std::str::from_utf8(self.part()?).map_err(|_| Broken("text is not UTF-8"))
    }

    pub(crate) fn end(self) -> Result<(), Broken> {
        if self.0.is_empty() { Ok(()) } else { Err(Broken("bytes left over")) }
    }
}

/// CRC-32 of some bytes after the other.
pub(crate) fn crc(parts: &[&[u8]]) -> i64 {
    let mut digest = CRC.digest();
    for part in parts {
        digest.update(part);
    }
    i64::from(digest.finalize())
}

/// Compresses with zstd, and a checksum: a state that decodes to other numbers would be gone on with.
pub(crate) fn compress(bytes: &[u8]) -> Vec<u8> {
    compressor(LEVEL).and_then(|mut compressor| compressor.compress(bytes).ok()).unwrap_or_default()
}

/// Compresses harder: about a millisecond for some kilobytes.
pub(crate) fn compress_well(bytes: &[u8]) -> Vec<u8> {
    zstd::bulk::compress(bytes, WELL_LEVEL).unwrap_or_default()
}

/// The reverse of [`compress`] and [`compress_well`].
pub(crate) fn decompress(bytes: &[u8]) -> Result<Vec<u8>, Broken> {
    use std::io::Read as _;
    let reader = zstd::stream::read::Decoder::new(bytes).map_err(|_| Broken("not zstd"))?;
    let mut out = Vec::new();
    reader.take(MOST_BYTES as u64).read_to_end(&mut out).map_err(|_| Broken("zstd does not decode"))?;
    Ok(out)
}

/// A payload as it is kept: a form byte (0 as it is, 1 zstd), then the bytes.
pub(crate) fn keep_raw(payload: &[u8]) -> Vec<u8> {
    let packed = if payload.len() < WORTH_COMPRESSING { None } else { fast(1, payload) };
    match packed.filter(|packed| packed.len() <= payload.len()) {
        Some(packed) => packed,
        None => [&[0][..], payload].concat(),
    }
}

/// Compresses behind a form byte. The compressor and the room of the thread are used again and again: making them costs
/// more than a payload does.
pub(crate) fn fast(form: u8, bytes: &[u8]) -> Option<Vec<u8>> {
    thread_local! {
        static COMPRESSOR: RefCell<Option<Compressor<'static>>> = RefCell::new(compressor(FAST_LEVEL));
        static ROOM: RefCell<Vec<u8>> = const { RefCell::new(Vec::new()) };
    }
    ROOM.with_borrow_mut(|room| {
        let most = zstd::zstd_safe::compress_bound(bytes.len());
        if room.len() < most {
            room.resize(most, 0);
        }
        let length = COMPRESSOR
            .with_borrow_mut(|c| c.as_mut()?.compress_to_buffer(bytes, room.as_mut_slice()).ok())?;
        let packed = [&[form][..], room.get(..length)?].concat();
        if room.len() > KEPT_ROOM {
            *room = Vec::new();
        }
        Some(packed)
    })
}

/// Its frames end with a checksum of what is in them.
fn compressor(level: i32) -> Option<Compressor<'static>> {
    let mut compressor = Compressor::new(level).ok()?;
    compressor.include_checksum(true).ok()?;
    Some(compressor)
}

/// The reverse of [`keep_raw`].
pub(crate) fn kept_raw(bytes: &[u8]) -> Result<Vec<u8>, Broken> {
    match bytes.split_first() {
        Some((0, payload)) => Ok(payload.to_vec()),
        Some((1, packed)) => decompress(packed),
        _ => Err(Broken("form of the payload is not known")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_come_back() {
        let numbers = [0, 1, 127, 128, 300, u64::from(u32::MAX), u64::MAX];
        let signed = [0, -1, 1, i64::MIN, i64::MAX, -86_400_000_000];
        let mut put = Put::default();
        for n in numbers {
            put.number(n);
        }
        for n in signed {
            put.signed(n);
        }
        put.float(-0.0);
        let mut take = Take(&put.0);
        for n in numbers {
            assert_eq!(take.number(), Ok(n));
        }
        for n in signed {
            assert_eq!(take.signed(), Ok(n));
        }
        assert_eq!(take.float().unwrap().to_bits(), (-0.0_f64).to_bits());
        assert_eq!(take.end(), Ok(()));
    }

    #[test]
    fn lengths_that_cannot_be_are_refused_before_allocating() {
        let mut put = Put::default();
        put.number(u64::MAX);
        assert_eq!(Take(&put.0).part(), Err(Broken("count too large")));
        assert_eq!(Take(&[0xff; 11]).number(), Err(Broken("number too long")));
    }

    #[test]
    fn one_changed_bit_is_found() {
        let mut put = Put::default();
        put.part(b"some bytes");
        let mut bytes = put.sealed();
        assert!(Take::sealed(&bytes).is_ok());
        bytes[3] ^= 1;
        assert_eq!(Take::sealed(&bytes).unwrap_err(), Broken("checksum does not match"));
    }

    #[test]
    fn a_changed_byte_of_what_is_compressed_never_gives_other_bytes() {
        let state: Vec<u8> = (0..4000_u32).flat_map(|n| (n * n).to_le_bytes()).collect();
        let packed = compress(&state);
        assert_eq!(decompress(&packed).unwrap(), state);
        for place in 0..packed.len() {
            let mut broken = packed.clone();
            broken[place] ^= 0x10;
            assert!(decompress(&broken).map_or(true, |read| read == state), "at {place}");
        }
    }

    #[test]
    fn payloads_come_back_in_either_form() {
        for payload in [b"short".to_vec(), vec![b'a'; 5000], Vec::new()] {
            assert_eq!(kept_raw(&keep_raw(&payload)).unwrap(), payload);
        }
        assert!(keep_raw(&vec![b'a'; 5000]).len() < 100);
        assert!(kept_raw(&[]).is_err() && kept_raw(&[7, 1]).is_err());
    }
}
