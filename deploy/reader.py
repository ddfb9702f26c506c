"""Reads blocks and rollups from the SQLite file of a notchwatch store, by the format in crates/store/doc/storage.md.

It shares nothing with the program: what it prints is what another program can know. Needs numpy, pcodec, zstandard.

    python3 reader.py FILE samples    unit_no, channel, time in microseconds, bits of the value in hex; settled
    python3 reader.py FILE texts      unit_no, channel, time in microseconds, text as JSON
    python3 reader.py FILE rollups    unit_no, channel, begin in microseconds, count, bits of smallest, mean, largest, last
    python3 reader.py FILE messages   unit_no, journal position, receive time in microseconds, flags

Reads the present forms, 2 of each; rows of the journal that are in no block yet are left out.
"""

import binascii
import json
import sqlite3
import struct
import sys

import numpy as np
import zstandard
from pcodec import standalone

DAY_US = 86_400_000_000
BUCKET_US = 1_800_000_000
PLAIN = 255
SHORT = 16


class Damaged(Exception):
    """The bytes are not what was written."""


class Bytes:
    """Reads the building stones, one after the other."""

    def __init__(self, data):
        self.data = memoryview(data)
        self.at = 0

    @classmethod
    def summed(cls, data):
        """Checks the sum at the end and reads what is before it."""
        body, told = data[:-4], data[-4:]
        if binascii.crc32(body) != int.from_bytes(told, "little"):
            raise Damaged("checksum does not match")
        return cls(body)

    def take(self, count):
        if self.at + count > len(self.data):
            raise Damaged("ends early")
        self.at += count
        return self.data[self.at - count : self.at]

    def byte(self):
        return self.take(1)[0]

    def number(self):
        value, shift = 0, 0
        while True:
            byte = self.byte()
            value |= (byte & 0x7F) << shift
            if byte < 0x80:
                return value
            shift += 7

    def signed(self):
        value = self.number()
        return (value >> 1) ^ -(value & 1)

    def part(self):
        return self.take(self.number())

    def float(self):
        return struct.unpack("<d", self.take(8))[0]

    def rest(self):
        return self.take(len(self.data) - self.at)

    def uoms(self):
        return [(self.number(), bytes(self.part()).decode()) for _ in range(self.number())]


def column(data):
    """A long column; pco's reader gives nothing for a file without numbers."""
    numbers = standalone.simple_decompress(bytes(data))
    return np.array([], dtype=np.int64) if numbers is None else numbers


def values(form, data):
    """Values of a channel from their form and their long column, in double precision."""
    numbers = column(data)
    if form == PLAIN:
        return numbers
    digits = form - SHORT if form >= SHORT else form
    return numbers.astype(np.float64) / 10.0**digits


def read_block(packed):
    """Messages (position, receive time, flags, units of measure), samples (channel, times, messages, values), texts."""
    if bytes(packed[:3]) != b"NB\x02":
        raise Damaged("not a block of form 2")
    block = Bytes(packed[3:])
    head = Bytes.summed(block.part())
    head.number()
    positions, received = column(head.part()), column(head.part())
    marks = {}
    for _ in range(head.number()):
        at = head.number()
        marks[at] = (head.byte(), head.uoms())
    messages = [(int(p), int(r), *marks.get(at, (0, []))) for at, (p, r) in enumerate(zip(positions, received))]
    rows = head.number()
    times, of_message = column(head.part()), column(head.part())
    directory = [(head.number(), head.number()) for _ in range(head.number())]
    samples = []
    for channel, length in directory:
        part = Bytes.summed(block.take(length))
        if part.byte() == 1:
            present = np.ones(rows, dtype=bool)
        else:
            bits = np.frombuffer(part.take((rows + 7) // 8), dtype=np.uint8)
            present = np.unpackbits(bits, bitorder="little")[:rows].astype(bool)
        form = part.byte()
        samples.append((channel, times[present], of_message[present], values(form, part.rest())))
    tail = Bytes.summed(block.rest())
    texts = []
    for _ in range(tail.number()):
        message, time, channel = tail.number(), tail.signed(), tail.number()
        texts.append((channel, time, message, bytes(tail.part()).decode()))
    return messages, samples, texts


def read_rollup(packed, day):
    """Buckets: channel, begin, count, smallest, mean, largest, last."""
    if bytes(packed[:3]) != b"NR\x02":
        raise Damaged("not a rollup of form 2")
    whole = Bytes.summed(packed)
    whole.take(3)
    unpacked = [zstandard.ZstdDecompressor().decompressobj().decompress(bytes(whole.part())) for _ in range(6)]
    heads, smallest, span, total, last, plain = (Bytes(stream) for stream in unpacked)
    buckets, places = [], []
    for _ in range(heads.number()):
        channel, count = heads.number(), heads.number()
        if count:
            places = [(heads.number(), heads.number()) for _ in range(count)]
        digits = heads.byte()
        scale, least = 10.0**digits if digits != PLAIN else 1.0, 0
        for position, samples in places:
            if digits == PLAIN:
                low, mean, high, end = (plain.float() for _ in range(4))
            else:
                least += smallest.signed()
                wide = span.signed()
                low, high = least / scale, (least + wide) / scale
                mean, end = low, low
                if wide:
                    mean = (total.signed() + least * samples) / scale / samples
                    mean = min(max(mean, low), high)
                    end = (least + last.signed()) / scale
            buckets.append((channel, day * DAY_US + position * BUCKET_US, samples, low, mean, high, end))
    return buckets


def bits(value):
    return struct.pack(">d", value).hex()


def order(value):
    """Ordering of doubles in which minus zero is below zero."""
    number = struct.unpack("<q", struct.pack("<d", value))[0]
    return number if number >= 0 else number ^ 0x7FFF_FFFF_FFFF_FFFF


def settled(samples):
    """One value a channel and time: of two the greater one."""
    kept = {}
    for channel, times, _, numbers in samples:
        for time, value in zip(times.tolist(), numbers.tolist()):
            held = kept.get((channel, time))
            if held is None or order(value) > order(held):
                kept[channel, time] = value
    return sorted(kept.items())


def main():
    path, what = sys.argv[1:]
    store = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    if what == "rollups":
        for unit_no, day, packed in store.execute("SELECT unit_no, day, packed FROM rollup ORDER BY unit_no, day"):
            for channel, begin, count, *numbers in read_rollup(packed, day):
                print(unit_no, channel, begin, count, *map(bits, numbers))
        return
    for unit_no, packed in store.execute("SELECT unit_no, packed FROM block ORDER BY unit_no, day"):
        messages, samples, texts = read_block(packed)
        if what == "samples":
            for (channel, time), value in settled(samples):
                print(unit_no, channel, time, bits(value))
        elif what == "texts":
            for channel, time, _, text in texts:
                print(unit_no, channel, time, json.dumps(text))
        elif what == "messages":
            for position, received, flags, _ in messages:
                print(unit_no, position, received, flags)
        else:
            sys.exit(__doc__)


if __name__ == "__main__":
    main()
