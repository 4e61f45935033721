#!/usr/bin/env python3
"""The SCADA side is killed, fed garbage, and frozen: the well side misses no scan, its watchdog is fed, and its books stay true.

The journal is read by sqlite3 after the stop, and judged by arithmetic: due times are the run's start + n x period. The default is short;
UPHOLE_LONG=1: 100 kills, 60 s of garbage, and a SCADA side that stands still for more than a minute.

Planted defects that this walk must catch, each seen to fail:
 - the well side waits where the wall is full (core-waits-for-the-wall);
 - the watchdog waits for the SCADA side (service-scada-counts);
 - the cursor moves when a message is handed over (publish-cursor-on-handover);
 - properties of a broker's packets reach the client library unseen (mqtt-any-property).
"""
import json
import os
import random
import re
import signal
import socket
import sys
import threading
import time

from garbage import FakeBroker, Master, TableFuzzer
from walk import PATIENCE, Walk, check_chain, found_if, free_port, once, wait_for
from witness import Witness

LONG = os.environ.get("UPHOLE_LONG", "0") not in ("", "0") or "--long" in sys.argv
SEED = int(os.environ.get("UPHOLE_SEED", "20310226"))
WATCHDOG_S = 10
PERIOD_MS = 1000
MAD_BROKERS = 6  # with the good one and the table: all the destinations that a plan may have
UNITS_A_LINE = 11  # of 16 that it could poll in a second, so that a busy machine misses none either
GAUGE_GAP, DELIVERY_GAP, NEVER_ATTEMPTED, CLOCK_GAP = 2, 4, (5, 6, 7, 8), 12  # kinds of the table `gap`; program, disk, skipped, overflow
GAP_AFTER_S, SLACK_S = 60, 10  # a delivery gap is opened when the oldest record has waited so long; what the books may differ by


class Manager(threading.Thread):
    """A service manager's ears, in a thread, so that each datagram gets its own time."""

    def __init__(self, directory):
        super().__init__(daemon=True)
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(str(directory / "notify.sock"))
        self.environment = {"NOTIFY_SOCKET": str(directory / "notify.sock"), "WATCHDOG_USEC": str(WATCHDOG_S * 1000000)}
        self.fed, self.ready = [], threading.Event()
        self.start()

    def run(self):
        while True:
            text = self.socket.recv(4096).decode()
            if "READY=1" in text:
                self.fed.append(time.monotonic())
                self.ready.set()
            if "WATCHDOG=1" in text:
                self.fed.append(time.monotonic())

    def widest_s(self, until):
        times = [at for at in self.fed if at <= until] + [until]
        return max(b - a for a, b in zip(times, times[1:]))


class SlowLink(threading.Thread):
    """A TCP relay that holds every byte for a while; what it holds is lost with the connection, as on a radio link."""

    def __init__(self, target, delay_s):
        super().__init__(daemon=True)
        self.target, self.delay_s = target, delay_s
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port = self.listener.getsockname()[1]
        self.start()

    def run(self):
        while True:
            ours, _ = self.listener.accept()
            try:
                theirs = socket.create_connection(("127.0.0.1", self.target))
            except OSError:
                ours.close()
                continue
            for source, sink in ((ours, theirs), (theirs, ours)):
                threading.Thread(target=self.pump, args=(source, sink), daemon=True).start()

    def pump(self, source, sink):
        held, ended = [], threading.Event()

        def pass_on():
            while not ended.is_set():
                if not held or time.monotonic() < held[0][0]:
                    time.sleep(0.005)
                    continue
                try:
                    sink.sendall(held.pop(0)[1])
                except OSError:
                    break

        threading.Thread(target=pass_on, daemon=True).start()
        try:
            while chunk := source.recv(65536):
                held.append((time.monotonic() + self.delay_s, chunk))
        except OSError:
            pass
        ended.set()
        for end in (source, sink):
            try:
                end.shutdown(socket.SHUT_RDWR)
            except OSError:
                pass


