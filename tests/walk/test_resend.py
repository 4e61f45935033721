#!/usr/bin/env python3
"""A persistent subscriber was away for longer than its broker keeps messages: everything was acknowledged, and yet there is a hole. It is seen by
`after` from outside, and `uphole resend` closes it, over a kill -9 in its middle.

With UPHOLE_LONG=1 the broker runs with its own default limit (1,000 messages) and 5,000 records; by default with 100 and 320, in the same way.
"""
import json
import os
import pathlib
import re
import signal
import subprocess
import sys
import threading
import time
import warnings

warnings.simplefilter("ignore")
import jsonschema  # noqa: E402
import paho.mqtt.client as mqtt  # noqa: E402
from walk import BINARY, SOURCE, Walk, found_if, free_port, main, wait_for  # noqa: E402
from witness import Witness  # noqa: E402

sys.dont_write_bytecode = True  # docs/ stays as it is
sys.path.insert(0, str(SOURCE / "docs/examples"))
import history  # noqa: E402

IS_LONG = os.environ.get("UPHOLE_LONG") == "1"
LIMIT, RECORDS, RATE = (1000, 5000, 400) if IS_LONG else (100, 320, 50)

CONFIG = """\
site: heron-ridge
box: heron-edge-1
lines:
  gauge-line: {{tcp: 127.0.0.1:{gauge_port}}}
  skid-line: {{tcp: 127.0.0.1:{drive_port}}}
wells:
  heron-7:
    table_block: 0
    sources:
      gauge:
        - {{from: 2025-01-10T08:00:00Z, line: gauge-line, unit_id: 1, map: scaled-16, poll_every: 50 ms, refresh: 1 s, confirmed_units: all}}
      drive:
        - {{from: 2025-01-10T08:00:00Z, line: skid-line, unit_id: 1, map: drive-a, poll_every: 50 ms, refresh: 1 s, confirmed_units: all}}
destinations:
  plant-broker: {{mqtt: 'mqtt://127.0.0.1:{broker_port}', from: oldest, backlog_at_most: {rate} records/s}}
journal: {{path: {journal}}}
"""


class Reader:
    """history.py's way of reading, with a session that the broker keeps; a client that nobody here wrote."""

    def __init__(self, walk):
        self.history = history.History(":memory:")
        self.lock = threading.Lock()
        self.sent, self.qos, self.others, self.is_gone = [], set(), 0, False
        self.schema = jsonschema.Draft202012Validator(json.loads((SOURCE / "docs/schemas/record-1.json").read_text()))
        self.subscribed = threading.Event()
        self.client = mqtt.Client(client_id="history-1", clean_session=False)
        self.client.on_connect = lambda c, *_: c.subscribe([("uphole/heron-ridge/+/record", 1), ("uphole/heron-ridge/+/gap", 1), ("uphole/heron-ridge/box/+", 1)])
        self.client.on_subscribe = lambda *_: self.subscribed.set()
        self.client.on_message = self.take
        self.port = walk.broker_port

    def take(self, _client, _data, message):
        if "/box/" in message.topic:
            self.is_gone = not json.loads(message.payload)["running"]
        if not message.topic.endswith("/record"):
            self.others += not message.retain  # ledger rows and the like: they take room at the broker, too
            return
        with self.lock:
            self.qos.add(message.qos)
            text = json.loads(message.payload)
            self.sent.append((text["sent"], [row["seq"] for row in text["rows"]], text["after"]))
            if text["sent"] == "resent":
                self.schema.validate(text)
            self.history.take(message.payload)  # asserts that one identity has one content

    def come(self):
        self.subscribed.clear()
        self.client.connect("127.0.0.1", self.port, keepalive=30)
        self.client.loop_start()
        assert self.subscribed.wait(40), "the reader could not subscribe"

    def go(self):
        self.client.disconnect()
        self.client.loop_stop()

    def rows(self):
        with self.lock:
            return self.history.database.execute("SELECT count(*) FROM row").fetchone()[0]

    def holes(self):
        with self.lock:
            return self.history.holes()

    def resent(self):
        with self.lock:
            return [seq for sent, seqs, _ in self.sent if sent == "resent" for seq in seqs]


def ask(walk, *words, code=0):
    out = subprocess.run([str(BINARY), *[str(w) for w in words], "--journal", str(walk.journal)], capture_output=True, text=True, timeout=60)
    assert out.returncode == code, f"{words}: {out.returncode}\n{out.stdout}\n{out.stderr}"
    return out.stdout if code == 0 else out.stderr


def delivery(walk):
    status = json.loads(ask(walk, "status", "--json"))
    return next(d for w in status["wells"] for d in w["delivery"] if d["destination"] == "plant-broker")


def newest(walk):
    return (walk.sql("SELECT max(seq) AS n FROM scan") or [{"n": 0}])[0]["n"] or 0


