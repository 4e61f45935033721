#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""Judges one history from outside: what the virtual surface units said (truth.ndjson) against what a subscriber got (subscriber-*.log).

    judge.py DIRECTORY        prints what does not hold; exit code 1 where something doesn't

It shares no code with the daemon: Python's own library and the table of registers in invented.py. What the player did stands in story.ndjson
(starts, ends, clocks, configurations). It asks the daemon nothing; of the journal it takes the list of runs, by SQLite; the daemon's `audit` is a witness
whose sums must agree.

What must hold (the letters stand before what is found):
  I  one identity (run, well, seq, revision) has one content and one predecessor
  V  no value is invented: each value is what the registers said when the row says it was read, exactly rounded; a failed poll has none, and what
     is Good was served by a unit that heard its gauge. A label and the boot clock are read one after the other, and a loaded machine may stop the daemon in
     between: where the truth log has a refresh within BESIDE_MS of the time of the reading, either of the two refreshes may have been read. The figures say
     how many readings needed that; where more than one in fifty did, or one that lies farther from any refresh, it is found
  R  a run is of one process: no process takes the number of another
  C  the chain: each row's predecessor came too; well's first rows are as many as there were empty journals; nobody has two successors but
     where a journal was set back
  O  rows come first in the order of seq, but for those that a broker had refused
  D  due = rows that came + never attempted by the published ledger, for each source, from the first due time to the last
  J  each row that the last journal holds came, or waits behind the destination's place, or is counted as set aside in a row of the ledger that
     covers its seq
  L  what came of a stretch is what the journal's `replay` makes of it
  B  the sums of `audit` hold, and are those of the rows that came
