#!/usr/bin/env python3
"""Every way in which a broker, or the way to it, can fail: the sentence that names the layer, no scan missed, and all records after the cure.

Each fault is one destination of a running daemon (eight to a daemon, the daemons side by side), real parts wherever they can produce it. A line a
fault: its name, the sentence seen, scans missed (from the database, after the stop), and how long after its cause was put right a live record came.

Planted defects that this walk must catch, each seen to fail:
 - the lookup is done in the destination's own thread, and a stop waits for it (publish-lookup-waits);
 - the certificate's name is not checked (publish-any-certificate);
 - a refusal of one well's topic moves the cursor (publish-ignores-refusal);
 - a record that is too large holds its well for ever (publish-large-row-stops);
 - the client library writes before TLS stands (publish-password-in-the-clear);
 - the pipe is waited for without anything to wait for, in a circle (publish-turns-in-a-circle).
"""
import os
import pathlib
import re
import shutil
import sys
import threading
import time

import walk as walks
from brokers import Certificates
from faults import *  # noqa: F403 - each fault by its name
from walk import BINARY, PATIENCE, Finding, Walk, found_if, main, wait_for
from witness import Witness

LONG = "--long" in sys.argv
NAME_SERVER = BINARY.parents[2] / "tests/walk/libname_server.so"
POLL_MS = 1000
CONFIG = """\
site: heron-ridge
box: {box}
lines:
  pad-line: {{serial: {directory}/pad-line, speed: 38400 baud, frame: 8N1, response_timeout: 800 ms, listen_first: 200 ms}}
wells:
  heron-7:
    table_block: 0
    sources:
      gauge:
        - {{from: 2025-01-10T08:00:00Z, line: pad-line, unit_id: 1, map: scaled-16, poll_every: 1 s, refresh: 1 s, confirmed_units: all}}
  heron-8:
    table_block: 1
    sources:
      gauge:
        - {{from: 2025-01-10T08:00:00Z, line: pad-line, unit_id: 2, map: float-low-first, poll_every: 1 s, refresh: 1 s, confirmed_units: all}}
destinations:
{destinations}journal: {{path: {journal}}}
"""


GROUPS = [[NameNotFound, NameServerHangs, NothingListens, NoAnswer, WrongCa, WrongName, CertificateExpired, ClockWrong],
          [NoTls, OurCertificate, WrongPassword, OldWrongPassword, NoPasswordFile, OneTopicForbidden, QuotaUsedUp, PacketTooSmall],
          [NoAcknowledgements, NoRetained, SaysTakenOver, SaysTooLarge, Silent, Closes, Garbage, HugePacket]]
LONG_GROUPS = [[UnknownAcknowledgements, StopsAcknowledging, TakenOver]]


