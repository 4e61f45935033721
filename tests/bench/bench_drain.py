#!/usr/bin/env python3
"""A backlog at speed: how fast the daemon drains one, beside what a bare publisher does with the same bytes on the same broker.

Usage: UPHOLE_BINARY=... bench_drain.py [SCANS [ROUNDS]]     SCANS: rows of the backlog (default 200000); ROUNDS of all three (default 3)

The journal is filled as an outage of the link leaves it. Then, interleaved and each with the same subscriber beside it:
  drain     the daemon, polling its lines meanwhile, until the backlog has been accepted
  batches   a plain program that publishes the very messages of that drain, prepared before, 20 unanswered
  printf    the same program, which holds the rows as numbers and writes the same text itself, by the C library
  exact     the same again, with the project's whole-number arithmetic for numbers and times
  samples   prepared again: one message for each point of each record
Prints figures and ratios; asserts nothing. Speeds depend on the machine, ratios less so. docs/performance.md says how to read it.
"""
import datetime
import json
import math
import os
import pathlib
import shutil
import statistics
import struct
import subprocess
import sys
import time

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "walk"))
import walk as walks  # noqa: E402
from walk import BINARY, SOURCE, Walk, wait_for  # noqa: E402

BENCH = BINARY.parents[2] / "tests/bench"
SAMPLES = 20000  # of the third program, over and over
TEXTS_CHECKED = 200
IDLE_S = 12      # watched after the drain, to compare with
FLOWS = 0.05     # of what the subscriber keeps: processor time counts from here to so far from its end
HEAD = struct.Struct("=qII")
BARE = {"publish": "bare publisher, the same batches", "printf": "the same, written by printf", "exact": "the same, whole-number arithmetic"}


def memory(pid, field="RssAnon"):
    for line in pathlib.Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith(field + ":"):
            return int(line.split()[1])
    return 0


def processor_s(pid):
    """Of all threads of a process that still runs, to the nanosecond (clock_getcpuclockid)."""
    return time.clock_gettime(~pid << 3 | 2)


def main_thread_s(pid):
    return int(pathlib.Path(f"/proc/{pid}/task/{pid}/schedstat").read_text().split()[0]) / 1e9


def messages(path):
    """(arrival in s, topic, payload) of each message that the subscriber kept."""
    data = path.read_bytes()
    at = 0
    while at + HEAD.size <= len(data):
        ns, topic, payload = HEAD.unpack_from(data, at)
        at += HEAD.size
        yield ns / 1e9, data[at:at + topic].decode(), data[at + topic:at + topic + payload]
        at += topic + payload


class Listener:
    def __init__(self, walk, name):
        self.walk, self.path = walk, walk.directory / name
        self.process = subprocess.Popen([BENCH / "bench_drain_peer", "listen", str(walk.broker_port), "uphole/#", self.path], stdout=subprocess.PIPE)
        walk.processes.append(self.process)
        assert self.process.stdout.readline() == b"ready\n"

    def stop(self):
        self.walk.stop(self.process)
        return list(messages(self.path))


def publish(walk, path, seconds, how="publish"):
    """The bare publisher with a subscriber of its own, for as long as the drain took; (messages, bytes, seconds, processor time of publisher, broker, subscriber)."""
    listener = Listener(walk, "heard-bare")
    before = [processor_s(walk.broker.pid), processor_s(listener.process.pid)]
    out = subprocess.run([BENCH / "bench_drain_peer", how, str(walk.broker_port), path, str(seconds)], stdout=subprocess.PIPE, text=True, check=True).stdout.split()
    spent = [float(out[3])] + [processor_s(pid) - was for pid, was in zip((walk.broker.pid, listener.process.pid), before)]
    listener.walk.stop(listener.process)
    return int(out[0]), int(out[1]), float(out[2]), spent


def prepare(path, found):
    with path.open("wb") as file:
        for topic, payload in found:
            file.write(HEAD.pack(0, len(topic), len(payload)) + topic.encode() + payload)


def numbers(texts, kind):
    return struct.pack(f"={len(texts)}{kind}", *(math.nan if text is None else float(text) for text in texts))


def row_of(row, names):
    """A row as bench_drain_write.c reads it."""
    when = datetime.datetime.fromisoformat(row["time"].replace("Z", "+00:00"))
    ms = (when - datetime.datetime(1970, 1, 1, tzinfo=datetime.timezone.utc)) // datetime.timedelta(milliseconds=1)
    values = row["values"]
    behind = f',"worst_inputs":{json.dumps(row["worst_inputs"], separators=(",", ":"))}'.encode() if "worst_inputs" in row else b""
    index = [names.setdefault(row[key], len(names)) for key in ("source", "clock", "outcome")]
    decimals = bytes(len(text.partition(".")[2]) if isinstance(text, str) else 0 for text in values)
    return (struct.pack("=qQH3B", ms, row["seq"], len(values), *index) + decimals + bytes(row["qualities"]) +
            numbers(values, "d") + numbers(row["age_s"], "f") + struct.pack("=H", len(behind)) + behind)


