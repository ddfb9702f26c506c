"""Writes samples (lines of unit, channel, time, value) to Parquet with zstd in several layouts and prints their bytes.

Usage: parquet.py SAMPLES FOLDER. Prints a line a layout: bytes, name. Needs pyarrow and numpy.
"""

import os
import sys

try:
    import numpy as np
    import pyarrow as pa
    import pyarrow.csv
    import pyarrow.parquet as pq
except ImportError as error:
    sys.exit(f"python lacks {error.name}: give another one by --python")

DAY = 86_400_000_000
LEVEL = 9


def wide(table):
    """A table for each unit and day: time, and a column for each channel, sorted by time."""
    units = table["unit"].to_numpy(zero_copy_only=False)
    channels, times, values = (table[name].to_numpy() for name in ("channel", "time", "value"))
    all_channels = np.unique(channels)
    keys = {}
    for unit in np.unique(units):
        mine = units == unit
        days = times[mine] // DAY
        for day in np.unique(days):
            part = days == day
            t, c, v = times[mine][part], channels[mine][part], values[mine][part]
            rows = np.unique(t)
            columns = np.full((len(all_channels), len(rows)), np.nan)
            columns[np.searchsorted(all_channels, c), np.searchsorted(rows, t)] = v
            keys[unit, int(day)] = (rows, columns)
    return all_channels, keys


def frame(all_channels, rows, columns, whole, unit=None):
    """An Arrow table of a piece. With `whole`, a channel whose values are decimals is kept as whole numbers."""
    names, arrays = ["time"], [pa.array(rows)]
    if unit is not None:
        names.insert(0, "unit")
        arrays.insert(0, pa.array([unit] * len(rows)))
    for channel, column in zip(all_channels, columns):
        absent = np.isnan(column)
        names.append(f"c{channel}")
        if whole[channel] is None:
            arrays.append(pa.array(column, mask=absent))
        else:
            scaled = np.rint(np.where(absent, 0, column) * 10.0 ** whole[channel]).astype(np.int64)
            arrays.append(pa.array(scaled, mask=absent))
    return pa.table(arrays, names=names)


def digits(all_channels, keys):
    """Decimal digits of each channel over all pieces; None where they are many."""
    found = {}
    for at, channel in enumerate(all_channels):
        column = np.concatenate([columns[at] for _, columns in keys.values()])
        column = column[~np.isnan(column)]
        found[channel] = next((d for d in range(7) if np.all(np.rint(column * 10.0**d) / 10.0**d == column)), None)
    return found


def write(path, frames, **options):
    """One file, a row group a frame. Returns its bytes."""
    writer = pq.ParquetWriter(path, frames[0].schema, compression="zstd", compression_level=LEVEL, **options)
    for one in frames:
        writer.write_table(one, row_group_size=len(one))
    writer.close()
    return os.path.getsize(path)


def encodings(frame, floats, wholes):
    """Encodings by column; dictionaries are off for those named."""
    chosen = {}
    for field in frame.schema:
        if pa.types.is_floating(field.type):
            chosen[field.name] = floats
        elif pa.types.is_integer(field.type):
            chosen[field.name] = wholes
    return {"use_dictionary": False, "column_encoding": chosen}


def best(folder, frames, plans):
    """Smallest of several plans, and which one it was."""
    sizes = {}
    for name, options in plans.items():
        sizes[name] = write(os.path.join(folder, "one.parquet"), frames, **options)
    name = min(sizes, key=sizes.get)
    return sizes[name], name


def main():
    source, folder = sys.argv[1:]
    read = pa.csv.ReadOptions(column_names=["unit", "channel", "time", "value"])
    kinds = pa.csv.ConvertOptions(column_types={"value": pa.float64()})
    table = pa.csv.read_csv(source, read_options=read, convert_options=kinds)
    all_channels, keys = wide(table)
    plain = dict.fromkeys(all_channels)
    scaled = digits(all_channels, keys)

    def by_unit(whole):
        joined = {}
        for (unit, _), piece in sorted(keys.items()):
            joined.setdefault(unit, []).append(piece)
        return [
            frame(all_channels, np.concatenate([r for r, _ in p]), np.concatenate([c for _, c in p], axis=1), whole, unit)
            for unit, p in joined.items()
        ]

    def by_day(whole):
        return [frame(all_channels, *piece, whole, unit) for (unit, _), piece in sorted(keys.items())]

    for title, frames in [
        ("unit-day row groups, doubles", by_day(plain)),
        ("unit row groups of all days, doubles", by_unit(plain)),
        ("unit-day row groups, decimals as whole numbers", by_day(scaled)),
        ("unit row groups of all days, decimals as whole numbers", by_unit(scaled)),
    ]:
        plans = {
            "dictionary": {"use_dictionary": True},
            "dictionary, times by delta": {
                "use_dictionary": [name for name in frames[0].column_names if name != "time"],
                "column_encoding": {"time": "DELTA_BINARY_PACKED"},
            },
            "plain": {"use_dictionary": False},
            "byte stream split, delta": encodings(frames[0], "BYTE_STREAM_SPLIT", "DELTA_BINARY_PACKED"),
            "byte stream split": encodings(frames[0], "BYTE_STREAM_SPLIT", "BYTE_STREAM_SPLIT"),
        }
        plans = {name: {**plan, "write_statistics": False} for name, plan in plans.items()}
        size, name = best(folder, frames, plans)
        print(f"{size} Parquet, {title} ({name})")

    long = table.sort_by([("unit", "ascending"), ("channel", "ascending"), ("time", "ascending")])
    plans = {
        "dictionary": {"use_dictionary": True},
        "delta and byte stream split": {
            "use_dictionary": ["unit", "channel"],
            "column_encoding": {"time": "DELTA_BINARY_PACKED", "value": "BYTE_STREAM_SPLIT"},
        },
        "delta and dictionary": {
            "use_dictionary": ["unit", "channel", "value"],
            "column_encoding": {"time": "DELTA_BINARY_PACKED"},
        },
    }
    size, name = best(folder, [long], plans)
    print(f"{size} Parquet, a row a sample ({name})")


if __name__ == "__main__":
    main()