def a_hole_behind_the_broker_is_seen_and_closed():
    """Planted defects: see tests/days/test_scenarios_resend.c (resend-moves-cursor, resend-window-at-range, resend-forgets-place)."""
    with Walk("resend") as walk:
        walk.config.write_text(CONFIG.format(gauge_port=free_port(), drive_port=walk.drive_port, broker_port=walk.broker_port, rate=RATE,
                                             journal=walk.journal))
        # No limit of what is under way: a reader that is there and late to its turn would lose messages by the other limit, too.
        walk.start_broker("max_inflight_messages 0", queued=None if IS_LONG else LIMIT)
        walk.subscribe()
        reader = Reader(walk)
        reader.come()
        walk.simulator = walk._start("simulator", BINARY, "simulate", "--config", walk.config, "--maps", SOURCE / "config/maps", "--seed", "7")
        walk.start_daemon()
        witness = Witness(walk, walk.daemon, walk.simulator, walk.broker)
        wait_for("first records", 20, lambda: reader.rows() > 20)
        reader.go()
        before, sent_before, others, told = newest(walk), len(reader.sent), reader.others, len(walk.taken("record"))
        wait_for("records without the reader", 400, lambda: newest(walk) >= before + RECORDS, step=0.5)
        # A limit of messages: one that went behind a standstill has many rows.
        wait_for("messages without the reader", 100, lambda: len(walk.taken("record")) >= told + LIMIT + 4 * (RECORDS - LIMIT) // 5, step=0.5)
        wait_for("every one acknowledged", 20, lambda: delivery(walk)["waiting_records"] <= 60)
        reader.come()
        wait_for("the hole", 20, reader.holes)
        well, run, last, found_before = reader.holes()[0]
        with reader.lock:
            first = reader.history.database.execute("SELECT max(seq) FROM row WHERE seq < ?", (last,)).fetchone()[0] + 1
            kept = sum(max(seqs) < first for _, seqs, _ in reader.sent[sent_before:])
        missing = last - first + 1
        print(f"  {missing} of {newest(walk)} records are missing at the reader, all acknowledged by the broker; it kept {kept} messages for it")
        others = reader.others - others
        assert well == "heron-7" and LIMIT - 1 <= kept + others, (kept, others, first, last)
        assert missing >= (RECORDS - LIMIT) // 2, (first, last)

        refused = ask(walk, "resend", "plant-broker", "heron-7", f"{first}..{last}", code=64)
        assert "--by" in refused, refused
        refused = ask(walk, "resend", "plant-broker", "heron-9", f"{first}..{last}", "--by", "integrator", code=66)
        assert "no well 'heron-9'" in refused, refused
        late_before, ordered_ms = sum(sent == "late" for sent, _, _ in reader.sent), time.clock_gettime(time.CLOCK_BOOTTIME) * 1000
        said = ask(walk, "resend", "plant-broker", "heron-7", f"{run}:{first}..{run}:{last}", "--by", "integrator", "--reason", "the reader was away")
        assert re.search(rf"^[\d,]+ records of heron-7 \({first} to {last}\) will be sent again to plant-broker, as asked by integrator", said), said
        # By the daemon's word: the reader may be far behind it.
        wait_for("a part of it", 20, lambda: (delivery(walk)["order"] or {"records_left": 0})["records_left"] <= missing - missing // 4, step=0.01)
        # The broker answers nothing any more, so that the order stands still where it is, and its place can be stored.
        os.kill(walk.broker.pid, signal.SIGSTOP)
        left = delivery(walk)["order"]
        assert left is not None, "the order was done before it could be looked at; make the range wider"
        assert left["kind"] == "resend" and 0 < left["records_left"] < missing and left["by"].startswith("integrator"), left
        late = sum(sent == "late" for sent, _, _ in reader.sent) - late_before
        assert late == 0 or witness.waited_s(ordered_ms, time.clock_gettime(time.CLOCK_BOOTTIME) * 1000) > 0.3, f"{late} live records had to wait for the order"
        def stored():
            """The place stands through two commits: what was accepted by then is stored."""
            place = lambda: (walk.sql("SELECT max(pos) AS pos FROM cursor WHERE stream = 3")[0]["pos"], delivery(walk)["order"]["records_left"])  # noqa: E731
            before = place()
            for _ in range(2):
                at = newest(walk)
                wait_for("a commit", 10, lambda n=at: newest(walk) > n)
            return last - before[1] if before[0] is not None and place() == before else None
        went = wait_for("its place in the journal", 10, stored, step=0.2)
        walk.stop(walk.daemon, signal.SIGKILL)
        os.kill(walk.broker.pid, signal.SIGCONT)
        wait_for("all that the broker had taken, and the last will", 20, lambda: reader.is_gone)
        at_kill = len(reader.resent())
        walk.start_daemon()
        wait_for("the rest of it", 60, lambda: not reader.holes())
        wait_for("the end said", 10, lambda: f"{missing:,} records of heron-7 were sent again to plant-broker, as asked by integrator" in walk.log("daemon"))
        resent = reader.resent()
        assert set(resent) == set(range(first, last + 1)), "rows that were not asked for, or rows missing"
        doubled = len(resent) - missing
        print(f"  killed after {at_kill} of {missing} rows; {doubled} came twice")
        assert doubled <= at_kill, doubled
        assert resent[at_kill] == went + 1, f"after the kill it began at {resent[at_kill]}, and its place was behind {went}"
        assert delivery(walk)["order"] is None
        events = "SELECT kind, who FROM event WHERE kind IN ('order_resend', 'resent') ORDER BY pos"
        wait_for("its events", 10, lambda: [e["kind"] for e in walk.sql(events)] == ["order_resend", "resent"])
        with reader.lock:
            seqs = [s for (s,) in reader.history.database.execute("SELECT seq FROM row ORDER BY seq")]
        found_if(seqs != list(range(1, seqs[-1] + 1)), "a hole is left")
        assert reader.qos == {1}, reader.qos
        reader.go()


main(a_hole_behind_the_broker_is_seen_and_closed)
