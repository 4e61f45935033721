#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""Random histories of a box, judged from outside: 25 seeds by default, 500 with UPHOLE_LONG=1 (play.py plays, judge.py judges).

    test_histories.py [--seeds FROM..TO] [--steps N] [--parallel N]

Crashes of either side, stops, power cuts, outages of the broker, clocks that are set and stepped, reloads with other plans, resends, an upgrade in a backlog,
a refused well, a foreign reader of the database, an image that is put back, a lost database, two boxes of one name, a disk that is full for a while, and
faults of lines and gauges all the while.

The judge is proved in each run: defects are planted into the evidence of good histories, and each must be found (PLANTED, below). The same defects in the
daemon itself stand in tests/planted (history-*.patch, publish-cursor-on-handover.patch, backlog-after-wrong.patch).
"""
import argparse
import collections
import json
import os
import pathlib
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent))
import judge  # noqa: E402
from play import die_with_the_player  # noqa: E402

HERE = pathlib.Path(__file__).resolve().parent
IS_LONG = os.environ.get("UPHOLE_LONG") == "1"


# ---- defects planted into evidence: each takes a judge.Evidence, changes it, and says whether it could ----

def records(evidence):
    """Record messages with a single row and a row before it, in the order of arrival, behind the first second."""
    return [(i, m[3]) for i, m in enumerate(evidence.messages) if m[2].endswith("/record") and len(m[3]["rows"]) == 1 and m[3]["after"]]


def only_once(evidence, chosen):
    """Out of those, rows that came once, in the middle of the history."""
    times = collections.Counter((r["run"], r["well"], r["seq"]) for r in judge.rows_of(evidence))
    some = [(i, m) for i, m in chosen if times[(m["run"], m["well"], m["rows"][0]["seq"])] == 1]
    return some[len(some) // 4:len(some) * 3 // 4]


def a_row_is_lost(evidence):
    for i, _ in only_once(evidence, records(evidence))[:1]:
        del evidence.messages[i]
        return True
    return False


def a_row_comes_again_with_another_value(evidence):
    for i, message in only_once(evidence, records(evidence)):
        again = json.loads(json.dumps(message))
        values = again["rows"][0]["values"]
        if values[0] is not None:
            values[0] += 1
            evidence.messages.append((evidence.messages[-1][0], False, evidence.messages[i][2], again))
            return True
    return False


def the_cursor_moved_before_the_rows_were_taken(evidence):
    """Some rows in a row never come; what follows is as it was."""
    some = [i for i, m in only_once(evidence, records(evidence)) if m["well"] == "heron-7"][:3]
    for i in reversed(some):
        del evidence.messages[i]
    return len(some) == 3


def a_hole_in_seq_is_in_no_ledger(evidence):
    """The row behind it says that it follows the row before it."""
    some = only_once(evidence, records(evidence))
    following = {(m["well"], tuple(m["after"])): m for _, m in records(evidence)}
    for i, message in some:
        next_one = following.get((message["well"], (message["run"], message["rows"][0]["seq"])))
        if next_one is not None:
            next_one["after"] = message["after"]
            del evidence.messages[i]
            return True
    return False


def the_newest_row_that_was_accepted_never_came(evidence):
    """Nothing follows it, so nothing names it: the journal alone knows."""
    for said in evidence.journaled:
        last = next(([run, seq] for run, seq in reversed(said["rows"]) if seq <= said["place"]), None)
        if last is None or said["aside"]:
            continue
        before = len(evidence.messages)
        evidence.messages = [m for m in evidence.messages if not (m[2].endswith("/record") and m[3]["well"] == said["well"] and m[3]["run"] == last[0]
                                                                  and any(r["seq"] == last[1] for r in m[3]["rows"]))]
        return len(evidence.messages) < before
    return False


def a_restored_image_goes_on_with_the_old_run(evidence):
    runs = list(dict.fromkeys(m[3]["run"] for m in evidence.messages if m[2].endswith("/record")))
    if len(runs) < 2:
        return False
    for message in (m[3] for m in evidence.messages):
        if message.get("run") == runs[-1]:
            message["run"] = runs[-2]
        if message.get("after") and message["after"][0] == runs[-1]:
            message["after"][0] = runs[-2]
    return True


def a_stale_value_is_sent_as_fresh(evidence):
    """A Good row has the values of the same source's row of more than two refreshes before."""
    newest = collections.defaultdict(list)
    for row in judge.rows_of(evidence):
        if row["values"][0] is not None and row["qualities"][0] == 192 and row["time"]:
            newest[(row["run"], row["well"], row["source"])].append(row)
    for rows in newest.values():
        for old, new in zip(rows, rows[12:]):
            if old["values"][:3] == new["values"][:3] or old["plan"] != new["plan"]:
                continue
            for message in (m[3] for m in evidence.messages if m[2].endswith("/record")):
                for row in message["rows"]:
                    if (message["run"], message["well"], row["seq"]) == (new["run"], new["well"], new["seq"]):
                        row["values"] = list(old["values"])
            return True
    return False