class FaultWalk(Walk):
    def __init__(self, number, classes):
        super().__init__(f"faults-{number}", box=f"heron-edge-{number}")
        self.names = self.directory / "tls/names"  # beside ca_file: the SCADA side may read there
        certificates = Certificates(self.directory / "tls")
        self.names.write_text("")
        self.faults = [c(self, certificates) for c in classes]
        self.config.write_text(CONFIG.format(box=self.settings["box"], directory=self.directory, journal=self.journal,
                                             destinations="".join(f.stanza() for f in self.faults)))

    def name(self, host, word):
        self.names.write_text(self.names.read_text() + f"{host} {word}\n")

    def seen(self, fault):
        name, sentence = re.compile(rf"roker {fault.name}\b"), re.compile(fault.sentence)
        return next((line for line in self.log("daemon").splitlines() if name.search(line) and sentence.search(line)), None)

    def newest(self, well):
        number = WELLS.index(well) + 1
        rows = self.sql(f"SELECT max(seq) AS seq FROM scan WHERE well = {number}")
        return rows[0]["seq"] or 0

    def missed(self, stop_ms):
        """Scans due and not made, or made without an answer, from the database alone; until the stop, which cuts off what waits for its turn on the line."""
        rows = self.sql("SELECT well, count(*) AS n, min(seq) AS first, max(seq) AS last FROM scan GROUP BY well")
        assert len(rows) == len(WELLS), rows
        holes = sum(row["last"] - row["first"] + 1 - row["n"] for row in rows)
        bad = self.sql("SELECT well, seq, boot_ms, outcome FROM scan WHERE outcome <> 1")
        failed = [row["boot_ms"] for row in bad]
        # 5 to 8: program, disk, skipped, overflow. What the first listening put off came before the first scan.
        never = self.sql("SELECT well, kind, max(scans) AS n, min(due_boot_ms) AS at, cause FROM gap WHERE kind IN (5, 6, 7, 8) AND start_utc_ms > (SELECT min(utc_ms) + 2000 FROM scan) GROUP BY run, id")
        never = [row for row in never if row["at"] < stop_ms - POLL_MS]
        excused = self.witness.excuses(failed + [row["at"] for row in never], "scans missed or without an answer")
        missed = holes + sum(at not in excused for at in failed) + sum(row["n"] for row in never if row["at"] not in excused)
        if missed:
            at = min([*failed, *(row["at"] for row in never)], default=0)
            around = self.sql(f"SELECT well, seq, boot_ms, took_ms, tries, stray, outcome FROM scan WHERE boot_ms BETWEEN {at - 3000} AND {at + 3000} ORDER BY boot_ms")
            print(f"the scans around it: {around}")
            print(f"missed: {holes} holes in seq; without an answer {bad}; never attempted {never}; the newest steps of the witness {self.witness.steps()[-20:]}")
        return missed, sum(row["n"] for row in rows)


def is_complete(fault, well, until):
    """First arrivals are 1 to `until` at least, in order, `after` always names the one before."""
    rows = fault.broker.rows(well)
    seen = {seq for _, _, seq, _ in rows}
    if not seen or max(seen) < until:
        return False
    missing = [seq for seq in range(1, until + 1) if seq not in seen]
    for _, _, seq, after in rows:
        found_if(after != seq - 1, f"{fault.name}: {well} seq {seq} says that it follows {after}")
    if fault.set_aside and well == "heron-7":
        return missing == list(range(1, len(missing) + 1)) or len(missing) > 0
    return not missing


def runnable_ns(pid):
    """For each thread: how long it ran or waited for its turn to run (proc(5), schedstat)."""
    spent = {}
    for task in pathlib.Path(f"/proc/{pid}/task").iterdir():
        try:
            ran, waited, _ = (task / "schedstat").read_text().split()
            spent[task.name] = int(ran) + int(waited)
        except OSError:
            continue  # it has just ended, or this kernel doesn't count
    return spent


def idles(walk):
    """The largest share of the time in which one thread of the SCADA side had something to do while all its brokers are broken. One that turns in a
    circle always has, however busy the machine is; others sleep, and one that waits for its turn all the time is looked at again."""
    pid = walk.scada_side()
    for _ in range(3):
        begun, before = time.monotonic(), runnable_ns(pid)
        time.sleep(5)
        after, elapsed_ns = runnable_ns(pid), (time.monotonic() - begun) * 1e9
        busy = max((after[task] - before[task]) / elapsed_ns for task in after if task in before)
        if busy < 0.9:
            break
    return busy


