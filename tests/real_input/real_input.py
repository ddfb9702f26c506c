#!/usr/bin/env python3
"""Sends public data sets to a broker as units would, with the stock client, and checks what the program made of them.

    real_input.py register DATA                     prints the register of the units, as TOML
    real_input.py run DATA --broker HOST:PORT --api URL --token TOKEN

DATA is the folder that holds `skab` and `cmapss`. `--skab N` and `--cmapss N` take the first N units of each set.
Every experiment of the pump rig and every engine of the turbofan set is a unit of the class beside this file, moved
in time so that its last row is now; one turbofan cycle is one hour. Values are sent with the digits of the files.

`run` publishes everything (mosquitto_pub, QoS 1), waits until it is stored, compares every sample with what was sent
(count, time and value) and exits 1 if one differs. Then it waits until the findings rest and prints how many labelled
changes they meet and how many alarms lie outside. Standard library only.
"""
import argparse
import csv
import json
import statistics
import subprocess
import sys
import time
import tomllib
import urllib.parse
import urllib.request
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timezone
from pathlib import Path

HERE = Path(__file__).resolve().parent
RAILWAYS = {"pump-rig": ("rig-hall", "Rig Hall"), "turbofan": ("engine-house", "Engine House")}
# Rows in one message: a minute of the rig, a cycle of an engine.
ROWS_PER_PACK = {"pump-rig": 60, "turbofan": 1}
# A change counts as met when its symptom is detected from the label until so long after it: the tolerance of the
# pump rig benchmark's own change-point score.
TOLERANCE_S = 60
CYCLE_S = 3600
# The part of an engine's life in which an alarm is false, as no wear has begun to show.
EARLY_LIFE = 0.4
# Units that send at one time.
SENDERS = 4
STORED_WITHIN_S = 300
REST_S = 8
# Bounds of one request for samples, a little under the program's.
MOST_SPAN_S = 6 * 86_400
MOST_SAMPLES = 40_000


class Unit:
    """One experiment or engine: rows of (seconds since 1970, values as text), and its labels in the same clock."""

    def __init__(self, klass, name, rows, changes=(), anomaly=None):
        self.klass, self.name, self.rows = klass, name, rows
        self.changes, self.anomaly = changes, anomaly
        self.railway = RAILWAYS[klass][0]

    @property
    def topic(self):
        return f"units/{self.railway}/{self.name}/senml"


def channels(klass):
    """[(name, unit of measure)] in the order of the set's columns."""
    with open(HERE / f"{klass}.toml", "rb") as file:
        return [(c["name"], c["uom"]) for c in tomllib.load(file)["classes"][0]["channels"]]


def pump_rig(data, now):
    """The labelled experiments in the order of their names, then the long one without an anomaly."""
    folder = data / "skab" / "data"
    paths = [p for group in ("valve1", "valve2", "other") for p in sorted((folder / group).glob("*.csv"))]
    for path in [*paths, folder / "anomaly-free" / "anomaly-free.csv"]:
        with open(path, newline="") as file:
            table = list(csv.reader(file, delimiter=";"))
        header, table = table[0], table[1:]
        times = [int(datetime.fromisoformat(r[0]).replace(tzinfo=timezone.utc).timestamp()) for r in table]
        shift = now - times[-1]
        rows = [(t + shift, r[1:9]) for t, r in zip(times, table)]
        label = {n: [float(r[header.index(n)]) for r in table] for n in ("anomaly", "changepoint") if n in header}
        inside = [t for (t, _), a in zip(rows, label.get("anomaly", [])) if a]
        changes = [t for (t, _), c in zip(rows, label.get("changepoint", [])) if c]
        name = path.stem if path.stem == "anomaly-free" else f"{path.parent.name}-{path.stem}"
        yield Unit("pump-rig", name, rows, changes, (inside[0], inside[-1]) if inside else None)


def turbofan(data, now):
    """The engines in the order of their numbers, each until its end of life."""
    engines = {}
    for path in sorted((data / "cmapss").glob("train_FD001*.txt")):
        for line in path.read_text().splitlines():
            number, _, *values = line.split()
            engines.setdefault(int(number), []).append(values)
    for number, table in sorted(engines.items()):
        first = now - (len(table) - 1) * CYCLE_S
        yield Unit("turbofan", f"engine-{number:03}", [(first + i * CYCLE_S, v) for i, v in enumerate(table)])


