#!/usr/bin/env python3
"""docs/examples as a stranger runs them: live points, history, table; against the real daemon and simulator."""
import json
import re
import sqlite3
import subprocess
import sys
import time
import warnings

warnings.simplefilter("ignore")
from walk import SOURCE, Walk, found_if, main, wait_for  # noqa: E402

EXAMPLES = SOURCE / "docs/examples"
sys.dont_write_bytecode = True  # docs/ stays as it is
sys.path.insert(0, str(EXAMPLES))
import history  # noqa: E402
import live_points  # noqa: E402


def run_example(name, *arguments):
    out = subprocess.run(["/usr/bin/python3", "-W", "ignore", str(EXAMPLES / name), *[str(a) for a in arguments]],
                         capture_output=True, text=True, timeout=120)
    assert out.returncode == 0, f"{name}: {out.stdout}\n{out.stderr}"
    return out.stdout


def a_stranger_reads_live_points_history_and_table():
    """Planted defects: `after` of a message that names another row; a late row with another content; a view's word order not its pattern's."""
    with Walk("integrator") as walk:
        # A broker that keeps its sessions over a restart, as one must for a reader that may be away.
        keeps = f"persistence true\npersistence_location {walk.directory}/\nuser root"
        walk.start_broker(keeps)
        walk.subscribe()
        walk.start_simulator()
        walk.start_daemon()
        wait_for("records of both wells", 20, lambda: {r["well"] for r in walk.records()} >= {"heron-7", "heron-8"})
        time.sleep(4)

        def live_points():
            live = run_example("live_points.py", "127.0.0.1", walk.broker_port, "heron-ridge", "heron-7", 3)
            return live if re.search(r"intake_pressure +[\d.]+ kPa +Good +good +\d+ s old", live) else None
        live = wait_for("a live pressure that is good", 30, live_points)
        print("  live:", next(line for line in live.splitlines() if line.startswith("intake_pressure ")))

        def tables():
            metric = run_example("read_table.py", "127.0.0.1", walk.table_port, 1, 0, 1, 2, 34)
            swapped = run_example("read_table.py", "127.0.0.1", walk.table_port, 2, 0, 1, 2, 34)
            assert metric.startswith("high word first") and swapped.startswith("low word first"), (metric, swapped)
            values = [[float(v) for v in re.findall(r"^point +\d+ +([\d.]+)  Good \(192\)", text, re.M)] for text in (metric, swapped)]
            return values if len(values[0]) == len(values[1]) == 3 else None
        values = wait_for("three good points in both views", 20, tables)
        assert all(abs(a - b) < 500 for a, b in zip(*values)), values  # seconds apart, kPa; a swapped word is off by powers of ten
        missing = run_example("read_table.py", "127.0.0.1", walk.table_port, 1, 0, 10)  # not in the map of heron-7
        assert re.search(r"point  10 +--  Bad \(1\)  never", missing), missing

        # While the history is away the broker keeps its rows; then it comes back and all is there, late rows too.
        database = walk.directory / "history.sqlite"
        run_example("history.py", "127.0.0.1", walk.broker_port, "heron-ridge", database, 2)
        time.sleep(2)
        said = run_example("history.py", "127.0.0.1", walk.broker_port, "heron-ridge", database, 3)
        print("  history:", said.strip())
        found_if(not said.strip().endswith("0 holes"), said)
        walk.stop_broker()
        time.sleep(4)
        walk.start_broker(keeps)
        wait_for("late rows", 60, lambda: any(r["sent"] == "late" for r in walk.records()))
        def late_rows():
            said = run_example("history.py", "127.0.0.1", walk.broker_port, "heron-ridge", database, 4).strip()
            late = re.search(r"(\d+) of them late.* 0 holes$", said)
            found_if(not late, said)
            return said if int(late[1]) >= 3 else None
        print("  history, the broker was away:", wait_for("late rows in the history", 20, late_rows))
        rows = sqlite3.connect(database).execute("SELECT well, seq FROM row ORDER BY well, seq").fetchall()
        for (well, seq), (next_well, next_seq) in zip(rows, rows[1:]):
            found_if(next_well == well and next_seq != seq + 1, f"{well}: seq {seq} is followed by {next_seq}")
        assert sqlite3.connect(database).execute("SELECT count(*) FROM value WHERE value IS NULL AND quality >= 64").fetchone() == (0,)


def holes_and_duplicates_are_seen():
    """The same code on messages of the real daemon, some taken away and some doubled. Planted defects: `after` not looked at; a duplicate stored."""
    with Walk("holes") as walk:
        walk.start_broker()
        walk.subscribe()
        walk.start_simulator()
        walk.start_daemon()
        wait_for("records", 30, lambda: sum(json.loads(p)["well"] == "heron-7" for _, p in walk.taken("record")) >= 12)
        messages = [p for _, p in walk.taken("record") if json.loads(p)["well"] == "heron-7"][:12]
        store = history.History(":memory:")
        for i, payload in enumerate(messages):
            if i == 5:
                continue
            store.take(payload)
            store.take(payload)
        lost = json.loads(messages[5])
        n_rows = sum(len(json.loads(p)["rows"]) for i, p in enumerate(messages) if i != 5)
        assert store.duplicates == n_rows, (store.duplicates, n_rows)
        assert [(h[0], h[1], h[2]) for h in store.holes()] == [("heron-7", lost["run"], lost["rows"][-1]["seq"])], store.holes()
        store.take(messages[5])
        assert store.holes() == [], store.holes()
        # A corrected row stands beside the first one, and holds; it is no hole and no reading more.
        message = json.loads(messages[3])
        row = message["rows"][0]
        message.update(sent="recalculated", by="clock set at 2031-03-01T06:00:00.000Z", rows=[dict(row, revision=1, time="2031-03-01T05:59:00.000Z")])
        before = store.database.execute("SELECT count(*) FROM best").fetchone()
        store.take(json.dumps(message))
        assert store.database.execute("SELECT count(*) FROM best").fetchone() == before and store.holes() == []
        assert store.database.execute("SELECT time, revision FROM best WHERE well=? AND run=? AND seq=?", ("heron-7", message["run"], row["seq"])
                                      ).fetchall() == [("2031-03-01T05:59:00.000Z", 1)]
        # Ages go on while nothing comes.
        latest = [(t, p) for t, p in walk.taken("latest") if t.endswith("heron-7/latest")][-1]
        live = live_points.LivePoints()
        live.take(*latest, 100.0)
        first = {p[0]: p[5] for p in live.points(100.0)}
        later = {p[0]: p[5] for p in live.points(160.0)}
        aged = [name for name, age_s in first.items() if age_s is not None]
        assert aged and all(abs(later[name] - first[name] - 60) < 1e-6 for name in aged)


main(a_stranger_reads_live_points_history_and_table, holes_and_duplicates_are_seen)