"""
import bisect
import collections
import json
import pathlib
import sqlite3
import sys
from datetime import datetime, timezone
from fractions import Fraction

import invented

NEVER_ATTEMPTED = ("program", "disk", "skipped", "overflow")
HEARD = ("answered", "partial")
BESIDE_MS = 60  # a fifth of the refresh: no value of two refreshes before fits by it
NEVER_SET_MS = 1400000000000  # the player's clock that was never set lies before, each other one behind


def utc_ms(text):
    return None if text is None else int(round(datetime.fromisoformat(text.replace("Z", "+00:00")).astimezone(timezone.utc).timestamp() * 1000))


def revision_of(gap):
    return (gap["run"], gap["id"], gap["well"], gap["revision"])


class Evidence:
    """The files of a history, read once."""

    def __init__(self, directory):
        directory = pathlib.Path(directory)
        self.story = [json.loads(line) for line in (directory / "story.ndjson").read_text().splitlines()]
        self.messages = []  # (topic, message), in the order of arrival
        self.heard = []  # the same of each subscriber, as it heard them: what two of them print at one time says nothing of the order of both
        self.heard_gap = {}  # a ledger row's revision -> when it came last: what came before a disk was set back comes again as it was
        arrived = {}  # what each line said, and to which subscriber it said so first
        for path in sorted(directory.glob("subscriber-*.log"), key=lambda p: int(p.stem.split("-")[1])):
            self.heard.append([])
            for line in path.read_text(errors="replace").splitlines(keepends=True):
                parts = line.split(" ", 3)
                if len(parts) == 4 and line.endswith("\n") and parts[3].startswith("{"):
                    if parts[2].endswith("/record"):
                        self.heard[-1].append(json.loads(parts[3]))
                    if parts[2].endswith("/gap"):
                        key = revision_of(json.loads(parts[3]))
                        self.heard_gap[key] = max(self.heard_gap.get(key, 0), float(parts[0]))
                    before = arrived.setdefault((parts[2], parts[3]), [path, len(self.messages)])
                    if before[0] != path:  # several subscribers listen; one that came back may hear it first
                        if float(parts[0]) < self.messages[before[1]][0]:
                            self.messages[before[1]] = (float(parts[0]), *self.messages[before[1]][1:])
                        continue
                    self.messages.append((float(parts[0]), parts[1] == "1", parts[2], json.loads(parts[3])))
        self.messages.sort(key=lambda m: m[0])
        self.truth = collections.defaultdict(list)  # line -> [(boot ms, gauge, {point: words})], a refresh each
        for line in (directory / "truth.ndjson").read_text().splitlines(keepends=True):
            if line.endswith("\n"):
                said = json.loads(line)
                if "points" in said:
                    self.truth[said["line"]].append((said["boot_ms"], said["gauge"], {p: v["words"] for p, v in said["points"].items()}))
        played = pathlib.Path(json.loads((directory / "plans.json").read_text())["journal"])
        self.journal = played if played.exists() else directory / played.parent.name / played.name  # set aside after the play
        self.audits = [json.loads(line) for line in (directory / "audit.ndjson").read_text().splitlines()]
        replays = directory / "replay.ndjson"
        journaled = directory / "journaled.ndjson"
        self.journaled = [json.loads(line) for line in journaled.read_text().splitlines()] if journaled.exists() else []
        removed = directory / "removed.ndjson"
        self.removed = removed.exists() and removed.read_text().strip() != "{}"
        self.replays = [json.loads(line) for line in replays.read_text().splitlines()] if replays.exists() else []
        self.digest = json.loads((directory / "plans.json").read_text())["plans"]

    def told(self, what):
        return [s for s in self.story if s["what"] == what]


def rows_of(evidence):
    """Every row of every record message, with what its message says of it."""
    rows = []
    for arrived, _, topic, message in evidence.messages:
        if not topic.endswith("/record"):
            continue
        previous = message["after"]
        for row in message["rows"]:
            rows.append(dict(row, arrived=arrived, well=message["well"], run=message["run"], sent=message["sent"], by=message.get("by"), plan=message["plan"],
                             measure_version=message["measure_version"], after=tuple(previous) if previous else None,
                             points=message["sets"][row["source"]]["points"], units=message["sets"][row["source"]]["units"]))
            previous = [message["run"], row["seq"]]
    return rows


def identity(row):
    return (row["run"], row["well"], row["seq"], row["revision"])


class Judge:
    def __init__(self, evidence):
        self.evidence, self.found = evidence, []
        self.arrivals = rows_of(evidence)
        self.rows = {}
        self.instants = {}  # of each line: when its registers changed
        self.clocks = self._clocks()
        database = sqlite3.connect(f"file:{evidence.journal}?mode=ro", uri=True)
        runs = [("%016x" % (r[0] % 2**64), r[1]) for r in database.execute("SELECT id, boot FROM run ORDER BY pos")]
        database.close()
        self.last_runs = [run for run, _ in runs]
        self.last_boot = [run for run, boot in runs if boot == runs[-1][1]]

    def says(self, letter, text):
        self.found.append(f"{letter} {text}")

    # ---- I ----

    def identities(self):
        ways = ("sent", "arrived")
        for row in self.arrivals:
            before = self.rows.setdefault(identity(row), row)
            if before is row:
                continue
            different = [k for k in row if k not in ways and row[k] != before.get(k)]
            if different:
                self.says("I", f"{identity(row)} has two contents: {[(k, before.get(k), row[k]) for k in different][:2]}")

    # ---- clocks: from a row's label to the machine's boot time ----

    def _clocks(self):
        """Of each box: [(boot ms from, label - boot ms)], in time."""
        clocks = collections.defaultdict(list)
        for told in self.evidence.told("clock"):
            clocks[told["box"]].append((told["boot_ms"], told["utc_minus_boot_ms"], told["slack_ms"]))
        return clocks

    def taken_at(self, row):
        """Boot times at which a row with this label may have been taken: in each stretch of the box's clock the one that makes this label."""
        label = utc_ms(row["time"])
        box = self.box_of(row["run"])
        stretches = self.clocks.get(box, [])
        found = []
        if row["revision"] > 0:  # its time may be by the clock that was set later
            found = [label - difference for _, difference, _ in stretches if difference > NEVER_SET_MS]
        for i, (begin, difference, slack) in enumerate(stretches):
            end = stretches[i + 1][0] if i + 1 < len(stretches) else 1 << 62
            at = label - difference
            if begin - slack <= at <= end + slack:
                found.append(at)
        return found

    def box_of(self, run):
        for told in self.evidence.told("run"):
            if told["run"] == run:
                return told["box"]
        return "first"

    # ---- V ----

    def said_at(self, line, low, high):
        """What the unit's registers said at any moment of [low, high]."""
        refreshes = self.evidence.truth[line]
        times = self.instants.setdefault(line, [r[0] for r in refreshes])
        newest = bisect.bisect_right(times, low) - 1
        # A gauge that is lost meanwhile is told anew, with the instant of the same refresh.
        first = bisect.bisect_left(times, times[newest]) if newest >= 0 else 0
        return refreshes[first:bisect.bisect_right(times, high)]

    LINES = {("heron-7", "gauge"): "pad-line", ("heron-7", "drive"): "skid-line", ("heron-8", "gauge"): "far-line"}

    def values(self):
        self.checked, self.beside = 0, []
        timed = {identity(row)[:3] for row in self.rows.values() if row["time"] is not None}
        for row in self.rows.values():
            source = (row["well"], row["source"])
            measured = {c.point: c for c in self.channels(row, source)}
            held = {p: (v, q, age) for p, v, q, age in zip(row["points"], row["values"], row["qualities"], row["age_s"]) if p in measured}
            if any(v is None and q >= 192 or v is not None and q < 64 for v, q, _ in held.values()):
                self.says("V", f"{identity(row)}: value and quality contradict each other: {held}")
            shown = {p: v for p, v in held.items() if v[0] is not None}
            if row["outcome"] not in HEARD:
                if shown:
                    self.says("V", f"{identity(row)} was {row['outcome']} and shows {shown}")
                continue
            if not shown:
                continue
            self.checked += 1
            # age = one refresh + the time that the scan took
            took = max(round(float(age) * 1000) for _, _, age in shown.values()) - invented.REFRESH_MS
            if took < -50:
                self.says("V", f"{identity(row)}: an age below one refresh: {shown}")
            if row["time"] is None:
                if row["run"] in self.last_boot and identity(row)[:3] not in timed:  # of earlier boots nothing tells the time
                    self.says("V", f"{identity(row)} has no time, and no revision brought it")
                continue
            self.match(row, source, measured, shown, max(took, 0) + 55)
        if len(self.beside) > max(3, self.checked / 50):
            self.says("V", f"{len(self.beside)} of {self.checked} readings fit only as read within {BESIDE_MS} ms of a refresh: {self.beside[:3]}")

    def channels(self, row, source):
        text = self.evidence.digest.get(row["plan"])
        if text is None:
            self.says("V", f"{identity(row)} names plan {row['plan']}, which nobody gave it")
            return []
        return invented.Version(**text).channels[source]

    def match(self, row, source, measured, shown, took):
        moments = self.taken_at(row)
        if not moments:
            self.says("V", f"{identity(row)}: its time {row['time']} was on no clock of its box")
            return
        why = ""
        for beside in (0, BESIDE_MS):
            for at in moments:
                refreshes = self.said_at(self.LINES[source], at - 5 - beside, at + took + beside)
                wrong = [p for p, (v, q, _) in shown.items() if not any(self.equals(measured[p], r, v, q, source) for r in refreshes)]
                if not wrong:
                    if beside:
                        self.beside.append(identity(row))
                    return
            why = why or f"{[(p, shown[p]) for p in wrong]}; the registers said {[(r[0], r[1], [r[2].get(p) for p in wrong]) for r in refreshes]} at {at}"
        self.says("V", f"{identity(row)}: {why}")

    @staticmethod
    def equals(channel, refresh, value, quality, source):
        _, gauge, words = refresh
        if source[1] == "gauge" and gauge != "live" and quality >= 192:
            return False
        true, step = channel.value(words[channel.point])
        return abs(Fraction(str(value)) - true) <= Fraction(step) / 2 + Fraction(1, 10**9) * (abs(true) + 1)

    # ---- R ----

    def runs(self):
        lives = self.evidence.told("life")  # {box, began_boot_ms, ended_boot_ms}
        of_run = collections.defaultdict(list)
        for row in self.rows.values():
            if row["time"] is not None and row["revision"] == 0:
                of_run[row["run"]] += [self.taken_at(row)]
        for run, moments in of_run.items():
            fits = [life for life in lives if all(any(life["began_boot_ms"] - 60 <= at <= life["ended_boot_ms"] + 60 for at in m) for m in moments)]
            if not fits:
                self.says("R", f"run {run}: its rows are of no single process")
        boxes = collections.defaultdict(set)
        for told in self.evidence.told("run"):
            boxes[told["run"]].add((told["box"], told["process"]))
        for run, processes in boxes.items():
            if len(processes) > 1:
                self.says("R", f"run {run} is of {len(processes)} processes")

    # ---- C ----

    def chain(self):
        base = {(r["run"], r["well"], r["seq"]): r for r in self.rows.values()}
        set_aside = collections.Counter()
        for gap in self.newest_gaps().values():
            if gap["kind"] in ("refused", "removed", "damaged"):
                set_aside[gap["well"]] += gap["scans"]
        heads, followers = collections.Counter(), collections.Counter()
        for (run, well, seq), row in base.items():
            if row["after"] is None:
                heads[well] += 1
                if seq != 1 and not set_aside[well]:
                    self.says("C", f"{identity(row)} says that it is its well's first")
                continue
            followers[(well, row["after"])] += 1
            if row["after"][1] != seq - 1:
                self.says("C", f"{identity(row)} says that it follows {row['after']}")
            if (row["after"][0], well, row["after"][1]) not in base:
                if set_aside[well] > 0:
                    set_aside[well] -= 1
                else:
                    self.says("C", f"{identity(row)} follows {row['after']}, which never came and stands in no row of the ledger")
        empty, back = len(self.evidence.told("empty_journal")), len(self.evidence.told("set_back"))
        for well, n in heads.items():
            if n > empty:
                self.says("C", f"{well} begins {n} times with {empty} empty journals")
        forks = collections.Counter(well for (well, _), n in followers.items() if n > 1)
        for well, n in forks.items():
            if n > back:
                self.says("C", f"{well}: {n} rows have two successors, and the journal was set back {back} times: "
                               f"{[k for k, c in followers.items() if c > 1 and k[0] == well][:3]}")

    # ---- O ----

    def heard_in_order(self):
        """Rows that some subscriber heard before any of a greater seq."""
        found = set()
        for messages in self.evidence.heard:
            newest = {}
            for message in messages:
                key = (message["run"], message["well"])
                for row in message["rows"]:
                    if row["revision"] == 0 and message["sent"] != "resent":
                        if row["seq"] > newest.get(key, 0):
                            found.add((*key, row["seq"], 0))
                        newest[key] = max(newest.get(key, 0), row["seq"])
        return found

    def order(self):
        in_order = self.heard_in_order()
        refusals = len(self.evidence.told("refused_well"))
        newest, late = {}, 0
        for row in self.arrivals:
            if row["revision"] > 0 or row["sent"] == "resent":
                continue
            key = (row["run"], row["well"])
            if self.rows[identity(row)] is row and row["seq"] < newest.get(key, 0):
                late += 1
                if not refusals and identity(row) not in in_order:
                    self.says("O", f"{identity(row)} came after seq {newest[key]}")
            newest[key] = max(newest.get(key, 0), row["seq"])

    # ---- D ----

    def newest_gaps(self):
        newest = {}
        lost = [(s["copied"], s["at"]) for s in self.evidence.told("set_back")]  # the ledger of this time is lost with its disk
        for _, _, topic, gap in self.evidence.messages:
            if topic.endswith("/gap") and not any(a < self.evidence.heard_gap.get(revision_of(gap), 0) < b for a, b in lost):  # a planted run was never heard
                key = (gap["run"], gap["id"], gap["well"])
                if key not in newest or gap["revision"] >= newest[key]["revision"]:
                    newest[key] = gap
        return newest

    def dues(self):
        """The last journal's runs give the grid; rows and ledger rows are those that came."""
        database = sqlite3.connect(f"file:{self.evidence.journal}?mode=ro", uri=True)
        runs = [("%016x" % (r[0] % 2**64), r[1], r[2]) for r in database.execute("SELECT id, began_boot_ms, boot FROM run WHERE plan IS NOT NULL ORDER BY pos")]
        database.close()
        if self.evidence.told("another_period"):
            return  # grids of several periods: left to the audit, whose arithmetic knows the plans
        ids, last = [r[0] for r in runs], runs[-1][0]
        boots = sum(a[2] != b[2] for a, b in zip(runs, runs[1:]))
        if boots and len({c[1] for c in self.clocks["first"]}) > 1:
            return  # the length of an outage across a boot is by the label, and the label moved
        for well, source in invented.SOURCES:
            period = invented.Version().period_ms(well, source)
            due = sum(-(-(b[1] - a[1]) // period) for a, b in zip(runs, runs[1:]))
            came = len({(r["run"], r["seq"]) for r in self.rows.values() if (r["well"], r["source"]) == (well, source) and r["run"] in ids and r["run"] != last})
            missed = sum(g["scans"] for g in self.newest_gaps().values() if g["kind"] in NEVER_ATTEMPTED and g["well"] == well and g["source"] == source
                         and g["run"] in ids and not (g["run"] == last and g["kind"] != "program"))
            slack = 2 * boots  # labels are milliseconds on both sides
            if abs(due - came - missed) > slack:
                self.says("D", f"{well} {source}: due {due}, {came} rows came, {missed} never attempted by the ledger (slack {slack})")

    # ---- B ----

    def books(self):
        undecided = len({c[1] for c in self.clocks["first"]}) > 1
        for audit in self.evidence.audits:
            if audit["code"] != 0 and not (audit["code"] == 2 and undecided):
                self.says("B", f"audit of {audit['journal']} ends with {audit['code']}: {audit['said'][-900:]}")

    # ---- J ----

    def journaled(self):
        came = {(r["run"], r["well"], r["seq"]) for r in self.arrivals}
        if len(self.evidence.journaled) != 2 or any(j["code"] != 0 for j in self.evidence.journaled):
            self.says("J", f"what the journal holds was not told: {[(j['well'], j['code']) for j in self.evidence.journaled]}")
        for said in self.evidence.journaled:
            asides = [[before, after if not is_open and after else 1 << 62, scans] for _, before, after, is_open, scans in said["aside"]]
            for run, seq in said["rows"]:
                if (run, said["well"], seq) in came or seq > said["place"]:
                    continue
                aside = next((a for a in asides if a[0] < seq < a[1] and a[2] > 0), None)
                if aside is None:
                    self.says("J", f"{said['well']} seq {seq} of run {run} lies in the journal and before the destination's place, seq {said['place']}, "
                                   "and never came")
                else:
                    aside[2] -= 1

    def late(self):
        for replay in self.evidence.replays:
            if replay["code"] != 0:
                self.says("L", f"{replay['well']}: replay of {replay['rows']} rows: {replay['said']}")

    def accepted(self):
        """What the audit counts as accepted has come: rows of the last journal, by well."""
        figures = self.evidence.audits[-1].get("figures") or {}
        for said in figures.get("destinations", []):
            well, accepted = said["well"], said["accepted"]
            came = len({(r["run"], r["seq"]) for r in self.rows.values() if r["well"] == well and r["run"] in self.last_runs})
            if came < accepted:
                self.says("B", f"{well}: the audit counts {accepted} rows as accepted, {came} came")
            elif came > said["rows"] and not self.evidence.removed:
                self.says("B", f"{well}: {came} rows came, the journal holds {said['rows']}")

    def all(self):
        self.identities()
        self.values()
        self.runs()
        self.chain()
        self.order()
        self.dues()
        self.books()
        self.journaled()
        self.late()
        self.accepted()
        return self.found


def judge(directory):
    """(what does not hold, a line of figures)."""
    found = Judge(Evidence(directory))
    said = found.all()
    revised = sum(i[3] > 0 for i in found.rows)
    figures = (f"{len(found.rows)} records ({revised} revised, {len(found.arrivals) - len(found.rows)} came twice), {found.checked} against the registers "
               f"({len(found.beside)} within {BESIDE_MS} ms of a refresh), "
               f"{len({i[0] for i in found.rows})} runs, {len(found.newest_gaps())} ledger rows")
    return said, figures


if __name__ == "__main__":
    wrong, figures = judge(sys.argv[1])
    print(figures)
    for line in wrong[:40]:
        print("  " + line)
    print(f"{len(wrong)} findings")
    sys.exit(1 if wrong else 0)