def selection(options, now):
    rigs, engines = list(pump_rig(options.data, now)), list(turbofan(options.data, now))
    return rigs[: options.skab] + engines[: options.cmapss]


def register(units):
    used = {u.klass for u in units}
    for klass, (railway, name) in RAILWAYS.items():
        if klass in used:
            yield f'[[railways]]\nid = "{railway}"\nname = "{name}"\n'
    for unit in units:
        yield f'[[units]]\nrailway = "{unit.railway}"\nid = "{unit.name}"\nclass = "{unit.klass}"\n'


def packs(unit):
    """The unit's messages, a line each: SenML JSON with the time of the first row as base time."""
    names, step = channels(unit.klass), ROWS_PER_PACK[unit.klass]
    for begin in range(0, len(unit.rows), step):
        part = unit.rows[begin : begin + step]
        base, records = part[0][0], []
        for at, values in part:
            for (name, uom), value in zip(names, values, strict=True):
                head = f'"bt":{base},' if not records else ""
                offset = f'"t":{at - base},' if at != base else ""
                measure = f'"u":"{uom}",' if uom else ""
                records.append(f'{{{head}"n":"{name}",{measure}{offset}"v":{value}}}')
        yield "[" + ",".join(records) + "]"


def publish(unit, broker):
    host, port = broker.rsplit(":", 1)
    command = ["mosquitto_pub", "-h", host, "-p", port, "-V", "5", "-q", "1", "-t", unit.topic, "-l"]
    lines = "".join(pack + "\n" for pack in packs(unit))
    subprocess.run(command, input=lines.encode(), check=True)


class Api:
    def __init__(self, base, token):
        self.base, self.token = base, token

    def get(self, path, **query):
        query = urllib.parse.urlencode({k: v for k, v in query.items() if v is not None})
        request = urllib.request.Request(f"{self.base}{path}?{query}")
        request.add_header("authorization", f"Bearer {self.token}")
        with urllib.request.urlopen(request, timeout=60) as answer:
            return json.load(answer)

    def pages(self, path, **query):
        cursor = None
        while True:
            page = self.get(path, cursor=cursor, **query)
            yield from page["items"]
            cursor = page["next"]
            if cursor is None:
                return


def seconds(text):
    return datetime.fromisoformat(text.replace("Z", "+00:00")).timestamp()


def rfc3339(at):
    return datetime.fromtimestamp(at, timezone.utc).isoformat().replace("+00:00", "Z")


def windows(unit, channel_count):
    """The unit's rows cut so that each part can be asked for in one request: [(from, to, rows)], without gaps."""
    begin, rows = 0, unit.rows
    while begin < len(rows):
        end = begin
        while end < len(rows) and rows[end][0] - rows[begin][0] < MOST_SPAN_S:
            if (end - begin + 1) * channel_count > MOST_SAMPLES:
                break
            end += 1
        yield rows[begin][0], rows[end][0] if end < len(rows) else rows[-1][0] + 1, rows[begin:end]
        begin = end


def stored(api, unit, names, begin, end):
    """{channel: [(seconds, value)]} as the program keeps it."""
    path = f"/api/v1/units/{unit.railway}/{unit.name}/samples"
    span = {"from": rfc3339(begin), "to": rfc3339(end)}
    answer = api.get(path, channel=",".join(names), **span)
    return {s["channel"]: [(seconds(p["time"]), p["value"]) for p in s["points"]] for s in answer["series"]}


def wait_until_stored(api, units):
    """Waits for each unit's last row: one sender's messages arrive in order."""
    until = time.monotonic() + STORED_WITHIN_S
    for unit in units:
        name, last = channels(unit.klass)[-1][0], unit.rows[-1][0]
        while not stored(api, unit, [name], last, last + 1)[name]:
            if time.monotonic() > until:
                sys.exit(f"{unit.topic}: the last row is not stored after {STORED_WITHIN_S} s")
            time.sleep(0.2)


def compare(api, units):
    """How many samples were sent; exits with the first difference."""
    count = 0
    for unit in units:
        names = [name for name, _ in channels(unit.klass)]
        for begin, end, rows in windows(unit, len(names)):
            kept = stored(api, unit, names, begin, end)
            for position, name in enumerate(names):
                sent = [(float(at), float(values[position])) for at, values in rows]
                if sent != kept[name]:
                    pairs = zip(sent, kept[name])
                    differs = next((pair for pair in pairs if pair[0] != pair[1]), "after the shorter one's end")
                    sys.exit(f"{unit.topic} {name}: sent {len(sent)}, kept {len(kept[name])}: {differs}")
                count += len(sent)
    return count