def prepare_rows(path, found):
    """The messages as numbers; the texts of the first ones stand beside them, and must be what is written of those numbers."""
    names, parts = {}, []
    for i, (topic, payload) in enumerate(found):
        message = json.loads(payload, parse_float=str)
        head = payload[:payload.index(b'"rows":[') + len(b'"rows":[')]
        text = payload if i < TEXTS_CHECKED else b""
        parts.append(struct.pack("=4I", len(topic), len(head), len(text), len(message["rows"])) + topic.encode() + b"\0" + head + text)
        parts += [row_of(row, names) for row in message["rows"]]
    with path.open("wb") as file:
        file.write(struct.pack("=I", len(names)) + b"".join(struct.pack("=I", len(name)) + name.encode() for name in names) + b"".join(parts))


def samples_of(found):
    """One message for each point of each record, as small as such messages are."""
    for topic, payload in found:
        message = json.loads(payload)
        for row in message["rows"]:
            for point, value, quality in zip(message["sets"][row["source"]]["points"], row["values"], row["qualities"]):
                one = {"time": row["time"], "value": value, "quality": quality}
                yield topic.rsplit("/", 1)[0] + "/" + point, json.dumps(one, separators=(",", ":")).encode()


def first(iterable, n):
    return [one for one, _ in zip(iterable, range(n))]


class Round:
    """One drain, watched from outside."""

    def __init__(self, walk, scans):
        self.walk, self.scans = walk, scans
        shutil.rmtree(walk.journal)
        walk.journal.mkdir(mode=0o750)
        subprocess.run([BENCH / "bench_drain_fill", walk.config, SOURCE / "config/maps", str(scans)], check=True)
        self.watched = []  # (time, RssAnon of both sides)
        self.looks = []    # (bytes that the subscriber has kept, processor time of all four processes and of the main thread)
        self.drain()

    def look(self):
        sides = (self.walk.daemon.pid, self.walk.scada_side())
        if sides[1] is not None:
            self.sides = sides
            self.watched.append((time.monotonic(), *(memory(pid) for pid in sides)))
            self.looks.append((self.listener.path.stat().st_size,
                               [processor_s(pid) for pid in (*sides, self.walk.broker.pid, self.listener.process.pid)] + [main_thread_s(sides[0])]))

    def processor_us(self):
        """Of each process for a row, while rows flow: what starting costs is not the drain's, as reading its file is not the bare publisher's."""
        whole = self.looks[-1][0]
        flowing = [look for look in self.looks if FLOWS * whole <= look[0] <= (1 - FLOWS) * whole]
        (before, began), (after, ended) = flowing[0], flowing[-1]
        rows = self.rows * (after - before) / whole
        return [(last - first) / rows * 1e6 for first, last in zip(began, ended)]

    def is_done(self):
        """The cursors stand behind what the journal was filled with."""
        rows = self.walk.sql(f"SELECT well, pos, (SELECT max(pos) FROM scan s WHERE s.well = c.well AND s.run = {self.filled_run}) AS last"
                             " FROM cursor c WHERE stream = 1 AND destination = 'plant-broker'")
        return len(rows) == 2 and all(row["pos"] >= row["last"] for row in rows)

    def drain(self):
        self.filled_run = self.walk.sql("SELECT run FROM scan LIMIT 1")[0]["run"]
        self.listener = listener = Listener(self.walk, "heard-drain")
        self.walk.start_daemon()
        while not self.is_done():
            for _ in range(5):
                time.sleep(0.1)
                self.look()
        idle = time.monotonic() + IDLE_S
        while time.monotonic() < idle:
            time.sleep(0.25)
            self.look()
        self.walk.stop(self.walk.daemon)
        self.heard = listener.stop()
        self.judge()
        self.spent = self.processor_us()

    def judge(self):
        late = [(at, topic, payload) for at, topic, payload in self.heard if topic.endswith("/record") and b'"sent":"late"' in payload]
        self.late = [(topic, payload) for _, topic, payload in late]
        self.rows = sum(payload.count(b'"outcome":') for _, payload in self.late)
        self.bytes = sum(len(payload) for _, payload in self.late)
        self.from_s, self.to_s = late[0][0], late[-1][0]
        self.seconds = self.to_s - self.from_s
        self.points = sum(len(row["values"]) for _, payload in first(self.late, 200) for row in json.loads(payload)["rows"]) / \
            sum(len(json.loads(payload)["rows"]) for _, payload in first(self.late, 200))

    def ages(self, during):
        """Of each message `latest` but a well's first: ages of its points (s), and how long after the one before it came."""
        ages, apart, before = [], [], {}
        for at, topic, payload in self.heard:
            if not topic.endswith("/latest"):
                continue
            is_within = self.from_s <= at <= self.to_s
            if topic in before and is_within == during and (is_within or at > self.to_s + 2):
                ages += [point["age_s"] for point in json.loads(payload)["points"].values() if point["age_s"] is not None and point["quality"] == 192]
                apart.append(at - before[topic])
            before[topic] = at
        return ages, apart

    def missed(self):
        """Due polls of the daemon's own run that were not attempted or not answered; what its stop cut off is nobody's failure."""
        skipped = self.walk.sql(f"SELECT coalesce(sum(scans), 0) AS n FROM gap g WHERE kind IN (1, 6, 7, 8) AND cause NOT LIKE 'Due when Uphole was stopped%' "
                                f"AND run <> {self.filled_run} AND NOT EXISTS"
                                " (SELECT 1 FROM gap m WHERE m.run = g.run AND m.id = g.id AND m.revision > g.revision)")[0]["n"]
        polled = self.walk.sql(f"SELECT count(*) AS n, sum(outcome <> 1) AS bad FROM scan WHERE run <> {self.filled_run}")[0]
        return skipped, polled["n"], polled["bad"]


