#!/usr/bin/env python3
"""kill -9 of either side while the broker is away: nothing is lost, nothing is invented, and the ledger says what happened."""
import os
import signal
import time

from walk import Walk, check_chain, found_if, main, once, wait_for


def sums(walk):
    """Rows of the journal a well against what arrived."""
    names = {row["number"]: row["id"] for row in walk.sql("SELECT number, id FROM well")}
    return {names[row["well"]]: row["rows"] for row in walk.sql("SELECT well, count(*) AS rows FROM scan GROUP BY well")}


def complete_up_to(walk, rows):
    """Whether so many rows a well have arrived, each counted once."""
    def complete():
        kept = once(walk.records())
        return all(sum(r["well"] == well for r in kept) >= n for well, n in rows.items())
    return complete


def broker_that_hangs_and_dies(walk):
    """The broker stops answering while records go out to it; then the SCADA side and the broker are killed: what was handed over was not accepted."""
    os.kill(walk.broker.pid, signal.SIGSTOP)
    time.sleep(5)
    os.kill(wait_for("the SCADA side", 10, walk.scada_side), signal.SIGKILL)
    walk.broker.kill()
    walk.broker.wait()
    walk.start_broker()


def everything_arrives_after_both_sides_were_killed():
    """Planted defects: a cursor that moves when a message is handed over (publish-cursor-on-handover); a wrong `after` (backlog-after-wrong)."""
    with Walk("kill") as walk:
        walk.start_broker()
        walk.subscribe()
        walk.start_simulator()
        walk.start_daemon()
        wait_for("first records of both wells", 20, lambda: {r["well"] for r in walk.records()} == {"heron-7", "heron-8"})
        walk.stop_broker()
        time.sleep(4)
        walk.stop(walk.daemon, signal.SIGKILL)
        time.sleep(2)
        walk.start_daemon()
        time.sleep(4)
        side = wait_for("the SCADA side", 5, walk.scada_side)
        os.kill(side, signal.SIGKILL)
        wait_for("a new SCADA side", 10, lambda: walk.scada_side() not in (None, side))
        time.sleep(2)
        before = sums(walk)
        walk.start_broker()
        walk.wait_rows("the backlog", 90, complete_up_to(walk, before))
        broker_that_hangs_and_dies(walk)
        walk.wait_rows("what the dead broker had taken without a word", 90, complete_up_to(walk, sums(walk)))
        # a live SCADA side killed, too
        os.kill(wait_for("the SCADA side", 10, walk.scada_side), signal.SIGKILL)
        before = sums(walk)
        walk.wait_rows("what was scanned until then", 30, complete_up_to(walk, before))
        walk.stop(walk.daemon)
        after = sums(walk)
        kept = once(walk.records())
        arrived = {well: [r for r in kept if r["well"] == well] for well in after}
        cursors = {row["destination"] + str(row["well"]): row for row in walk.sql("SELECT * FROM cursor WHERE stream=1")}
        assert cursors, "no cursor is stored"
        for well, rows in after.items():
            n = check_chain(arrived[well])
            pending = rows - n
            print(f"  {well}: {rows} rows = {n} delivered + {pending} pending; {len([r for r in walk.records(well)]) - n} duplicates dropped")
            found_if(not before[well] <= n <= rows, f"{well}: {rows} rows in the journal, {n} arrived")
        kinds = [(g["kind"], g["well"]) for g in walk.gaps()]
        print("  ledger:", sorted(set(k for k, _ in kinds)))
        assert ("program", "heron-7") in kinds and ("program", "heron-8") in kinds, kinds
        check_dues(walk)


GAP_PROGRAM, GAP_DISK, GAP_SKIPPED, GAP_OVERFLOW = 5, 6, 7, 8


def check_dues(walk, period_ms=1000):
    """Due = rows + never attempted, exactly, a source: plain SQL and arithmetic on the runs' starts. Starts the daemon once more, to close its books."""
    n_before = len(walk.sql("SELECT id FROM run"))
    walk.start_daemon()
    sources = walk.sql("SELECT DISTINCT well, source FROM scan")
    last_run = "run=(SELECT id FROM run ORDER BY pos DESC LIMIT 1)"
    # Its own start, not that of the run before; and each source, since the time without us is counted with the first that is written of it.
    wait_for("another run", 15, lambda: len(walk.sql("SELECT id FROM run")) > n_before)
    wait_for("scans of the last run", 15, lambda: len(walk.sql(f"SELECT DISTINCT well, source FROM scan WHERE {last_run}")) >= len(sources))
    walk.stop(walk.daemon)
    runs = walk.sql("SELECT id, began_boot_ms FROM run ORDER BY pos")
    assert len(runs) > n_before and len(runs) >= 3, runs
    last = runs[-1]["id"]
    for well in walk.sql("SELECT number, id FROM well"):
        for source in (1, 2):
            where = f"well={well['number']} AND source={source}"
            rows = walk.sql(f"SELECT count(*) AS n FROM scan WHERE {where} AND run<>{last}")[0]["n"]
            if rows == 0:
                continue
            due = sum(-(-(b["began_boot_ms"] - a["began_boot_ms"]) // period_ms) for a, b in zip(runs, runs[1:]))
            missed = walk.sql(
                f"SELECT coalesce(sum(g.scans),0) AS n FROM gap g WHERE {where} AND kind IN (5,6,7,8)"
                f" AND revision=(SELECT max(revision) FROM gap h WHERE h.run=g.run AND h.id=g.id) AND NOT (g.run={last} AND kind<>{GAP_PROGRAM})")[0]["n"]
            print(f"  {well['id']} source {source}: due {due} = {rows} rows + {missed} never attempted")
            found_if(due != rows + missed, f"{well['id']} source {source}: due {due}, rows {rows}, never attempted {missed}")


if __name__ == "__main__":
    main(everything_arrives_after_both_sides_were_killed)