def resting_findings(api, units):
    """The findings and how many samples are judged, once neither has moved for a while."""
    railways, before, since = sorted({u.railway for u in units}), None, time.monotonic()
    while time.monotonic() - since < REST_S:
        findings = [f for r in railways for f in api.pages("/api/v1/findings", railway=r, limit=100)]
        now = (int(api.get("/api/v1/feed")["samples"]), findings)
        if now != before:
            before, since = now, time.monotonic()
        time.sleep(0.5)
    return before


def alarms(findings, unit):
    """Times at which symptoms on the machine or its sensors were detected, in order."""
    return sorted(
        seconds(s["detected"])
        for f in findings
        if f["railway"] == unit.railway and f["unit"] == unit.name and f["kind"] in ("machine", "sensor")
        for s in f["symptoms"]
    )


def score_rigs(units, findings):
    rigs = [u for u in units if u.klass == "pump-rig"]
    met = points_met = points = outside = quiet = 0
    for unit in rigs:
        times = alarms(findings, unit)
        if unit.anomaly is None:
            outside += len(times)
            continue
        begin, end = unit.anomaly
        inside = [t for t in times if begin <= t <= end + TOLERANCE_S]
        met += bool(inside)
        outside += len(times) - len(inside)
        quiet += len(times) == len(inside)
        points += len(unit.changes)
        points_met += sum(any(c <= t <= c + TOLERANCE_S for t in times) for c in unit.changes)
    labelled = sum(u.anomaly is not None for u in rigs)
    if rigs:
        print(
            f"pump rig: {met} of {labelled} labelled anomalies met, {points_met} of {points} change points within "
            f"{TOLERANCE_S} s; {outside} symptoms outside, {quiet} of {labelled} experiments without one outside"
        )


def score_engines(units, findings):
    engines = [u for u in units if u.klass == "turbofan"]
    leads, early = [], 0
    for unit in engines:
        begin, end = unit.rows[0][0], unit.rows[-1][0]
        times = alarms(findings, unit)
        early += any(t < begin + EARLY_LIFE * (end - begin) for t in times)
        late_enough = [t for t in times if t >= begin + EARLY_LIFE * (end - begin)]
        if late_enough:
            leads.append((end - late_enough[0]) / CYCLE_S)
    if engines:
        median = f"{statistics.median(leads):.0f}" if leads else "no"
        print(
            f"turbofans: {len(leads)} of {len(engines)} warned before the end of life, median lead {median} cycles, "
            f"{early} alarmed in the first {EARLY_LIFE:.0%} of life"
        )


def run(options, units):
    api = Api(options.api, options.token)
    began = time.monotonic()
    with ThreadPoolExecutor(SENDERS) as senders:
        list(senders.map(lambda unit: publish(unit, options.broker), units))
    published = time.monotonic()
    wait_until_stored(api, units)
    waited = time.monotonic()
    samples = compare(api, units)
    print(
        f"{len(units)} units, {samples} samples sent and stored equal "
        f"(published in {published - began:.1f} s, all stored {waited - published:.1f} s later)"
    )
    judged, findings = resting_findings(api, units)
    print(f"{judged} samples judged, {len(findings)} findings, {sum(len(f['symptoms']) for f in findings)} symptoms")
    score_rigs(units, findings)
    score_engines(units, findings)
    return findings


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("command", choices=["register", "run"])
    parser.add_argument("data", type=Path)
    parser.add_argument("--skab", type=int, default=None, help="first N experiments (default: all)")
    parser.add_argument("--cmapss", type=int, default=None, help="first N engines (default: all)")
    parser.add_argument("--broker", default="127.0.0.1:1883")
    parser.add_argument("--api", default="http://127.0.0.1:8470")
    parser.add_argument("--token", default="")
    options = parser.parse_args()
    units = selection(options, int(time.time()))
    if options.command == "register":
        print("\n".join(register(units)))
    elif not run(options, units):
        sys.exit("no finding was opened on data that end in failures")


if __name__ == "__main__":
    main()