def site(walk, broker_port, crowd, more=""):
    """The walk's site and a crowd of wells on as many TCP lines as they need, so that the wall has something to carry."""
    text = walk.config.read_text().replace(f"mqtt://127.0.0.1:{walk.broker_port}", f"mqtt://127.0.0.1:{broker_port}")
    names = ["skid-line"] + [f"yard-line-{i}" for i in range(1, crowd // UNITS_A_LINE + 1)]
    lines = "".join(f"  {name}: {{tcp: 127.0.0.1:{free_port()}}}\n" for name in names[1:])
    wells = "".join(f"  crowd-{i}:\n    label: Crowd {i}\n    table_block: {i + 2}\n    sources:\n      drive:\n"
                    f"        - {{from: 2025-01-10T08:00:00Z, line: {names[(i + 1) // UNITS_A_LINE]}, unit_id: {(i + 1) % UNITS_A_LINE + 1}, map: drive-a, poll_every: 1 s,"
                    f" refresh: 1 s, confirmed_units: all}}\n" for i in range(crowd))
    walk.config.write_text(text.replace("wells:\n", lines + "wells:\n").replace("destinations:\n", wells + "destinations:\n" + more))


def walk_has_none(counted):
    return counted[0]["n"] == 0


class Abused:
    """A daemon under a service manager, with everything real around it."""

    def __init__(self, name, delay_s=0.0, crowd=15, more=""):
        self.name = name
        self.walk = Walk(f"abuse-{name}", listen="0 ms", timeout="800 ms")
        try:
            self.set_up(delay_s, crowd, more)
        except BaseException:
            self.walk.__exit__(AssertionError)
            raise

    def set_up(self, delay_s, crowd, more):
        self.walk.start_broker()
        self.link = SlowLink(self.walk.broker_port, delay_s) if delay_s else None
        site(self.walk, self.link.port if self.link else self.walk.broker_port, crowd, more)
        self.manager = Manager(self.walk.directory)
        self.walk.subscribe()
        self.walk.start_simulator()
        self.walk.start_daemon(self.manager.environment)
        self.witness = Witness(self.walk, self.walk.daemon, self.walk.simulator)
        assert self.manager.ready.wait(10 * PATIENCE), self.walk.log("daemon")
        wait_for("first records", 20, lambda: {r["well"] for r in self.walk.records()} >= {"heron-7", "heron-8", "crowd-0"})

    def say(self, text):
        print(f"  {self.name}: {text}", flush=True)

    def all_arrived(self):
        """Every row that the journal has by now."""
        names = {row["number"]: row["id"] for row in self.walk.sql("SELECT number, id FROM well")}
        wanted = {names[row["well"]]: row["seq"] for row in self.walk.sql("SELECT well, max(seq) AS seq FROM scan GROUP BY well")}

        def complete():
            newest = {}
            for row in self.walk.records():
                newest[row["well"]] = max(newest.get(row["well"], 0), row["seq"])
            return all(newest.get(well, 0) >= seq for well, seq in wanted.items())
        began = time.monotonic()
        self.walk.wait_rows("every row at the subscriber", 60, complete)
        of_open = ("SELECT count(*) AS n FROM gap g WHERE kind=4 AND destination='plant-broker' AND is_open=1"
                   " AND revision=(SELECT max(revision) FROM gap h WHERE h.run=g.run AND h.id=g.id)")
        wait_for("the delivery rows to close", 60, lambda: walk_has_none(self.walk.sql(of_open)), step=0.5)
        return time.monotonic() - began

    def judge(self, late_ok=()):
        """Stops the daemon and looks at the books. `late_ok`: destinations that may have delivery rows or not."""
        walk = self.walk
        caught_up_s = self.all_arrived()
        stop_at = time.monotonic()
        widest_s = self.manager.widest_s(stop_at)
        walk.stop(walk.daemon)
        assert walk.daemon.returncode == 0, walk.daemon.returncode
        rows = self.judge_dues()
        self.judge_ledger(late_ok)
        kept = once(walk.records())
        wells = {r["well"] for r in kept}
        chained = sum(check_chain([r for r in kept if r["well"] == well]) for well in wells)
        for well in wells:
            found_if(min(r["seq"] for r in kept if r["well"] == well) != 1, f"{well}: its first row never came")
        self.say(f"{rows} rows due and scanned, 0 missed; {chained} arrived in unbroken chains of {len(wells)} wells, "
                 f"{len(walk.records()) - chained} twice; caught up in {caught_up_s:.1f} s; WATCHDOG=1 at most {widest_s:.2f} s apart of {WATCHDOG_S} s")
        # It is fed every half of the time allowed, by the first pass of core after that; the rest is what a busy machine may take of it.
        assert widest_s < WATCHDOG_S, f"no WATCHDOG=1 for {widest_s:.1f} s"

    def judge_dues(self):
        """Rows = due, a source: one row in each period since the run's start, and every one of them with an answer."""
        walk, total = self.walk, 0
        runs = walk.sql("SELECT id, began_boot_ms FROM run")
        assert len(runs) == 1, f"{len(runs)} runs"
        newest = walk.sql("SELECT max(boot_ms) AS at FROM scan")[0]["at"]
        for source in walk.sql("SELECT DISTINCT well, source FROM scan"):
            scans = walk.sql(f"SELECT boot_ms, outcome FROM scan WHERE well={source['well']} AND source={source['source']} ORDER BY boot_ms")
            slots = [(scan["boot_ms"] - runs[0]["began_boot_ms"]) // PERIOD_MS for scan in scans]
            whole = (newest - runs[0]["began_boot_ms"]) // PERIOD_MS  # the last period may have been cut off by the stop
            missed = sorted(set(range(whole)) - set(slots))
            begin_ms = {slot: runs[0]["began_boot_ms"] + slot * PERIOD_MS for slot in missed}
            excused = self.witness.excuses(begin_ms.values(), "missed scans")
            missed = [slot for slot in missed if begin_ms[slot] not in excused]
            # A scan that begins a period late takes the next one's place.
            begin_ms = {slot: runs[0]["began_boot_ms"] + slot * PERIOD_MS for slot in set(slots) if slots.count(slot) > 1}
            excused = self.witness.excuses(begin_ms.values(), "periods with two scans")
            twice = [slot for slot in begin_ms if begin_ms[slot] not in excused]
            assert not missed and not twice, f"well {source['well']} source {source['source']}: no scan in periods {missed[:10]} of {whole}, two in {twice[:10]}"
            bad = [scan for scan in scans if scan["outcome"] != 1]
            excused = self.witness.excuses([scan["boot_ms"] for scan in bad], "scans without a whole answer")
            bad = [scan for scan in bad if scan["boot_ms"] not in excused]
            assert not bad, f"well {source['well']} source {source['source']}: {len(bad)} scans without a whole answer: {bad[:3]}"
            total += len(scans)
        return total

    def judge_ledger(self, late_ok):
        gaps = self.walk.sql("SELECT * FROM gap g WHERE revision=(SELECT max(revision) FROM gap h WHERE h.run=g.run AND h.id=g.id)")
        never = [g for g in gaps if g["kind"] in NEVER_ATTEMPTED and g["scans"] > 0]
        excused = self.witness.excuses([g["due_boot_ms"] for g in never], "rows of scans never attempted")
        never = [g for g in never if g["due_boot_ms"] not in excused]
        assert not never, f"scans never attempted: {never}"
        delivery = [g for g in gaps if g["kind"] == DELIVERY_GAP]
        other = [g for g in gaps if g["kind"] != DELIVERY_GAP]
        # A start has its own rows: the gauge's first scan is confirmed by the second, and this machine's clock may be unsynchronised.
        other = [g for g in other if not self.witness.starved_at(g["start_boot_ms"])]
        of_start = [g for g in other if g["kind"] == CLOCK_GAP or (g["kind"] == GAUGE_GAP and g["cause"].startswith("Starting:"))]
        assert len(of_start) == len(other) and len(of_start) <= 3, f"rows that nothing accounts for: {[(g['kind'], g['well'], g['cause']) for g in other]}"
        strange = [g for g in delivery if g["destination"] not in ("plant-broker", *late_ok)]
        assert not strange, f"delivery rows of {[g['destination'] for g in strange]}"
        mine = [g for g in delivery if g["destination"] == "plant-broker"]
        has_row, stood_s = {g["well"] for g in mine}, self.stood_s()
        must = {well for well, seconds in stood_s.items() if seconds > GAP_AFTER_S + SLACK_S}
        may = {well for well, seconds in stood_s.items() if seconds > GAP_AFTER_S - SLACK_S}
        assert must <= has_row, f"delivery stood for more than a minute and the ledger doesn't say so: wells {must - has_row} of {stood_s}"
        assert has_row <= may, f"delivery rows where nothing stood for a minute: wells {has_row - may} of {stood_s}"
        assert not [g for g in mine if g["is_open"] or g["lost"]], f"rows that didn't close, or say that something was lost: {[(g['well'], g['is_open'], g['lost']) for g in mine]}"
        self.say(f"ledger: the longest that a record waited was {max(stood_s.values()):.1f} s; {len(mine)} delivery rows of {len(has_row)} wells"
                 f"{', all closed: ' + repr(mine[0]['cause']) if mine else ''}; none of kind program, skipped, overflow or disk")

    def stood_s(self):
        """A well: the longest that one of its records waited for its acceptance, by the scans' times and the subscriber's (the last time that a
        record came is when it was accepted)."""
        walk, to_boot_s = self.walk, time.clock_gettime(time.CLOCK_BOOTTIME) - time.monotonic()
        numbers = {row["id"]: row["number"] for row in walk.sql("SELECT number, id FROM well")}
        scanned = {(row["well"], row["seq"]): row["boot_ms"] / 1000 for row in walk.sql("SELECT well, seq, boot_ms FROM scan")}
        with walk.lock:
            arrived = [(json.loads(payload), at) for topic, payload, _, at in walk.messages if topic.endswith("/record")]
        last = {(numbers[message["well"]], row["seq"]): at + to_boot_s for message, at in arrived for row in message["rows"]}
        waited = {}
        for (well, seq), at in last.items():
            waited[well] = max(waited.get(well, 0.0), at - scanned[well, seq])
        return waited

    def __enter__(self):
        return self

    def __exit__(self, kind, *_):
        self.walk.__exit__(kind)


# ---- killed


def the_scada_side_killed_again_and_again(kills=100 if LONG else 20):
    """kill -9 at random moments of its life, the first milliseconds among them, over a slow link."""
    chance = random.Random(SEED)
    with Abused("killed", delay_s=0.15) as abused:
        walk, last, lived = abused.walk, None, []
        for _ in range(kills):
            last = wait_for("another SCADA side", 10, lambda: (pid := walk.scada_side()) and pid != last and pid, step=0.001)
            lives_s = chance.choice((0.0, 0.003, 0.02, 0.1, 0.3, 0.7, 1.5)) * chance.random() * 2
            time.sleep(lives_s)
            os.kill(last, signal.SIGKILL)
            lived.append(lives_s)
        wait_for("the last one", 10, lambda: walk.scada_side() not in (None, last))
        said = len(re.findall(r"The SCADA side was ended by signal 9\.", walk.log("daemon")))
        assert said == kills, f"{kills} kills, said {said} times"
        abused.say(f"{kills} kill -9 after {min(lived) * 1000:.0f} ms to {max(lived):.1f} s of life, each said")
        abused.judge()


# ---- fed garbage


def the_scada_side_fed_garbage(seconds=60 if LONG else 10):
    """Random and mutated frames at the table's port, and a broker that speaks garbage, beside a master and a broker that are in order."""
    until = time.monotonic() + seconds + 30
    mad = [FakeBroker(SEED + i, until) for i in range(MAD_BROKERS)]
    more = "".join(f"  mad-{i}:\n    mqtt: mqtt://127.0.0.1:{broker.port}\n    from: oldest\n    units: us\n" for i, broker in enumerate(mad))
    with Abused("garbage", more=more) as abused:
        walk, side = abused.walk, abused.walk.scada_side()
        begun = time.monotonic()
        longest = begun + seconds * 2 * PATIENCE
        master = Master(walk.table_port, longest)
        fuzzers = [TableFuzzer(walk.table_port, SEED + i, longest) for i in range(6)]

        def is_enough():
            return (time.monotonic() - begun >= seconds and (master.answers > seconds * 5 or master.fault) and sum(b.connections for b in mad) > MAD_BROKERS
                    and sum(f.frames for f in fuzzers) > 100 * seconds)
        while not is_enough() and time.monotonic() < longest:
            time.sleep(0.2)
            assert walk.scada_side() == side, f"the SCADA side was started again:\n{walk.log('daemon')[-2000:]}"
        for thread in (*fuzzers, master):
            thread.until = 0
        for thread in (*fuzzers, master):
            thread.join(60)
        assert master.fault is None and master.answers > seconds * 5, f"the master beside the fuzzers: {master.fault}, {master.answers} answers"
        abused.say(f"{sum(f.frames for f in fuzzers)} frames over {sum(f.connections for f in fuzzers)} connections at the table, {sum(b.packets for b in mad)} packets "
                   f"over {sum(b.connections for b in mad)} connections from {len(mad)} mad brokers; {master.answers} answers to the master, the slowest {master.slowest_s * 1000:.0f} ms")
        assert sum(b.connections for b in mad) > MAD_BROKERS and sum(f.frames for f in fuzzers) > 100 * seconds
        assert walk.scada_side() == side
        abused.judge(late_ok=[f"mad-{i}" for i in range(MAD_BROKERS)])


# ---- frozen


def the_scada_side_frozen(seconds=75 if LONG else 25):
    """SIGSTOP: it neither ends nor takes anything from the wall. 78 wells (all that the simulator's lines serve) fill that within some ten seconds
    even where the kernel's limit for socket buffers (net.core.wmem_max) is set high."""
    with Abused("frozen", crowd=76) as abused:
        side = abused.walk.scada_side()
        time.sleep(1)
        os.kill(side, signal.SIGSTOP)
        try:
            time.sleep(seconds)
        finally:
            os.kill(side, signal.SIGCONT)
        abused.say(f"frozen for {seconds} s")
        abused.judge()


TESTS = [the_scada_side_killed_again_and_again, the_scada_side_fed_garbage, the_scada_side_frozen]


def together(tests):
    """Each has a daemon and a directory of its own and mostly waits, so they run side by side."""
    failed = []

    def run(test):
        try:
            test()
        except BaseException as error:  # noqa: BLE001 - each says what it found
            failed.append(test.__name__)
            print(f"FAILED {test.__name__}: {type(error).__name__}: {error}", flush=True)

    threads = [threading.Thread(target=run, args=(test,)) for test in tests]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    print(f"{len(tests) - len(failed)} passed, {len(failed)} failed", flush=True)
    return 1 if failed else 0


if __name__ == "__main__":
    words = [word for word in sys.argv[1:] if not word.startswith("--")]
    print(f"seed {SEED}{', long' if LONG else ''}", flush=True)
    sys.exit(together([test for test in TESTS if not words or any(word in test.__name__ for word in words)]))