def play(walk, report, failures):
    try:
        walk.start_simulator()
        for fault in walk.faults:
            fault.break_it()
        environment = {"LD_PRELOAD": str(NAME_SERVER), "UPHOLE_NAMES": str(walk.names)}
        environment["ASAN_OPTIONS"] = environment["TSAN_OPTIONS"] = "verify_asan_link_order=0"
        walk.start_daemon(environment)
        walk.witness = Witness(walk, walk.daemon, walk.simulator)
        lines = {}
        for fault in walk.faults:
            lines[fault] = wait_for(f"the sentence of {fault.name}: {fault.sentence}", 420 if LONG else 60, lambda f=fault: walk.seen(f), step=0.2)
        for fault in walk.faults:
            for well in fault.goes_on:
                wait_for(f"{fault.name}: {well} goes on meanwhile", 10, lambda f=fault, w=well: len({r[2] for r in f.broker.rows(w)}) > 3)
        busy = idles(walk)
        at_cure, cured = {w: walk.newest(w) for w in WELLS}, {}
        for fault in walk.faults:
            fault.cure()
            cured[fault] = time.monotonic()
        back = {}
        for fault in walk.faults:
            def live(f=fault):
                return next((when for when, sent, seq, _ in f.broker.rows("heron-8") if sent == "live" and seq > at_cure["heron-8"] and when > cured[f]), None)
            back[fault] = wait_for(f"{fault.name}: a live record after its cause was put right", 70, live, step=0.2)
        until = {w: walk.newest(w) for w in WELLS}
        for fault in walk.faults:
            for well in WELLS:
                try:
                    wait_for(f"{fault.name}: all records of {well} up to {until[well]}", 40, lambda f=fault, w=well: is_complete(f, w, until[w]), step=0.2)
                except AssertionError:
                    seen = {seq for _, _, seq, _ in fault.broker.rows(well)}
                    hole = [seq for seq in range(1, max(seen, default=0)) if seq not in seen]
                    if hole and not fault.set_aside:
                        raise Finding(f"{fault.name}: {well}: rows {hole[:20]} never came") from None
                    raise
        stopping, stop_ms = time.monotonic(), time.clock_gettime(time.CLOCK_BOOTTIME) * 1000
        walk.stop(walk.daemon)
        missed, scans = walk.missed(stop_ms)
        aside = walk.sql("SELECT destination, max(scans) AS n FROM gap WHERE kind = 11 GROUP BY run, id")
        for fault in walk.faults:
            sentence = re.sub(r"^<\d>\w+ publish: ", "", lines[fault])
            sentence = sentence.split(" Not connected since")[0]
            report.append(f"  {fault.name:<24} scans missed {missed} of {scans}, live {back[fault] - cured[fault]:4.1f} s after: {sentence}")
            if fault.set_aside:
                rows = [r for r in aside if r["destination"] == fault.name]
                seen = {seq for _, _, seq, _ in fault.broker.rows("heron-7")}
                lost = [seq for seq in range(1, until["heron-7"] + 1) if seq not in seen]
                assert rows and sum(r["n"] for r in rows) == len(lost), f"{len(lost)} records set aside, the ledger says {rows}"
                report.append(f"  {'':<24} {len(lost)} records set aside, as the ledger's row says")
        report.append(f"  daemon of {walk.faults[0].name}: the busiest thread of the SCADA side had something to do for {100 * busy:.0f} % of the time while all was broken")
        assert busy < 0.9, f"a thread of the SCADA side had something to do for {100 * busy:.0f} % of the time while all was broken: it turns in a circle"
        assert missed == 0, f"{missed} of {scans} scans missed"
        assert time.monotonic() - stopping < 30 * PATIENCE
    except Exception as error:  # noqa: BLE001 - the others go on
        failures.append(f"{type(error).__name__}: {error}\n{walk.log('daemon')[-3000:]}")
    finally:
        for fault in walk.faults:
            fault.broker.close()
            if hasattr(fault, "fake"):
                fault.fake.close()
        walk.close()


def every_fault_is_named_costs_no_scan_and_is_over_when_its_cause_is():
    """All faults at once, eight to a daemon."""
    for tool in ("mosquitto", "mosquitto_passwd", "openssl", "sqlite3"):
        if not (shutil.which(tool) or shutil.which(tool, path="/usr/sbin")):
            raise walks.Skip(f"there is no {tool}")
    groups = LONG_GROUPS if LONG else GROUPS
    report, failures, threads = [], [], []
    for number, classes in enumerate(groups, 1):
        walk = FaultWalk(number, classes)
        threads.append(threading.Thread(target=play, args=(walk, report, failures)))
        threads[-1].start()
    for thread in threads:
        thread.join()
    print("\n".join(report))
    assert not failures, "\n".join(failures)


if "--long" in sys.argv:
    sys.argv.remove("--long")
main(every_fault_is_named_costs_no_scan_and_is_over_when_its_cause_is)
