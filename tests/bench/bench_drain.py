#!/usr/bin/env python3
"""A backlog at speed: how fast the daemon drains one, beside what a bare publisher does with the same bytes on the same broker.

Usage: UPHOLE_BINARY=... bench_drain.py [SCANS [ROUNDS]]     SCANS: rows of the backlog (default 200000); ROUNDS of all three (default 3)

The journal is filled as an outage of the link leaves it. Then, interleaved and each with the same subscriber beside it:
  drain     the daemon, polling its lines meanwhile, until the backlog has been accepted
  batches   a plain program that publishes the very messages of that drain, prepared before, 20 unanswered
  samples   the same program with one message for each point of each record
Prints figures and ratios; asserts nothing. Speeds depend on the machine, ratios less so. docs/performance.md says how to read it.
"""
import json
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
IDLE_S = 12      # watched after the drain, to compare with
HEAD = struct.Struct("=qII")


def memory(pid, field="RssAnon"):
    for line in pathlib.Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith(field + ":"):
            return int(line.split()[1])
    return 0


def processor_s(pid):
    fields = pathlib.Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / 100


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


def publish(walk, path, seconds):
    """The bare publisher with a subscriber of its own, for as long as the drain took; (messages, bytes, seconds)."""
    listener = Listener(walk, "heard-bare")
    out = subprocess.run([BENCH / "bench_drain_peer", "publish", str(walk.broker_port), path, str(seconds)], capture_output=True, text=True, check=True).stdout.split()
    listener.walk.stop(listener.process)
    return int(out[0]), int(out[1]), float(out[2])


def prepare(path, found):
    with path.open("wb") as file:
        for topic, payload in found:
            file.write(HEAD.pack(0, len(topic), len(payload)) + topic.encode() + payload)


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
        self.drain()

    def look(self):
        sides = (self.walk.daemon.pid, self.walk.scada_side())
        if sides[1] is not None:
            self.sides = sides
            self.watched.append((time.monotonic(), *(memory(pid) for pid in sides)))
            self.processor = [processor_s(pid) for pid in sides]

    def is_done(self):
        """The cursors stand behind what the journal was filled with."""
        rows = self.walk.sql(f"SELECT well, pos, (SELECT max(pos) FROM scan s WHERE s.well = c.well AND s.run = {self.filled_run}) AS last"
                             " FROM cursor c WHERE stream = 1 AND destination = 'plant-broker'")
        return len(rows) == 2 and all(row["pos"] >= row["last"] for row in rows)

    def drain(self):
        self.filled_run = self.walk.sql("SELECT run FROM scan LIMIT 1")[0]["run"]
        listener = Listener(self.walk, "heard-drain")
        self.walk.start_daemon()
        while not self.is_done():
            for _ in range(5):
                time.sleep(0.1)
                self.look()
        self.spent = self.processor
        idle = time.monotonic() + IDLE_S
        while time.monotonic() < idle:
            time.sleep(0.25)
            self.look()
        self.walk.stop(self.walk.daemon)
        self.heard = listener.stop()
        self.judge()

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
        """Due polls of the daemon's own run that were not attempted or not answered."""
        skipped = self.walk.sql(f"SELECT coalesce(sum(scans), 0) AS n FROM gap g WHERE kind IN (1, 6, 7, 8) AND run <> {self.filled_run} AND NOT EXISTS"
                                " (SELECT 1 FROM gap m WHERE m.run = g.run AND m.id = g.id AND m.revision > g.revision)")[0]["n"]
        polled = self.walk.sql(f"SELECT count(*) AS n, sum(outcome <> 1) AS bad FROM scan WHERE run <> {self.filled_run}")[0]
        return skipped, polled["n"], polled["bad"]


def show(rounds, batches, samples):
    middle = statistics.median
    drain = middle(r.rows / r.seconds for r in rounds)
    points = rounds[0].points
    bare = middle(n_rows / seconds for n_rows, seconds in batches)
    single = middle(n / seconds for n, _, seconds in samples)
    one = rounds[-1]
    print(f"{one.rows} late rows in {len(one.late)} messages, {points:.1f} points a record; median of {len(rounds)} rounds\n")
    print(f"{'':34}{'rows/s':>10}{'points/s':>12}{'MB/s':>8}   ratio of the drain")
    size = one.bytes / one.rows
    print(f"{'drain':34}{drain:10.0f}{drain * points:12.0f}{drain * size / 1e6:8.1f}")
    print(f"{'bare publisher, the same batches':34}{bare:10.0f}{bare * points:12.0f}{bare * size / 1e6:8.1f}   {drain / bare:.2f}")
    print(f"{'bare publisher, a message a point':34}{single / points:10.0f}{single:12.0f}{'':8}   {drain * points / single:.1f}")
    print(f"\nbytes a record on the wire  {size:.0f} ({size / points:.1f} a point), {one.rows / len(one.late):.1f} records a message")
    print("processor time a row        well side %.1f us, SCADA side %.1f us" % tuple(
        middle(r.spent[side] / r.rows * 1e6 for r in rounds) for side in (0, 1)))
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
    rounds, batches, samples = [], [], []
    with Walk("drain") as walk:
        walk.start_broker()
        walk.start_simulator()
        for i in range(n):
            rounds.append(Round(walk, scans))
            prepare(walk.directory / "batches", rounds[-1].late)
            prepare(walk.directory / "samples", first(samples_of(rounds[-1].late), SAMPLES))
            one = rounds[-1]
            sent, _, seconds = publish(walk, walk.directory / "batches", one.seconds)
            batches.append((one.rows * sent / len(one.late), seconds))
            samples.append(publish(walk, walk.directory / "samples", one.seconds))
            print(f"round {i + 1}: drain {one.rows / one.seconds:.0f} rows/s in {one.seconds:.2f} s; bare {batches[-1][0] / seconds:.0f} rows/s; "
                  f"{samples[-1][0] / samples[-1][2]:.0f} samples/s", flush=True)
        show(rounds, batches, samples)


main()