def each_value_is_one_refresh_old(evidence):
    """Of a source, in each Good row: what the rule for readings beside a refresh must not excuse."""
    newest = collections.defaultdict(list)
    for row in judge.rows_of(evidence):
        if row["values"][0] is not None and row["qualities"][0] == 192 and row["time"] and row["source"] == "gauge" and row["well"] == "heron-7":
            newest[row["run"]].append(row)
    rows = max(newest.values(), key=len, default=[])
    step = 3 if len(rows) > 20 else 0
    old = {(new["run"], new["seq"]): before["values"] for before, new in zip(rows, rows[step:]) if step and before["plan"] == new["plan"]}
    for message in (m[3] for m in evidence.messages if m[2].endswith("/record") and m[3]["well"] == "heron-7"):
        for row in message["rows"]:
            if row["source"] == "gauge" and row["values"][0] is not None:
                row["values"] = list(old.get((message["run"], row["seq"]), row["values"]))
    return bool(old)


def a_failed_poll_shows_a_value(evidence):
    for _, message in records(evidence):
        for row in message["rows"]:
            if row["outcome"] == "silent" and row["values"]:
                row["values"][0], row["qualities"][0], row["age_s"][0] = 9000, 192, 0.4
                return True
    return False


def a_ledger_row_is_withheld(evidence):
    before = len(evidence.messages)
    evidence.messages = [m for m in evidence.messages if not (m[2].endswith("/gap") and m[3]["kind"] == "program" and m[3]["scans"] > 4)]
    return len(evidence.messages) < before


def an_outage_is_counted_twice(evidence):
    for message in (m[3] for m in evidence.messages if m[2].endswith("/gap")):
        if message["kind"] == "program" and message["scans"] > 4:
            message["scans"] *= 2
            return True
    return False


def the_audit_finds_a_difference(evidence):
    evidence.audits[-1]["code"] = 1
    return True


# defect: the letters of the judge of which one at least must name it
PLANTED = {a_row_is_lost: "C", a_row_comes_again_with_another_value: "I", the_cursor_moved_before_the_rows_were_taken: "C",
           a_hole_in_seq_is_in_no_ledger: "C", the_newest_row_that_was_accepted_never_came: "J", a_restored_image_goes_on_with_the_old_run: "IR", a_stale_value_is_sent_as_fresh: "VI", each_value_is_one_refresh_old: "V",
           a_failed_poll_shows_a_value: "V", a_ledger_row_is_withheld: "D", an_outage_is_counted_twice: "D", the_audit_finds_a_difference: "B"}