def show(rounds, bare, samples):
    middle = statistics.median
    drain = middle(r.rows / r.seconds for r in rounds)
    points = rounds[0].points
    single = middle(n / seconds for n, _, seconds, _ in samples)
    one = rounds[-1]
    print(f"{one.rows} late rows in {len(one.late)} messages, {points:.1f} points a record; median of {len(rounds)} rounds\n")
    print(f"{'':34}{'rows/s':>10}{'points/s':>12}{'MB/s':>8}   ratio of the drain")
    size = one.bytes / one.rows
    print(f"{'drain':34}{drain:10.0f}{drain * points:12.0f}{drain * size / 1e6:8.1f}")
    for how, name in BARE.items():
        rate = middle(n_rows / seconds for n_rows, seconds, _ in bare[how])
        print(f"{name:34}{rate:10.0f}{rate * points:12.0f}{rate * size / 1e6:8.1f}   {drain / rate:.2f}")
    print(f"{'bare publisher, a message a point':34}{single / points:10.0f}{single:12.0f}{'':8}   {drain * points / single:.1f}")
    print(f"\nbytes a record on the wire  {size:.0f} ({size / points:.1f} a point), {one.rows / len(one.late):.1f} records a message")
    well, scada, broker, listener, core = (middle(r.spent[i] for r in rounds) for i in range(5))
    print(f"processor time a row, drain  well side {well:.1f} us (its main thread {core:.1f}), SCADA side {scada:.1f}, broker {broker:.1f}, subscriber {listener:.1f};"
          f" all {well + scada + broker + listener:.1f}")
    for how, name in BARE.items():
        publisher, broker, listener = (middle(spent[i] / rows * 1e6 for rows, _, spent in bare[how]) for i in range(3))
        print(f"  {name:33} publisher {publisher:.1f} us, broker {broker:.1f}, subscriber {listener:.1f}; all {publisher + broker + listener:.1f}")
    for name, side in (("well side", 1), ("SCADA side", 2)):
        within = [look[side] for look in one.watched if look[0] <= one.to_s]
        half = len(within) // 2
        print(f"RssAnon {name:19} {min(within[2:] or within)} to {max(within)} KiB; highest of the first half {max(within[:half] or within)}, of the second {max(within[half:] or within)}")
    for name, during in (("during the drain", True), ("after it", False)):
        ages, apart = one.ages(during)
        if ages:
            print(f"age of `latest` {name:17} median {middle(ages):.2f} s, oldest {max(ages):.2f} s; sent every {middle(apart):.2f} s, longest {max(apart):.2f} s apart")
    skipped, polled, bad = one.missed()
    print(f"polls meanwhile             {polled} answered or not, {bad} not answered, {skipped} never attempted")


def main():
    scans = int(sys.argv[1]) if len(sys.argv) > 1 else 200000
    n = int(sys.argv[2]) if len(sys.argv) > 2 else 3
    walks.CONFIG = walks.CONFIG.replace("    units: metric\n", "    units: metric\n    latest_every: 1 s\n")
    rounds, bare, samples = [], {how: [] for how in BARE}, []
    with Walk("drain") as walk:
        walk.start_broker()
        walk.start_simulator()
        for i in range(n):
            rounds.append(Round(walk, scans))
            prepare(walk.directory / "batches", rounds[-1].late)
            prepare(walk.directory / "samples", first(samples_of(rounds[-1].late), SAMPLES))
            prepare_rows(walk.directory / "rows", rounds[-1].late)
            one = rounds[-1]
            for how in BARE:
                sent, _, seconds, spent = publish(walk, walk.directory / ("batches" if how == "publish" else "rows"), one.seconds, how)
                bare[how].append((one.rows * sent / len(one.late), seconds, spent))
            samples.append(publish(walk, walk.directory / "samples", one.seconds))
            print(f"round {i + 1}: drain {one.rows / one.seconds:.0f} rows/s in {one.seconds:.2f} s; bare " +
                  ", ".join(f"{how} {bare[how][-1][0] / bare[how][-1][1]:.0f}" for how in BARE) + f" rows/s; {samples[-1][0] / samples[-1][2]:.0f} samples/s", flush=True)
        show(rounds, bare, samples)


main()
