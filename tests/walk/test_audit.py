#!/usr/bin/env python3
"""`uphole audit` against journals of the real daemon: the books hold over kill, outage, hold, reload, listening and another master; and a copy in which
one thing was changed by hand does not hold, by name.

The copies are the planted defects: each is a journal that a daemon with that defect would leave. Those in the audit itself: tests/planted/audit-*.patch.
"""
import json
import os
import shutil
import signal
import sqlite3
import struct
import subprocess
import sys
import time
import zlib

from walk import BINARY, SOURCE, Walk, main, wait_for


def run(*words):
    return subprocess.run([str(BINARY), *map(str, words)], capture_output=True, text=True, timeout=120)


def audit(journal, *more, expected=0):
    answer = run("audit", "--journal", journal, *more)
    assert answer.returncode == expected, f"exit {answer.returncode}, expected {expected}:\n{answer.stdout}{answer.stderr}"
    return answer.stdout


def scans(walk, well=1, source=1):
    try:
        return walk.sql(f"SELECT count(*) AS n FROM scan WHERE well={well} AND source={source}")[0]["n"]
    except AssertionError:
        return 0  # the journal is being made


ALL, WITHOUT_DRIVE = ((1, 1), (1, 2), (2, 1)), ((1, 1), (2, 1))


def wait_scans(walk, more=2, sources=ALL):
    """Of each source: what isn't written yet of one is undecided."""
    before = {source: scans(walk, *source) for source in sources}
    wait_for("scans", 30, lambda: all(scans(walk, *source) >= n + more for source, n in before.items()), step=0.1)


def edit(walk, before, after, count=-1):
    text = walk.config.read_text()
    assert before in text, before
    walk.config.write_text(text.replace(before, after, count))
    answer = run("reload", "--config", walk.config, "--maps", SOURCE / "config/maps")
    assert answer.returncode == 0, answer


def note_planned(walk):
    """The line gap of heron-8 was planned; that of heron-7 was not."""
    gap = next(g for g in walk.gaps() if g["kind"] == "line" and g["well"] == "heron-8")
    answer = run("note", f"{gap['run'][:6]}:{gap['id']}", "the unit was changed", "--planned", "--by", "technician", "--journal", walk.journal)
    assert answer.returncode == 0, answer


# ---- the checks of rows, from the journal's description in daemon/journal/rows.c: CRC-32 over big-endian columns ----

def scan_check(row):
    head = struct.pack(">QQQqqIIIHBBBB", row["pos"], row["run"] & (2 ** 64 - 1), row["seq"], row["utc_ms"], row["boot_ms"], row["plan"],
                       row["took_ms"], row["stray"], row["well"], row["source"], row["clock"], row["outcome"], row["tries"])
    return zlib.crc32(row["words"], zlib.crc32(head))


def gap_check(row):
    head = struct.pack(">QQQQQIIIIHHBBBBBBBB", row["pos"], row["run"] & (2 ** 64 - 1), row["id"], row["before_seq"], row["after_seq"], row["revision"],
                       row["scans"], row["refreshes_about"], row["recovered"], row["well"], row["point"], row["kind"], row["cause_code"], row["source"],
                       row["all_wells"], row["start_sure"], row["end_sure"], row["is_open"], row["lost"])
    for at, clock in (("start", row["start_clock"]), ("end", row["end_clock"]), ("due", 0)):
        head += struct.pack(">qqIB", row[at + "_utc_ms"], row[at + "_boot_ms"], row[at + "_boot"], clock)
    return zlib.crc32(row["destination"].encode() + b"\0" + row["cause"].encode(), zlib.crc32(head))


class Doctored:
    """A copy of a journal, to be changed by hand."""

    def __init__(self, walk, name):
        self.path = walk.directory / f"doctored-{name}"
        shutil.copytree(walk.journal, self.path, ignore=shutil.ignore_patterns("*.lock", "*.socket", "*.sock"))
        self.db = sqlite3.connect(self.path / "journal.sqlite", isolation_level=None)
        self.db.row_factory = sqlite3.Row

    def rows(self, sql, *values):
        return [dict(row) for row in self.db.execute(sql, values)]

    def do(self, sql, *values):
        return self.db.execute(sql, values).rowcount

    def put_scan(self, row):
        self.do('UPDATE scan SET seq=?, words=?, "check"=? WHERE pos=?', row["seq"], row["words"], scan_check(row), row["pos"])

    def put_gap(self, row):
        self.do('UPDATE gap SET scans=?, "check"=? WHERE pos=?', row["scans"], gap_check(row), row["pos"])

    def says(self, *words, more=(), code=1, verdict="The books DO NOT HOLD."):
        self.db.close()
        text = audit(self.path, *more, expected=code)
        for word in words:
            assert word in text, f"{word!r} is not said:\n{text}"
        assert verdict in text, text
        return text

    def begin_run(self, after_ms, **more):
        """A run as one that began so long after the last one's clean stop, and has written nothing yet."""
        run = self.rows("SELECT * FROM run ORDER BY pos DESC LIMIT 1")[0]
        tables = ("scan", "gap", "event", "run", '"order"')
        run["pos"] = 1 + max(self.rows(f"SELECT max(pos) AS n FROM {table}")[0]["n"] or 0 for table in tables)
        run.update(id=run["id"] ^ run["pos"], began=run["ended"] + after_ms, began_boot_ms=run["ended_boot_ms"] + after_ms, ended=None, ended_boot_ms=None, ended_clock=None,
                   how=None)
        run.update({name: value(run) for name, value in more.items()})
        self.do(f"INSERT INTO run({', '.join(run)}) VALUES({', '.join('?' * len(run))})", *run.values())
        return run


