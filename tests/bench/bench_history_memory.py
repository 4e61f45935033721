#!/usr/bin/env python3
"""Memory of `replay`, `export` and a recalculation over journals of two sizes, the second ten times the first: does it grow with the history?

Usage: UPHOLE_BINARY=... bench_history_memory.py [SCANS]     SCANS: rows of the larger journal (default 200000)

Prints the highest RssAnon of each (of the well side while it recalculates all that the journal held), and the growth from the smaller journal to the larger
one; with --bound KIB it ends with 1 where one grew by more.
"""
import json
import pathlib
import shutil
import subprocess
import sys
import time

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "walk"))
from walk import BINARY, SOURCE, Walk, wait_for  # noqa: E402

BENCH = BINARY.parents[2] / "tests/bench"


def memory(pid):
    try:
        for line in pathlib.Path(f"/proc/{pid}/status").read_text().splitlines():
            if line.startswith("RssAnon:"):
                return int(line.split()[1])
    except OSError:
        pass
    return 0


def watched(words):
    """Highest RssAnon of a command, KiB; seconds; lines that it printed."""
    began, highest = time.monotonic(), 0
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as command, \
            subprocess.Popen(["wc", "-l"], stdin=command.stdout, stdout=subprocess.PIPE, text=True) as count:
        command.stdout.close()
        while command.poll() is None:
            highest = max(highest, memory(command.pid))
            time.sleep(0.02)
        lines = int(count.stdout.read())
        why = command.stderr.read().decode()
    assert command.returncode == 0, (words, command.returncode, why)
    return highest, time.monotonic() - began, lines


def is_drained(walk):
    out = subprocess.run([BINARY, "status", "--json", "--journal", walk.journal], capture_output=True, text=True)
    if out.returncode != 0:
        return False
    ways = [d for w in json.loads(out.stdout)["wells"] for d in w["delivery"] if d["destination"] == "plant-broker"]
    return bool(ways) and all(d["state"] == "up" and d["waiting_records"] <= 60 for d in ways)


def recalculated(walk, scans):
    """Highest RssAnon of the well side while it recalculates what the journal was filled with."""
    run = walk.sql("SELECT id FROM run ORDER BY pos LIMIT 1")[0]["id"]
    walk.start_daemon()
    wait_for("the backlog", 900, lambda: is_drained(walk), step=1)
    before = memory(walk.daemon.pid)
    text = walk.config.read_text()
    walk.config.write_text(text.replace("label: Heron 7", "label: Heron 7 corrected"))
    for words in (["reload"], ["recalculate", "heron-7", "--from", "2020-01-01T00:00:00Z", "--to", "2100-01-01T00:00:00Z", "--reason", "bench", "--by", "bench"]):
        out = subprocess.run([BINARY, *words, "--journal", walk.journal], capture_output=True, text=True)
        assert out.returncode == 0, (words, out.stdout, out.stderr)
    began, highest = time.monotonic(), before
    while not walk.sql("SELECT 1 AS n FROM event WHERE kind = 'recalculated'"):
        for _ in range(20):
            highest = max(highest, memory(walk.daemon.pid))
            time.sleep(0.05)
        assert time.monotonic() - began < 900, walk.log("daemon")[-600:]
    seconds = time.monotonic() - began
    said = walk.sql("SELECT text FROM event WHERE kind = 'recalculated'")[0]["text"]
    walk.stop(walk.daemon)
    walk.config.write_text(text)
    return highest, seconds, said.split(" ", 1)[0], run


def main():
    words = sys.argv[1:]
    bound = int(words[words.index("--bound") + 1]) if "--bound" in words else None
    scans = int(words[0]) if words and words[0].isdigit() else 200000
    found = {}
    with Walk("history-memory") as walk:
        walk.start_broker()
        walk._start("listener", "mosquitto_sub", "-p", walk.broker_port, "-q", "0", "-t", "uphole/#", "-F", "%U")  # else nothing is accepted
        walk.start_simulator()
        for n in (scans // 10, scans):
            shutil.rmtree(walk.journal)
            walk.journal.mkdir(mode=0o750)
            subprocess.run([BENCH / "bench_drain_fill", walk.config, SOURCE / "config/maps", str(n)], check=True)
            since = ["--from", "2020-01-01T00:00:00Z", "--to", "2100-01-01T00:00:00Z", "--journal", str(walk.journal)]
            for name, command in (("replay", ["replay", "heron-7", *since]), ("export, CSV", ["export", "heron-7", *since]),
                                  ("export, raw", ["export", "heron-7", "--raw", *since])):
                kib, seconds, lines = watched([str(BINARY), *command])
                found.setdefault(name, []).append(kib)
                print(f"{n:8} scans  {name:12} {kib:7} KiB  {lines} lines in {seconds:.1f} s", flush=True)
            kib, seconds, rows, _ = recalculated(walk, n)
            found.setdefault("recalculate", []).append(kib)
            print(f"{n:8} scans  {'recalculate':12} {kib:7} KiB  {rows} rows in {seconds:.1f} s (the well side, while it polls)", flush=True)
    grown = {name: kib[1] - kib[0] for name, kib in found.items()}
    print("grown with ten times the history: " + ", ".join(f"{name} {kib:+} KiB" for name, kib in grown.items()))
    return 1 if bound is not None and max(grown.values()) > bound else 0


sys.exit(main())