def prove_the_judge(directories):
    """Each defect is planted into good histories that can show it, until it is found; the judge must find it in one at least, and does so in each
    where the rule applies at all (D is left out where periods or clocks make it undecidable)."""
    missed = []
    for plant, letters in PLANTED.items():
        found = tried = 0
        for directory in directories:
            evidence = judge.Evidence(directory)
            if found or not plant(evidence):
                continue
            tried += 1
            found += any(line[0] in letters for line in judge.Judge(evidence).all())
        if not found:
            missed.append(f"{plant.__name__} (tried on {tried} histories)")
    print(f"  the judge found {len(PLANTED) - len(missed)} of {len(PLANTED)} defects that were planted into good evidence", flush=True)
    return missed


# ---- seeds side by side ----

BAD_KEPT_MOST = 3  # what did not hold, set aside for who looks into it
KEPT_MOST = 25  # good histories for the proof of the judge: each of its defects needs one that offers the place for it

# Stories that are always among them: what chance brings together too seldom.
STORIES = {7: "recalculate,image,recalculate", 14: "reload,power_cut,recalculate,kill,power_cut", 21: "broker_away,reload,upgrade,recalculate"}


def how_of(seed, steps):
    return ["--only", STORIES[seed]] if seed in STORIES else ["--steps", str(steps)]


def run_seeds(seeds, steps, parallel, scratch):
    waiting, running, bad, kept = list(seeds), {}, [], []
    while waiting or running:
        while waiting and len(running) < parallel:
            seed = waiting.pop(0)
            directory = scratch / str(seed)
            running[seed] = (subprocess.Popen([sys.executable, HERE / "play.py", str(seed), *how_of(seed, steps), "--keep", directory],
                                              stdout=open(scratch / f"{seed}.out", "wb"), stderr=subprocess.STDOUT, start_new_session=True,
                                              preexec_fn=die_with_the_player), directory, time.monotonic())
        time.sleep(0.1)
        for seed, (process, directory, began) in list(running.items()):
            if process.poll() is None and time.monotonic() - began < 400:
                continue
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGKILL)  # and what it plays with
                process.wait()
            said = (scratch / f"{seed}.out").read_text(errors="replace")
            print("  " + said.splitlines()[0][:300] if said else f"  seed {seed}: nothing was said", flush=True)
            if process.returncode != 0:
                bad.append(seed)
                print("\n".join(said.splitlines()[1:12]))
                print(f"  again: UPHOLE_BINARY={os.environ.get('UPHOLE_BINARY', '')} python3 tests/history/play.py {seed} {' '.join(how_of(seed, steps))} --keep /tmp/history-{seed}")
            if process.returncode != 0 and len(bad) <= BAD_KEPT_MOST:  # the machine's clock decided a part of it: it may not come again
                aside = pathlib.Path(tempfile.mkdtemp(prefix="uphole-history-not-")) / str(seed)
                if directory.exists():
                    directory.rename(aside)
                    print(f"  its evidence: python3 tests/history/judge.py {aside}", flush=True)
            if process.returncode == 0 and len(kept) < KEPT_MOST:
                kept.append(directory)
            else:
                shutil.rmtree(directory, ignore_errors=True)
            del running[seed]
    return bad, kept


def main():
    words = argparse.ArgumentParser()
    words.add_argument("--seeds", default="1..500" if IS_LONG else "1..25")
    words.add_argument("--steps", type=int, default=6)
    words.add_argument("--parallel", type=int, default=13)
    given = words.parse_args()
    first, last = map(int, re.fullmatch(r"(\d+)\.\.(\d+)", given.seeds).groups())
    scratch = pathlib.Path(tempfile.mkdtemp(prefix="uphole-histories-"))
    scratch.chmod(0o755)  # as in play.py
    try:
        bad, kept = run_seeds(range(first, last + 1), given.steps, given.parallel, scratch)
        missed = prove_the_judge(kept) if kept else ["no good history to plant into"]
    finally:
        shutil.rmtree(scratch, ignore_errors=True)
    for plant in missed:
        print(f"  NOT found by the judge: {plant}")
    print(f"{last + 1 - first - len(bad)} of {last + 1 - first} histories hold" + (f"; not: {bad}" if bad else ""))
    return 1 if bad or missed else 0


if __name__ == "__main__":
    sys.exit(main())