def middle(doctored, well=1, source=1):
    rows = doctored.rows("SELECT * FROM scan WHERE well=? AND source=? ORDER BY pos", well, source)
    return rows[len(rows) // 2]


def a_row_deleted(d):
    row = middle(d)
    assert d.do("DELETE FROM scan WHERE pos=?", row["pos"]) == 1
    d.says(f"heron-7: seq {row['seq'] - 1} (row ", f"is followed by {row['seq'] + 1} ", ": 1 missing",
           "DOES NOT HOLD: 1 due and nowhere accounted for, in ", "DOES NOT HOLD: 1 rows that seq says were there are missing")


def a_row_changed(d):
    row = middle(d)
    d.do("UPDATE scan SET words=? WHERE pos=?", bytes([row["words"][0]]) + bytes(b ^ 1 for b in row["words"][1:]), row["pos"])
    d.says(f"heron-7 gauge: row {row['pos']} (seq {row['seq']}, ", "its check does not hold", "1 with a check")


def a_ledger_count_off_by_one(d):
    """With a check that fits: only the sum can tell."""
    row = d.rows("SELECT * FROM gap g WHERE kind=5 AND well=1 AND source=1 AND scans>1 AND NOT EXISTS"
                 " (SELECT 1 FROM gap n WHERE n.run=g.run AND n.id=g.id AND n.revision=g.revision+1) ORDER BY pos")[0]
    assert gap_check(row) == row["check"], "the test's own check is wrong"
    row["scans"] -= 1
    d.put_gap(row)
    d.says("DOES NOT HOLD: 1 due and nowhere accounted for, in ", "0 with a check that does not hold")


def a_ledger_count_one_too_many(d):
    row = d.rows("SELECT * FROM gap g WHERE kind IN (5, 7) AND well=2 AND source=1 AND NOT EXISTS"
                 " (SELECT 1 FROM gap n WHERE n.run=g.run AND n.id=g.id AND n.revision=g.revision+1) ORDER BY pos")[0]
    row["scans"] += 1
    d.put_gap(row)
    d.says("heron-8          gauge", "DOES NOT HOLD: 1 more than were due, in ")


def a_ledger_row_changed(d):
    row = d.rows("SELECT * FROM gap WHERE kind=5 ORDER BY pos")[0]
    d.do("UPDATE gap SET cause='Nothing happened.' WHERE pos=?", row["pos"])
    d.says("ledger row ", "revision 0 is not as it was written")


def a_revision_deleted(d):
    row = d.rows("SELECT * FROM gap WHERE revision=1 ORDER BY pos")[0]
    d.do("DELETE FROM gap WHERE run=? AND id=? AND revision=0", row["run"], row["id"])
    d.says("revision 0 is missing before revision 1")


def a_place_beyond_the_newest_row(d):
    row = d.rows("SELECT * FROM cursor WHERE well=2 AND stream=1")[0]
    newest = d.rows("SELECT pos, seq FROM scan WHERE well=2 ORDER BY pos DESC LIMIT 1")[0]
    d.do("UPDATE cursor SET seq=?, pos=? WHERE well=2 AND stream=1", newest["seq"] + 3, newest["pos"] + 3)
    assert row["seq"] <= newest["seq"]
    d.says(f"heron-8 to plant-broker: accepted up to seq {newest['seq'] + 3} ", "beyond the newest row", "by 3")


def a_place_that_is_another_row(d):
    d.do("UPDATE cursor SET seq=seq-1 WHERE well=1 AND stream=1")
    d.says("heron-7 to plant-broker: accepted up to seq ", " is not that row")


def a_hole_in_seq(d):
    """Nothing is missing but a number: with checks that fit, only seq can tell."""
    row = middle(d)
    later = d.rows("SELECT * FROM scan WHERE well=1 AND pos>=? ORDER BY pos", row["pos"])
    assert all(scan_check(r) == r["check"] for r in later), "the test's own check is wrong"
    for scan in later:
        scan["seq"] += 1
        d.put_scan(scan)
    d.says(f"heron-7: seq {row['seq'] - 1} (row ", f"is followed by {row['seq'] + 1} ", ": 1 missing", "0 with a check that does not hold")


def a_run_deleted(d):
    run = d.rows("SELECT * FROM run ORDER BY pos")[1]
    d.do("DELETE FROM run WHERE pos=?", run["pos"])
    d.says("names another run than its own")


NOT_YET = dict(code=2, verdict="The books hold, but for what is undecided.")


def a_start_that_was_killed_before_its_first_commit(d):
    """As after a disk that refused, where the program ended as soon as it took rows again. Planted defect: audit-unwritten-is-missing."""
    d.begin_run(45000)
    text = d.says("heron-7 gauge: undecided between ", "heron-8 gauge: undecided between ", ": what became of these polls is not written yet",
                  "Its next start counts these polls", **NOT_YET)
    assert "nowhere" not in text and "no clock could tell" not in text, text
    told = json.loads(audit(d.path, "--json", expected=2))["undecided"]
    assert len(told) == 3 and all(u["why"] == "not_written_yet" and u["from"] < u["to"] for u in told), told


def several_such_starts(d):
    d.begin_run(45000)
    d.do("UPDATE run SET ended=began, ended_boot_ms=began_boot_ms WHERE pos=(SELECT max(pos) FROM run)")
    second = d.begin_run(30000)
    d.do("UPDATE run SET ended=NULL, ended_boot_ms=NULL WHERE pos=(SELECT max(pos) FROM run WHERE pos<?)", second["pos"])
    d.says("heron-7 gauge: undecided between ", **NOT_YET)
    told = json.loads(audit(d.path, "--json", expected=2))["undecided"]
    assert len(told) == 3, told  # one stretch a source


def a_clean_stop_that_wrote_nothing(d):
    """Planted defect: audit-unwritten-for-ever."""
    d.begin_run(45000, ended=lambda run: run["began"] + 90000, ended_boot_ms=lambda run: run["began_boot_ms"] + 90000, ended_clock=lambda run: run["began_clock"],
                how=lambda run: "stopped")
    d.says("heron-7          gauge", "due and nowhere accounted for, in ")


def a_run_that_goes_on_without_what_was_missing(d):
    """Rows of one well are stored for more than a minute, of the others nothing. Planted defect: audit-unwritten-for-ever."""
    run = d.begin_run(45000)
    row = d.rows("SELECT * FROM scan WHERE well=2 ORDER BY pos DESC LIMIT 1")[0]
    row.update(pos=run["pos"] + 1, run=run["id"], seq=row["seq"] + 1, utc_ms=run["began"] + 61000, boot_ms=run["began_boot_ms"] + 61000)
    row["check"] = scan_check(row)
    d.do(f"INSERT INTO scan VALUES({', '.join('?' * len(row))})", *row.values())
    text = d.says("due and nowhere accounted for, in ")
    assert any("heron-7 " in line and "gauge" in line and "DOES NOT HOLD" in line for line in text.splitlines()), text


COPIES = (a_start_that_was_killed_before_its_first_commit, several_such_starts, a_clean_stop_that_wrote_nothing,
          a_run_that_goes_on_without_what_was_missing, a_row_deleted, a_row_changed, a_ledger_count_off_by_one, a_ledger_count_one_too_many, a_ledger_row_changed, a_revision_deleted,
          a_place_beyond_the_newest_row, a_place_that_is_another_row, a_hole_in_seq, a_run_deleted)


def check_figures(walk, told):
    """Rows and counts against plain SQL by another reader."""
    for source in told["sources"]:
        well = {"heron-7": 1, "heron-8": 2}[source["well"]]
        kind = {"gauge": 1, "drive": 2}[source["source"]]
        assert source["rows"] == scans(walk, well, kind), source
        never = walk.sql(f"SELECT sum(scans) AS n FROM gap g WHERE kind IN (5,6,7,8) AND well={well} AND source={kind} AND NOT EXISTS (SELECT 1 FROM gap n"
                         " WHERE n.run=g.run AND n.id=g.id AND n.revision=g.revision+1)")[0]["n"] or 0
        assert source["never_attempted"] == never and source["due"] == source["rows"] + never and source["holds"], source
        for point in source["points"]:  # of heron-8 a gap goes on over a change of period, and is weighed by one of the two
            off = point["came"] + point["missing_planned"] + point["missing_unplanned"] - source["refreshes_due"]
            assert abs(off) < (3 if source["well"] == "heron-8" else 0.01), (source, point)


def each_interval_holds(walk):
    """Cut anywhere, also within gaps: each part holds, and its rows are rows."""
    span = walk.sql("SELECT min(utc_ms) AS a, max(utc_ms) AS z FROM scan")[0]
    for n in range(8):
        at = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime((span["a"] + (span["z"] - span["a"]) * n // 8) // 1000))
        audit(walk.journal, "--from", at)
        audit(walk.journal, "--to", at, expected=0 if n > 0 else 66)  # before the first row there is nothing
        audit(walk.journal, "--from", at, "--to", "2999-01-01T00:00:00Z", "heron-8")
    # Books of a time of which the journal holds nothing hold for want of anything to hold. Planted defect: audit-of-nothing-holds.
    for nothing in (("--from", "2999-01-01T00:00:00Z"), ("--from", "2001-01-01T00:00:00Z", "--to", "2001-02-01T00:00:00Z")):
        answer = run("audit", "--journal", walk.journal, *nothing)
        assert answer.returncode == 66 and "nothing to audit in that time; the journal goes from 20" in answer.stderr, answer


def before_the_journal_nothing_is_cut(walk, told):
    """What was due before the first row belongs to an interval that begins earlier. Planted: history-audit-cuts-the-begin."""
    early = json.loads(audit(walk.journal, "--json", "--from", "2001-01-01T00:00:00Z"))
    assert early["sources"] == told["sources"] and told["sources"][0]["never_attempted"] > 0, (early["sources"], told["sources"])


def the_books_hold_over_faults_and_each_doctored_copy_is_named():
    """Kill, listening, hold, outage noted as planned, reload to another period, a source that goes and comes, a clean stop."""
    with Walk("audit", poll="500 ms", refresh="1 s", listen="1200 ms") as walk:
        walk.start_broker()
        walk.subscribe()
        walk.start_simulator()
        walk.start_daemon()
        wait_scans(walk)
        audit(walk.journal)  # beside the daemon
        walk.stop(walk.daemon, signal.SIGKILL)
        time.sleep(1.2)
        walk.start_daemon()
        wait_scans(walk)
        edit(walk, "unit_id: 2, map: float-low-first, poll_every: 500 ms", "unit_id: 2, map: float-low-first, poll_every: 700 ms")
        assert run("hold", "pad-line", "--journal", walk.journal).returncode == 0
        time.sleep(1.5)
        assert run("release", "pad-line", "--journal", walk.journal).returncode == 0
        wait_scans(walk)
        for _ in range(5):
            audit(walk.journal)
        walk.stop(walk.simulator)
        time.sleep(3)
        wait_for("the gaps of both wells", 20, lambda: {g["well"] for g in walk.gaps() if g["kind"] == "line"} == {"heron-7", "heron-8"})
        walk.start_simulator()
        wait_scans(walk)
        note_planned(walk)
        drive = next(line for line in walk.config.read_text().splitlines() if "drive-a" in line)
        edit(walk, "      drive:\n" + drive + "\n", "")
        wait_scans(walk, sources=WITHOUT_DRIVE)
        edit(walk, "    sources:\n", "    sources:\n      drive:\n" + drive + "\n", count=1)
        wait_scans(walk)
        walk.stop(walk.daemon)
        walk.start_daemon()
        wait_scans(walk)
        walk.stop(walk.daemon)
        told = json.loads(audit(walk.journal, "--json"))
        assert told["faults"] == [] and told["undecided"] == [] and len(told["sources"]) == 3, told
        check_figures(walk, told)
        before_the_journal_nothing_is_cut(walk, told)
        planned = {s["well"]: max(p["missing_planned"] for p in s["points"]) for s in told["sources"] if s["source"] == "gauge"}
        assert planned["heron-7"] == 0 < planned["heron-8"], planned
        each_interval_holds(walk)
        for place in told["destinations"]:
            assert place["rows"] == place["accepted"] + place["pending"] and place["accepted"] > 0, place
        before = {p.name: p.read_bytes() for p in walk.journal.iterdir() if p.name == "journal.sqlite"}
        for change in COPIES:
            print(f"  {change.__name__}", flush=True)
            change(Doctored(walk, change.__name__))
        assert before == {p.name: p.read_bytes() for p in walk.journal.iterdir() if p.name == "journal.sqlite"}, "the audit wrote"


if __name__ == "__main__":
    main(the_books_hold_over_faults_and_each_doctored_copy_is_named)
